//! Every state of the page in a real browser, light and dark, on the screens of a bench and of a desk: pictures on request, and
//! automatic checks: no scrolling, sizes for gloves, contrast, and axe-core's rules for WCAG 2.2 AA.
//!
//! Contrast: relative luminance and contrast ratio as WCAG 2.2 defines them (W3C Recommendation, 2023, "relative luminance", "contrast
//! ratio"); 7:1 is its enhanced level (success criterion 1.4.6).

use crate::python::python;
use std::path::PathBuf;
use std::process::Command;
use tripbench_tests::browser::{Browser, is_there};
use tripbench_tests::command::{Simulated, Workplace, decided};
use tripbench_tests::daemon::Daemon;
use tripbench_tests::sheet_text;

const RIG: &str = "goods-in-1";
/// A 10.1-inch panel at the bench and a 21.5-inch screen, with their widths in millimetres.
const SCREENS: [((u32, u32), f64); 2] = [((1024, 600), 222.0), ((1920, 1080), 476.0)];
/// The panel, as the site sheet describes it.
const SCREEN: &str = "\n[screen]\nwidth = \"222 mm\"\n";

/// Contrast ratio of each verdict word against its background.
const CONTRASTS: &str = "
    const parse = (text) => text.match(/[\\d.]+/g).map(Number);
    const linear = (c) => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
    const luminance = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
    const behind = (node) => { for (; node; node = node.parentElement) { const found = parse(getComputedStyle(node).backgroundColor); if (found.length < 4 || found[3] > 0) return found; } return [255, 255, 255]; };
    return [...document.querySelectorAll('.word')].map((word) => {
        const [a, b] = [luminance(parse(getComputedStyle(word).color)), luminance(behind(word))];
        return [word.textContent, (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05)];
    });";

/// Source of axe-core, from a package of the tests' python.
fn axe() -> Option<String> {
    let find = "import importlib.util, pathlib; print(pathlib.Path(importlib.util.find_spec('axe_playwright_python').origin).with_name('axe.min.js'))";
    let output = Command::new(python()?).args(["-c", find]).output().expect("python runs");
    let path = String::from_utf8(output.stdout).expect("a path");
    Some(std::fs::read_to_string(path.trim()).expect("axe-core"))
}

/// The page, the looks in which each state is shown, and the faults found.
struct Looks {
    browser: Browser,
    axe: Option<String>,
    faults: Vec<String>,
}

impl Looks {
    /// Checks the page as it is in every look. A state that does not last is checked in one look only.
    async fn at(&mut self, state: &str, lasts: bool) {
        for dark in [false, true] {
            let look = if dark { "dark" } else { "light" };
            self.browser.run(&format!("document.documentElement.dataset.look = '{look}'")).await;
            for (screen, width_mm) in SCREENS {
                self.browser.resize(screen).await;
                if screen != SCREENS[0].0 {
                    let mm = f64::from(screen.0) / width_mm;
                    let set = format!("document.documentElement.style.setProperty('--mm', '{mm}px')");
                    self.browser.run(&set).await;
                }
                let name = format!("{state}-{look}-{}", screen.0);
                self.picture(&name).await;
                if lasts {
                    self.check(&name, screen, 19.0 * f64::from(screen.0) / width_mm).await;
                }
            }
            if let (Some(axe), true) = (self.axe.clone(), lasts) {
                let found = self.browser.accessibility(&axe).await;
                self.faults.extend(found.into_iter().map(|fault| format!("{state} {look}: {fault}")));
            }
        }
        self.browser.resize(SCREENS[0].0).await;
    }

    async fn picture(&self, name: &str) {
        if let Some(album) = std::env::var_os("TRIPBENCH_PICTURES").map(PathBuf::from) {
            self.browser.picture(&album.join(format!("{name}.png"))).await;
        }
    }

    /// Checks what is required on every screen; `big_px` is 19 mm there.
    async fn check(&mut self, name: &str, (width, height): (u32, u32), big_px: f64) {
        let faults = &mut self.faults;
        let number = async |script: &str| {
            self.browser.run(&format!("return {script}")).await.as_f64().expect("a number")
        };
        let wide = number("document.documentElement.scrollWidth").await;
        if wide > f64::from(width) {
            faults.push(format!("{name}: {wide} px wide"));
        }
        let lowest = number("Math.max(...[...document.querySelectorAll('.actions > *, .stop')].map((one) => one.getBoundingClientRect().bottom))").await;
        if lowest > f64::from(height) {
            faults.push(format!("{name}: a button ends at {lowest} px"));
        }
        let lowest = number("Math.min(...[...document.querySelectorAll('.start, .stop')].map((one) => one.getBoundingClientRect().height))").await;
        if lowest < big_px - 0.5 {
            faults.push(format!("{name}: START or STOP TEST is {lowest} px high"));
        }
        let contrasts = self.browser.run(CONTRASTS).await;
        for contrast in contrasts.as_array().expect("words") {
            if contrast[1].as_f64().is_none_or(|ratio| ratio < 7.0) {
                faults.push(format!("{name}: contrast {contrast}"));
            }
        }
    }

