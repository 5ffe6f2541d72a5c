//! The page in a real browser, with the daemon and simulated rigs behind it.

use rustix::process::Signal;
use serde_json::Value;
use std::path::PathBuf;
use tripbench_tests::browser::{Browser, is_there};
use tripbench_tests::command::{Simulated, Workplace, quick};
use tripbench_tests::daemon::Daemon;
use tripbench_tests::sheet_text;

/// Index of the eight-position rig on the demo's page.
const EIGHT: usize = 1;

/// The demo's two rigs with faster air, their modules simulated by other processes.
fn two_rigs(workplace: &Workplace) -> (Daemon, [Simulated; 2]) {
    let faster = [
        ("evacuate = \"3 s\"", "evacuate = \"1.5 s\""),
        ("evacuate_fine = \"40 s\"", "evacuate_fine = \"15 s\""),
        ("bleed = \"6 s\"", "bleed = \"4 s\""),
        ("thermal = \"1 s\"", "thermal = \"0.3 s\""),
        ("due = 2027-03-12", "due = 2999-03-12"),
    ];
    let eight = faster.iter().fold(sheet_text("rigs/goods-in-2.toml"), |sheet, (from, to)| {
        assert!(sheet.contains(from), "the sheet does not contain {from}");
        sheet.replace(from, to)
    });
    workplace.write("eight.toml", &eight.replace("127.0.0.1:1503", "127.0.0.1:1502"));
    let four = Simulated::start(workplace);
    workplace.write("truth.toml", &sheet_text("simulated/eight-devices.toml"));
    let eight = Simulated::of(workplace, "eight.toml");
    workplace.brief();
    let rig = |sheet: &str| {
        format!(
            "[[rig]]\nsheet = \"{sheet}\"\ntype = \"type.toml\"\nsettings = \"settings.toml\"\nscript = \"script.toml\"\nsimulated = true\n"
        )
    };
    let bench =
        format!("listen = \"127.0.0.1:0\"\nruns = \"runs\"\n{}{}", rig("rig.toml"), rig("eight.toml"));
    workplace.write("bench.toml", &bench);
    (Daemon::with(workplace, "serve --bench bench.toml --log json"), [four, eight])
}

/// Folder for pictures, if one was asked for.
fn album() -> Option<PathBuf> {
    std::env::var_os("TRIPBENCH_PICTURES").map(PathBuf::from)
}

async fn picture(browser: &Browser, name: &str) {
    if let Some(album) = album() {
        browser.picture(&album.join(format!("{name}.png"))).await;
    }
}

fn rig(index: usize) -> String {
    format!("document.querySelectorAll('section')[{index}]")
}

/// Scans one serial after the other; waits until each has been taken.
async fn scan_all(browser: &Browser, serials: &[String]) {
    for (index, serial) in serials.iter().enumerate() {
        browser.scan(serial).await;
        let taken = index + 1;
        browser
            .until(&format!("{}.querySelectorAll('.mounts li button').length === {taken}", rig(EIGHT)))
            .await;
    }
}

fn round(name: &str) -> Vec<String> {
    (1..=8).map(|number| format!("{name}-{number:03}")).collect()
}

/// Fills the page with eight tiles, or with more small ones, that pass with something not checked. Returns for each the size of the
/// verdict, the size of the not-checked text and by how much that text is cut off; then by how much the tiles overflow their area.
const NOTED: &str = "
    const [open, count, done] = arguments;
    import('/parts.js').then(({ tile }) => {
        const work = document.querySelectorAll('section')[1].querySelector('.work'), tiles = work.querySelector('.tiles');
        const figure = { quantity: 'cut-off', value: '70.47 kPa', uncertainty: '0.26 kPa', limits: '68.90 … 71.10 kPa', place: 0.7, outside: false };
        const of = (position) => ({ position, serial: `7731-${position}`, verdict: 'pass', not_checked: open, figure, sentence: '', aside: null, advice: null });
        const many = count > 8;
        tiles.className = `tiles ${many ? 'many' : 'dense'}`;
        tiles.replaceChildren(...Array.from({ length: count }, (_, index) => tile(of(index + 1), { over: true, halted: null }, many)));
        const size = (node) => parseFloat(getComputedStyle(node).fontSize);
        const found = [...tiles.children].map((one) => { const words = one.querySelector('.open'); return [size(one.querySelector('.word') ?? one.querySelector('b')), size(words), one.scrollWidth - one.clientWidth, words.innerText]; });
        requestAnimationFrame(() => done([found, tiles.getBoundingClientRect().bottom - work.getBoundingClientRect().bottom]));
    }, (error) => done(String(error)));";

