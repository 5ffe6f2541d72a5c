//! A real browser: Debian's chromium, controlled over `WebDriver`.

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
    /// Address of the driver.
    driven: String,
    /// Id of the session.
    session: String,
    /// `WebDriver` client.
    pub client: Client,
}

/// Arguments of chromium: headless, without background network traffic.
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

/// Whether chromium and its driver are installed.
///
/// # Panics
/// In CI, if they are not installed.
pub fn is_there() -> bool {
    let there = Path::new("/usr/bin/chromedriver").exists() && Path::new("/usr/bin/chromium").exists();
    assert!(there || std::env::var_os("CI").is_none(), "chromium and chromium-driver are not installed");
    there
}

impl Browser {
    /// Starts a browser with a window of this size in pixels; its profile is in `folder`.
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

    /// Runs a script and returns its result.
    ///
    /// # Panics
    /// If the script fails.
    pub async fn run(&self, script: &str) -> Value {
        self.client.execute(script, Vec::new()).await.expect("the script runs")
    }

    /// Waits until a JavaScript expression is truthy.
    ///
    /// # Panics
    /// If 900 polls, 100 ms apart, do not find it truthy.
    pub async fn until(&self, script: &str) {
        for _ in 0..900 {
            if self.run(&format!("return Boolean({script})")).await == Value::Bool(true) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        panic!("not true after 900 polls: {script}; text of the page: {}", self.text().await);
    }

    /// Visible text of the page.
    ///
    /// # Panics
    /// If it cannot be read.
    pub async fn text(&self) -> String {
        self.run("return document.body.innerText").await.as_str().unwrap_or_default().to_owned()
    }

    /// Presses the button of a rig that contains these words; `rig` counts from 0.
    ///
    /// # Panics
    /// If there is no such button, or it cannot be pressed.
    pub async fn press(&self, rig: usize, words: &str) {
        let path = format!("(//section)[{}]//button[contains(., '{words}')]", rig + 1);
        // The page ignores a button that has just appeared. It may also replace the button between finding and pressing: then find it
        // again.
        tokio::time::sleep(Duration::from_millis(700)).await;
        for _ in 0..20 {
            let button = self.client.find(Locator::XPath(&path)).await.expect("a button");
            match button.click().await {
                Ok(()) => {
                    // Wait as a person does: the same press must not hit a button that appears now.
                    tokio::time::sleep(Duration::from_millis(700)).await;
                    return;
                }
                Err(error) if error.is_stale_element_reference() => {}
                Err(error) => panic!("`{words}` cannot be pressed: {error}"),
            }
        }
        panic!("`{words}` was replaced at each of 20 attempts");
    }

    /// Types into the focused element as a barcode scanner does: fast, with Enter at the end.
    ///
    /// # Panics
    /// If the keys cannot be sent.
    pub async fn scan(&self, text: &str) {
        let focused = self.client.active_element().await.expect("a focus");
        focused.send_keys(&format!("{text}\u{e007}")).await.expect("it types");
    }

    /// Sets the size of the viewport in pixels.
    ///
    /// # Panics
    /// If the page does not get this size.
    pub async fn resize(&self, (width, height): (u32, u32)) {
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            &json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false}),
        );
        self.until(&format!("innerWidth === {width} && innerHeight === {height}")).await;
    }

    /// Emulates a vision deficiency: `none`, `achromatopsia`, `deuteranopia`, `protanopia`.
    ///
    /// # Panics
    /// If the driver refuses the command.
    pub fn see_as(&self, vision: &str) {
        self.devtools("Emulation.setEmulatedVisionDeficiency", &json!({"type": vision}));
    }

    /// Emulates print media.
    ///
    /// # Panics
    /// If the driver refuses the command.
    pub fn as_printed(&self) {
        self.devtools("Emulation.setEmulatedMedia", &json!({"media": "print"}));
    }

    /// Sends a command of the protocol of chromium's developer tools through the driver.
    fn devtools(&self, command: &str, parameters: &Value) {
        let address = format!("{}/session/{}/goog/cdp/execute", self.driven, self.session);
        let body = json!({"cmd": command, "params": parameters}).to_string();
        let answer = ureq::post(address).header("content-type", "application/json").send(body);
        answer.unwrap_or_else(|error| panic!("{command}: {error}"));
    }

    /// Violations of WCAG 2.2, levels A and AA, that axe-core finds, each with its elements; `script` is the source of axe-core.
    ///
    /// # Panics
    /// If axe-core does not run, or passes no more than ten rules.
    pub async fn accessibility(&self, script: &str) -> Vec<String> {
        self.run(&format!("if (!window.axe) {{ {script} }} return true")).await;
        let ask = "const done = arguments[0]; axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] }).then((found) => done({ passes: found.passes.length, violations: found.violations.map((one) => `${one.id}: ${one.help}: ${one.nodes.map((node) => node.target.join(' ')).join(', ')}`) }), (error) => done(String(error)));";
        let found = self.client.execute_async(ask, Vec::new()).await.expect("axe runs");
        assert!(found["passes"].as_u64().is_some_and(|passes| passes > 10), "{found}");
        let violations = found["violations"].as_array().expect("violations");
        violations.iter().map(|one| one.as_str().unwrap_or_default().to_owned()).collect()
    }

    /// Saves a screenshot of the window as PNG.
    ///
    /// # Panics
    /// If the browser takes no picture, or the file cannot be written.
    pub async fn picture(&self, path: &Path) {
        let png = self.client.screenshot().await.expect("a picture");
        std::fs::write(path, png).expect("it can be written");
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        drop(self.driver.kill());
        drop(self.driver.wait());
        // The driver leaves its browser running. Its processes are found by the profile, which is unique to this browser.
        for id in with_words(&self.profile.display().to_string()) {
            let _may_have_ended = kill_process(id, Signal::KILL);
        }
        drop(std::fs::remove_dir_all(&self.profile));
    }
}

/// Processes with a command line that contains these words.
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