    /// Pictures of the verdicts as seen with colour vision deficiencies, and in greyscale.
    async fn without_colours(&self) {
        for vision in ["achromatopsia", "deuteranopia", "protanopia"] {
            self.browser.see_as(vision);
            self.picture(&format!("verdict-{vision}")).await;
        }
        self.browser.see_as("none");
    }

    /// Scans four devices, then texts that are not serial numbers.
    async fn mounting(&mut self) {
        for number in 1..=4 {
            self.browser.scan(&format!("7731-{number:03}")).await;
            self.browser
                .until(&format!("document.querySelectorAll('.mounts li button').length === {number}"))
                .await;
            if number == 2 {
                self.at("mounting", true).await;
            }
        }
        self.at("mounted", true).await;
        // An incomplete read is not a serial number: a pause in it, or two serials joined because an Enter was lost.
        self.unread("SN-77", "1002").await;
        self.browser.run("document.querySelector('input.scan').focus()").await;
        self.unread("SN5001", "SN5002").await;
        self.browser.run("document.activeElement.blur()").await;
    }

    /// Types a text, and after a pause another one with Enter: neither is taken, and the page says so.
    async fn unread(&self, first: &str, second: &str) {
        let focused = self.browser.client.active_element().await.expect("a focus");
        focused.send_keys(first).await.expect("it types");
        tokio::time::sleep(std::time::Duration::from_millis(700)).await;
        self.browser.scan(second).await;
        self.says(&format!("Scan not read: {first}{second}")).await;
        assert_eq!(self.browser.run("return document.querySelectorAll('.mounts li button').length").await, 4);
    }

    /// Nothing happens for a while, and the page still knows that the daemon is there.
    async fn idles(&self) {
        for _ in 0..60 {
            let told = self.browser.run("return document.querySelector('.told').innerText").await;
            assert!(!told.to_string().contains("No connection"), "{told}");
            tokio::time::sleep(std::time::Duration::from_millis(100)).await;
        }
    }

    /// Waits until the sentence of the rig contains a text.
    async fn tells(&self, text: &str) {
        self.browser.until(&format!("document.querySelector('.told').innerText.includes('{text}')")).await;
    }

    async fn says(&self, text: &str) {
        self.browser.until(&format!("document.body.innerText.includes('{text}')")).await;
    }
}

/// A round with a question first, in which one device passes, one is too close to its limit, one is off, and one loses its plug;
/// meanwhile the air fails for a while.
fn workplace() -> Workplace {
    let workplace = decided();
    workplace.write("site.toml", &(sheet_text("site.toml") + SCREEN));
    let question = "[[step]]\ndo = \"ask\"\ntext = \"Are the filters in place?\"\n\n[[step]]\ndo = \"zero\"\nwatch = \"0.5 s\"\n\n[[step]]\ndo = \"leak\"";
    let steps = "[[step]]\ndo = \"zero\"\nwatch = \"0.5 s\"\n\n[[step]]\ndo = \"leak\"";
    workplace.change("script.toml", steps, question);
    workplace.change("truth.toml", "switch_point = \"59.7 kPa\"", "switch_point = \"60.95 kPa\"");
    workplace.change("truth.toml", "reset_point = \"54.7 kPa\"", "reset_point = \"55.7 kPa\"");
    for number in 2..=4 {
        let position = format!("position = {number}\n");
        let quick = format!("{position}lag = \"1 ms\"\ndelay_on = \"0 ms\"\ndelay_off = \"0 ms\"\n");
        workplace.change("truth.toml", &position, &quick);
    }
    let faults = "\n[[fault]]\nrising_through = \"58 kPa\"\ntime = 3\npull_plug = 4\n\n[[fault]]\nrising_through = \"57 kPa\"\ntime = 2\nair_pressure = \"3.1 bar\"\nfor = \"6 s\"\n";
    workplace.write("truth.toml", &(workplace.read("truth.toml") + faults));
    workplace
}