/// The not-checked text is never smaller than the word PASS, and is readable completely in both languages.
async fn noted(browser: &Browser) {
    let tile = format!("{}.querySelector('.tile.pass .word').innerText", rig(EIGHT));
    let word = browser.run(&format!("return {tile}")).await;
    assert!(word.as_str().is_some_and(|word| word.contains("PASS, not checked: bounce")), "{word}");
    let two = ["selected-delay", "bounce"].as_slice();
    let most =
        ["selected-delay", "on-delay", "off-delay", "cut-off-delay", "resume-delay", "bounce"].as_slice();
    let english = [
        "not checked: selected delay, bounce",
        "not checked: selected delay, delay on, delay off, valve delay, bounce",
    ];
    let german = [
        "nicht geprüft: gewählte Verzögerung, Prellen",
        "nicht geprüft: gewählte Verzögerung, Einschaltverzögerung, Ausschaltverzögerung, Ventilverzögerung, Prellen",
    ];
    for (language, says) in [("de", german), ("en", english)] {
        browser.run(&format!("document.querySelector('button[lang={language}]').click()")).await;
        for (open, says) in [two, most].into_iter().zip(says) {
            for count in [8, 40] {
                let asked = vec![serde_json::json!(open), Value::from(count)];
                let found = browser.client.execute_async(NOTED, asked).await.expect("the script runs");
                picture(browser, &format!("not-checked-{language}-{}-{count}", open.len())).await;
                for one in found[0].as_array().unwrap_or_else(|| panic!("{found}")) {
                    let at = |index: usize| one[index].as_f64().expect("a number");
                    assert!(at(1) >= at(0) && at(2) <= 0.0, "{language} {count}: {one}");
                    assert_eq!(one[3].as_str().map(|text| text.replace('\u{ad}', "")).as_deref(), Some(says));
                }
                // Eight tiles with a usual list fit without scrolling.
                let over = found[1].as_f64().expect("a number");
                assert!(over <= 0.0 || count > 8 || open.len() > 2, "{language}: {over} px too high");
            }
        }
    }
    browser.open(browser.client.current_url().await.expect("an address").as_str()).await;
    browser.until("document.querySelectorAll('section').length === 2").await;
    browser.until(&format!("{}.innerText.includes('7 PASS')", rig(EIGHT))).await;
}

#[tokio::test]
async fn a_round_of_eight_is_eight_scans_and_one_press_and_so_is_the_next() {
    if !is_there() {
        return;
    }
    let workplace = Workplace::new();
    let (daemon, _modules) = two_rigs(&workplace);
    let browser = Browser::start(&workplace.folder, (1024, 600)).await;
    browser.open(&daemon.base).await;
    browser.resize((1024, 600)).await;
    browser.until("document.querySelectorAll('section').length === 2").await;
    // A touch selects the rig; from then on scans go there, wherever the focus is.
    browser
        .run(&format!("{}.dispatchEvent(new PointerEvent('pointerdown', {{bubbles: true}}))", rig(EIGHT)))
        .await;
    browser.until(&format!("{}.innerText.includes('outputs safe')", rig(EIGHT))).await;
    picture(&browser, "idle").await;
    scan_all(&browser, &round("7731")).await;
    picture(&browser, "mounted").await;
    browser.press(EIGHT, "START").await;
    browser.until(&format!("{}.querySelector('canvas') !== null", rig(EIGHT))).await;
    browser.until(&format!("{}.innerText.includes('ramp 2 of 5')", rig(EIGHT))).await;
    picture(&browser, "running").await;
    // No verdict word before the run is over.
    let early = browser.run(&format!("return {}.querySelectorAll('.word').length", rig(EIGHT))).await;
    assert_eq!(early, Value::from(0));
    // Scans now belong to the next round: nothing starts, stops or is lost.
    browser.scan("7740-001").await;
    browser.open(&daemon.base).await;
    browser.until("document.querySelectorAll('section').length === 2").await;
    browser
        .until(&format!("{}.innerText.includes('1 FAIL · 7 PASS (not checked: bounce)')", rig(EIGHT)))
        .await;
    picture(&browser, "verdict").await;
    noted(&browser).await;
    let text = browser.text().await;
    assert!(text.contains("Look before you disconnect") && text.contains("7740-001"), "{text}");
    let tile = format!("{}.querySelector('.tile.fail').innerText", rig(EIGHT));
    let failed = browser.run(&format!("return {tile}")).await;
    assert!(
        failed.as_str().is_some_and(|text| text.contains("7731-003") && text.contains("less deep")),
        "{failed}"
    );
    // The second round: the same steps again; the first scan is already there.
    for number in 2..=8 {
        browser.scan(&format!("7740-{number:03}")).await;
        browser.until(&format!("{}.innerText.includes('{number} 7740-{number:03}')", rig(EIGHT))).await;
    }
    browser.press(EIGHT, "START").await;
    browser.until(&format!("{}.innerText.includes('Ramps through')", rig(EIGHT))).await;
    browser.press(EIGHT, "STOP TEST").await;
    browser.until(&format!("{}.innerText.includes('ABORTED. No judgement')", rig(EIGHT))).await;
    picture(&browser, "aborted").await;
    let state = daemon.rig("goods-in-2");
    assert_eq!(state["run"]["safe"], true, "{state}");
    let runs = daemon.get("/api/v1/runs?rig=goods-in-2").json();
    assert_eq!(runs.as_array().map(Vec::len), Some(2));
    let first = &runs[1]["positions"][0];
    assert_eq!((&first["verdict"], &first["not_checked"]), (&"pass".into(), &serde_json::json!(["bounce"])));
}

