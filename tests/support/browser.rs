//! A real browser: Debian's chromium, driven over `WebDriver`.

use fantoccini::wd::Capabilities;
use fantoccini::{Client, ClientBuilder, Locator};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// A browser with one window; ended when dropped.
#[derive(Debug)]
pub struct Browser {
    driver: Child,
    profile: PathBuf,
    /// Address of the driver, and its session.
    driven: String,
    session: String,
    /// To drive it.
    pub client: Client,
}

/// What chromium is started with: nothing from outside, nothing kept.
const ARGUMENTS: [&str; 8] = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--force-device-scale-factor=1",
];

/// Whether chromium and its driver are there. In CI they have to be.
///
/// # Panics
/// In CI, if they are not.
pub fn is_there() -> bool {
    let there = Path::new("/usr/bin/chromedriver").exists() && Path::new("/usr/bin/chromium").exists();
    assert!(there || std::env::var_os("CI").is_none(), "chromium and chromium-driver are not there");
    there
}

impl Browser {
    /// Starts one with a window of so many pixels.
    ///
    /// # Panics
    /// If it does not start.
    pub async fn start(folder: &Path, (width, height): (u32, u32)) -> Self {
        let port = free_port();
        let driver = Command::new("/usr/bin/chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver starts");
        let profile = folder.join(format!("profile-{port}"));
        let mut arguments: Vec<String> = ARGUMENTS.iter().map(|&word| word.to_owned()).collect();
        arguments.push(format!("--user-data-dir={}", profile.display()));
        arguments.push(format!("--window-size={width},{height}"));
        let mut capabilities = Capabilities::new();
        capabilities.insert("browserName".into(), json!("chrome"));
        capabilities
            .insert("goog:chromeOptions".into(), json!({"args": arguments, "binary": "/usr/bin/chromium"}));
        let connector = hyper_util::client::legacy::connect::HttpConnector::new();
        let mut builder = ClientBuilder::new(connector);
        builder.capabilities(capabilities);
        let address = format!("http://127.0.0.1:{port}");
        let mut client = builder.connect(&address).await;
        for _ in 0..100 {
            if client.is_ok() {
                break;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
            client = builder.connect(&address).await;
        }
        let client = client.expect("a session");
        let session = client.session_id().await.expect("its name").expect("a name");
        Self { driver, profile, driven: address, session, client }
    }

    /// Opens a page.
    ///
    /// # Panics
    /// If it cannot be opened.
    pub async fn open(&self, address: &str) {
        self.client.goto(address).await.expect("the page opens");
    }

    /// What a script gives.
    ///
    /// # Panics
    /// If it fails.
    pub async fn run(&self, script: &str) -> Value {
        self.client.execute(script, Vec::new()).await.expect("the script runs")
    }

    /// Waits until a script gives true.
    ///
    /// # Panics
    /// If it does not within a minute and a half.
    pub async fn until(&self, script: &str) {
        for _ in 0..900 {
            if self.run(&format!("return Boolean({script})")).await == Value::Bool(true) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        panic!("never so: {script}; the page says: {}", self.text().await);
    }

    /// What the page says.
    ///
    /// # Panics
    /// If it says nothing.
    pub async fn text(&self) -> String {
        self.run("return document.body.innerText").await.as_str().unwrap_or_default().to_owned()
    }

    /// Presses a button of a rig by its words.
    ///
    /// # Panics
    /// If there is none.
    pub async fn press(&self, rig: usize, words: &str) {
        let path = format!("(//section)[{}]//button[contains(., '{words}')]", rig + 1);
        // A button counts once it was there for a moment. And the page may change between finding and pressing: then there is
        // another one to find.
        tokio::time::sleep(Duration::from_millis(700)).await;
        for _ in 0..20 {
            let button = self.client.find(Locator::XPath(&path)).await.expect("a button");
            match button.click().await {
                Ok(()) => {
                    // As a finger does: what appears now is not pressed by the same press.
                    tokio::time::sleep(Duration::from_millis(700)).await;
                    return;
                }
                Err(error) if error.is_stale_element_reference() => {}
                Err(error) => panic!("{words} is not pressed: {error}"),
            }
        }
        panic!("{words} never stays");
    }

    /// Types as a scanner does, whatever has the focus: fast, with Enter at the end.
    ///
    /// # Panics
    /// If nothing takes it.
    pub async fn scan(&self, text: &str) {
        let focused = self.client.active_element().await.expect("a focus");
        focused.send_keys(&format!("{text}\u{e007}")).await.expect("it types");
    }

    /// Makes the window so large.
    ///
    /// # Panics
    /// If it cannot be.
    pub async fn resize(&self, (width, height): (u32, u32)) {
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            &json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false}),
        );
        self.until(&format!("innerWidth === {width} && innerHeight === {height}")).await;
    }

    /// Shows the page as somebody with this vision sees it: `none`, `achromatopsia`, `deuteranopia`, `protanopia`.
    ///
    /// # Panics
    /// If it does not.
    pub fn see_as(&self, vision: &str) {
        self.devtools("Emulation.setEmulatedVisionDeficiency", &json!({"type": vision}));
    }

    /// Shows the page as it is printed.
    ///
    /// # Panics
    /// If it does not.
    pub fn as_printed(&self) {
        self.devtools("Emulation.setEmulatedMedia", &json!({"media": "print"}));
    }

    /// A command of chromium's own protocol, through its driver.
    fn devtools(&self, command: &str, parameters: &Value) {
        let address = format!("{}/session/{}/goog/cdp/execute", self.driven, self.session);
        let body = json!({"cmd": command, "params": parameters}).to_string();
        let answer = ureq::post(address).header("content-type", "application/json").send(body);
        answer.unwrap_or_else(|error| panic!("{command}: {error}"));
    }

    /// What axe-core finds against WCAG 2.2, levels A and AA, each with the elements it is found at; `script` is axe-core.
    ///
    /// # Panics
    /// If it does not run.
    pub async fn accessibility(&self, script: &str) -> Vec<String> {
        self.run(&format!("if (!window.axe) {{ {script} }} return true")).await;
        let ask = "const done = arguments[0]; axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] }).then((found) => done({ passes: found.passes.length, violations: found.violations.map((one) => `${one.id}: ${one.help}: ${one.nodes.map((node) => node.target.join(' ')).join(', ')}`) }), (error) => done(String(error)));";
        let found = self.client.execute_async(ask, Vec::new()).await.expect("axe runs");
        assert!(found["passes"].as_u64().is_some_and(|passes| passes > 10), "{found}");
        let violations = found["violations"].as_array().expect("violations");
        violations.iter().map(|one| one.as_str().unwrap_or_default().to_owned()).collect()
    }

    /// A picture of the window.
    ///
    /// # Panics
    /// If there is none.
    pub async fn picture(&self, path: &Path) {
        let png = self.client.screenshot().await.expect("a picture");
        std::fs::write(path, png).expect("it can be written");
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        drop(self.driver.kill());
        drop(self.driver.wait());
        // The driver leaves its browser behind: known by the profile, which is of this one alone.
        for id in with_words(&self.profile.display().to_string()) {
            let _may_have_ended = kill_process(id, Signal::KILL);
        }
        drop(std::fs::remove_dir_all(&self.profile));
    }
}

/// Processes whose command line has these words.
fn with_words(words: &str) -> Vec<Pid> {
    let entries = std::fs::read_dir("/proc").into_iter().flatten().flatten();
    let ours = entries.filter(|entry| {
        std::fs::read(entry.path().join("cmdline"))
            .is_ok_and(|line| String::from_utf8_lossy(&line).contains(words))
    });
    ours.filter_map(|entry| Pid::from_raw(entry.file_name().to_str()?.parse().ok()?)).collect()
}

fn free_port() -> u16 {
    let socket = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    socket.local_addr().expect("an address").port()
}