#[tokio::test]
async fn every_state_can_be_seen_read_and_reached_and_a_scan_does_nothing_else() {
    if !is_there() {
        return;
    }
    let workplace = workplace();
    let module = Simulated::start(&workplace);
    workplace.write("bench.toml", "listen = \"127.0.0.1:0\"\nruns = \"runs\"\nsite = \"site.toml\"\n\n[[rig]]\nsheet = \"rig.toml\"\ntype = \"type.toml\"\nsettings = \"settings.toml\"\nscript = \"script.toml\"\n");
    let daemon = Daemon::with(&workplace, "serve --bench bench.toml --log json");
    let browser = Browser::start(&workplace.folder, SCREENS[0].0).await;
    browser.open(&daemon.base).await;
    let mut looks = Looks { browser, axe: axe(), faults: Vec::new() };
    looks.says("outputs safe").await;
    looks.idles().await;
    looks.at("idle", true).await;
    looks.mounting().await;
    looks.browser.press(0, "START").await;
    looks.tells("Are the filters in place?").await;
    looks.at("question", true).await;
    // A scan while a question is open, with the focus on its buttons: it does not answer the question, and is not lost.
    for focus in ["YES", "NO"] {
        looks.browser.run(&format!("[...document.querySelectorAll('.actions button')].find((one) => one.textContent === '{focus}').focus()")).await;
        looks.browser.scan(&format!("7740 {focus}")).await;
    }
    looks.says("2 7740 NO").await;
    let asked = daemon.rig(RIG);
    assert_eq!(asked["run"]["question"]["text"], "Are the filters in place?", "{asked}");
    assert_eq!(asked["round"]["places"][1]["serial"], "7740 NO");
    looks.browser.press(0, "YES").await;
    looks.browser.until("document.querySelector('canvas') !== null").await;
    looks.tells("Ramps through").await;
    looks.at("running", false).await;
    // The same during a run, with the focus on STOP TEST.
    looks.browser.run("document.querySelector('.stop').focus()").await;
    looks.browser.scan("7740-003").await;
    looks.says("3 7740-003").await;
    looks.tells("Waiting").await;
    looks.at("waiting", false).await;
    looks.says("UNDECIDED").await;
    looks.at("verdict", true).await;
    looks.without_colours().await;
    let over = daemon.rig(RIG);
    let verdicts: Vec<&str> = over["run"]["tiles"]
        .as_array()
        .expect("tiles")
        .iter()
        .filter_map(|tile| tile["verdict"].as_str())
        .collect();
    assert_eq!(verdicts, ["pass", "undecided", "fail", "set-aside"], "{over}");
    german(&mut looks).await;
    twice(&looks, &daemon).await;
    // No plug was pulled since other devices were tested there: the page asks about that once.
    looks.browser.press(0, "START").await;
    looks.says("no plug was pulled at position 1 since 7731-001 was tested there").await;
    assert_eq!(daemon.rig(RIG)["doing"], "idle");
    looks.at("asked", true).await;
    looks.browser.press(0, "START").await;
    looks.tells("Are the filters in place?").await;
    looks.browser.press(0, "STOP TEST").await;
    looks.tells("ABORTED. No judgement").await;
    looks.at("aborted", true).await;
    drop(module);
    looks.tells("Not ready").await;
    looks.at("not-ready", true).await;
    drop(daemon);
    looks.tells("No connection to the daemon").await;
    looks.at("lost", true).await;
    assert!(looks.faults.is_empty(), "{}", looks.faults.join("\n"));
}

/// The second click of a double click finds START where NEXT ROUND was: it starts nothing.
async fn twice(looks: &Looks, daemon: &Daemon) {
    // The words are new: a moment ago they were German.
    tokio::time::sleep(std::time::Duration::from_millis(700)).await;
    let script = "
        const find = (words) => [...document.querySelectorAll('.actions button')].find((one) => one.textContent.startsWith(words));
        find('NEXT ROUND').click();
        const again = () => { const start = document.querySelector('.mounts') && find('START'); if (start) start.click(); else requestAnimationFrame(again); };
        again();";
    looks.browser.run(script).await;
    looks.browser.until("document.querySelector('.mounts') !== null").await;
    tokio::time::sleep(std::time::Duration::from_millis(700)).await;
    let state = daemon.rig(RIG);
    assert!(state["doing"] == "idle" && state["queue"] == serde_json::json!([]), "{state}");
    assert!(!looks.browser.text().await.contains("no plug was pulled"));
}

/// The same in German: every instruction for the technician has a German word.
async fn german(looks: &mut Looks) {
    looks.browser.run("document.querySelector('button[lang=de]').click()").await;
    looks.says("SCHLECHT").await;
    looks.at("verdict-de", true).await;
    let text = looks.browser.text().await;
    for word in
        ["UNKLAR", "AUSGELASSEN", "weniger tief", "NÄCHSTE RUNDE", "Stecker prüfen", "ist nicht entschieden"]
    {
        assert!(text.contains(word), "{word}: {text}");
    }
    looks.browser.run("document.querySelector('button[lang=en]').click()").await;
    looks.says("FAIL").await;
}