/// A daemon on a port of its own choice, which it gets again after a restart.
fn on_port(workplace: &Workplace, port: u16) -> Daemon {
    let bench = format!(
        "listen = \"127.0.0.1:{port}\"\nruns = \"runs\"\n\n[[rig]]\nsheet = \"rig.toml\"\ntype = \"type.toml\"\nsettings = \"settings.toml\"\nscript = \"script.toml\"\n"
    );
    workplace.write("bench.toml", &bench);
    Daemon::with(workplace, "serve --bench bench.toml --log json")
}

#[tokio::test]
async fn two_windows_show_the_same_and_a_daemon_that_was_away_says_so() {
    if !is_there() {
        return;
    }
    let workplace = quick();
    let _module = Simulated::start(&workplace);
    let daemon = on_port(&workplace, 0);
    let port: u16 = daemon.base.rsplit(':').next().and_then(|port| port.parse().ok()).expect("a port");
    let browser = Browser::start(&workplace.folder, (1024, 600)).await;
    browser.open(&daemon.base).await;
    browser.until("document.body.innerText.includes('outputs safe')").await;
    let first = browser.client.window().await.expect("a window");
    let second = browser.client.new_window(false).await.expect("another one").handle;
    browser.client.switch_to_window(second.clone()).await.expect("there");
    browser.open(&daemon.base).await;
    browser.until("document.body.innerText.includes('outputs safe')").await;
    // A scan in one window appears in the other, and scans from both are kept.
    browser.scan("A-1").await;
    browser.until("document.querySelectorAll('.mounts li button').length === 1").await;
    browser.client.switch_to_window(first.clone()).await.expect("there");
    browser.until("document.body.innerText.includes('A-1')").await;
    browser.scan("A-2").await;
    browser.until("document.querySelectorAll('.mounts li button').length === 2").await;
    browser.press(0, "START").await;
    browser.client.switch_to_window(second).await.expect("there");
    browser.until("document.querySelector('.told').innerText.includes('Ramps through')").await;
    // START was pressed in the other window: this one offers it no more.
    assert_eq!(browser.run("return document.querySelectorAll('button.start').length").await, 0);
    // The daemon is killed during the run. Within a few seconds the page says that it has lost contact; later, what became of the run.
    daemon.signal(Signal::KILL);
    drop(daemon);
    browser.until("document.querySelector('.told').innerText.includes('No connection to the daemon')").await;
    let again = on_port(&workplace, port);
    browser.until("document.querySelector('.told').innerText.includes('ABORTED. No judgement')").await;
    let told = browser.run("return document.querySelector('.told').innerText").await;
    assert!(
        told.as_str().is_some_and(|told| told.contains("The program ended before the run did")),
        "{told}"
    );
    browser.client.switch_to_window(first).await.expect("there");
    browser.until("document.querySelector('.told').innerText.includes('ABORTED. No judgement')").await;
    assert_eq!(again.get("/api/v1/runs").json().as_array().map(Vec::len), Some(1));
    // The second window can stop what the first has started.
    browser.press(0, "SAME DEVICES AGAIN").await;
    browser.until("document.querySelectorAll('.mounts li button').length === 2").await;
    browser.press(0, "START").await;
    browser.until("document.querySelector('.told').innerText.includes('Ramps through')").await;
    browser.press(0, "STOP TEST").await;
    browser.until("document.querySelector('.told').innerText.includes('STOP TEST')").await;
    again.until("goods-in-1", |state| state["doing"] == "idle" && state["outputs_safe"] == true);
}

/// A browser opens at most six connections to a host, and each window uses one for its stream.
#[tokio::test]
async fn stop_test_gets_through_from_the_last_of_seven_windows() {
    if !is_there() {
        return;
    }
    let workplace = quick();
    let _module = Simulated::start(&workplace);
    let daemon = on_port(&workplace, 0);
    let browser = Browser::start(&workplace.folder, (1024, 600)).await;
    browser.open(&daemon.base).await;
    daemon.until("goods-in-1", |state| state["doing"] == "idle");
    daemon.start_round("goods-in-1", &[(1, "A-1"), (3, "A-3")]);
    // Separate windows, so that the browser does not treat any of them as hidden.
    for _ in 0..6 {
        let window = browser.client.new_window(false).await.expect("another one").handle;
        browser.client.switch_to_window(window).await.expect("there");
        browser
            .client
            .execute(&format!("location.href = '{}'", daemon.base), Vec::new())
            .await
            .expect("the page opens");
    }
    // The last one may have no connection left to load or to receive: it matters only that it can stop.
    let loaded = "document.querySelector('button.stop') !== null";
    browser.until(loaded).await;
    browser.press(0, "STOP TEST").await;
    let state = daemon.until("goods-in-1", |state| state["doing"] == "idle" && state["run"]["over"] == true);
    assert_eq!(state["run"]["halted"]["kind"], "operator", "{state}");
}
