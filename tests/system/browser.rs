//! The page in a real browser, with the daemon behind it and simulated rigs.

use serde_json::Value;
use std::path::PathBuf;
use tripbench_tests::browser::{Browser, is_there};
use tripbench_tests::command::Workplace;
use tripbench_tests::daemon::Daemon;

/// Place of the eight-position rig on the page of the demo.
const EIGHT: usize = 1;

fn demo(workplace: &Workplace) -> Daemon {
    Daemon::with(workplace, "serve --demo --listen 127.0.0.1:0 --runs runs --log json")
}

/// Pictures are kept where somebody asks for them.
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

/// Scans until so many positions are taken.
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

#[tokio::test]
async fn a_round_of_eight_is_eight_scans_and_one_press_and_so_is_the_next() {
    if !is_there() {
        return;
    }
    let workplace = Workplace::new();
    let daemon = demo(&workplace);
    let browser = Browser::start(&workplace.folder, (1024, 600)).await;
    browser.open(&daemon.base).await;
    browser.resize((1024, 600)).await;
    browser.until("document.querySelectorAll('section').length === 2").await;
    // A touch on the rig chooses it; from then on a scan goes there, wherever the focus is.
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
    // What is scanned now is for the next round: nothing starts, stops or is lost.
    browser.scan("7740-001").await;
    browser.open(&daemon.base).await;
    browser.until(&format!("{}.innerText.includes('1 FAIL · 7 PASS')", rig(EIGHT))).await;
    picture(&browser, "verdict").await;
    let text = browser.text().await;
    assert!(text.contains("safe to unplug") && text.contains("7740-001"), "{text}");
    let tile = format!("{}.querySelector('.tile.fail').innerText", rig(EIGHT));
    let failed = browser.run(&format!("return {tile}")).await;
    assert!(
        failed.as_str().is_some_and(|text| text.contains("7731-003") && text.contains("less deep")),
        "{failed}"
    );
    // The second round: the same again, the first scan is there already.
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
    assert_eq!(daemon.get("/api/v1/runs?rig=goods-in-2").json().as_array().map(Vec::len), Some(2));
}
