//! In a real browser: a device that was left undecided is tested again, linked and counted.

use serde_json::{Value, json};
use tripbench_tests::browser::{Browser, is_there};
use tripbench_tests::command::{Simulated, undecided};
use tripbench_tests::daemon::Daemon;

const RIG: &str = "goods-in-1";

fn over(state: &Value) -> bool {
    state["doing"] == "idle" && state["run"]["over"] == true
}

fn verdicts(state: &Value) -> Vec<(u64, String)> {
    let tiles = state["run"]["tiles"].as_array().expect("tiles");
    let one = |tile: &Value| {
        (tile["position"].as_u64().unwrap_or(0), tile["verdict"].as_str().unwrap_or("").to_owned())
    };
    tiles.iter().map(one).collect()
}

#[tokio::test]
async fn what_was_left_undecided_is_tested_again_once_and_what_came_of_the_others_stays() {
    if !is_there() {
        return;
    }
    let workplace = undecided();
    let good = "[[device]]\nposition = 3\nswitch_point = \"60.0 kPa\"\nreset_point = \"55.0 kPa\"\nair_saving = { cut_off = \"70.0 kPa\", resume = \"64.0 kPa\" }\n";
    workplace.write("truth.toml", &(workplace.read("truth.toml") + good));
    let _module = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    let browser = Browser::start(&workplace.folder, (1024, 600)).await;
    browser.open(&daemon.base).await;
    daemon.until(RIG, |state| state["doing"] == "idle");
    daemon.start_round(RIG, &[(1, "A-1"), (3, "A-3")]);
    let first = daemon.until(RIG, over);
    assert_eq!(verdicts(&first)[0], (1, String::from("undecided")), "{first}");
    // It scatters so much that its delay is undecided too: more ramps may decide it, but the advice does not promise that.
    assert_eq!(first["run"]["tiles"][0]["advice"]["all"], false, "{first}");
    // The time offered is the planned time of the repeat.
    let offered = first["run"]["tiles"][0]["advice"]["seconds"].as_f64().expect("a time");
    let press = "const all = [...document.querySelectorAll('.actions button')]\
        .filter((one) => one.textContent.startsWith('TEST 1 AGAIN, MAY DECIDE')); all[0]?.click(); return all.length;";
    browser.until("document.body.innerText.includes('TEST 1 AGAIN, MAY DECIDE')").await;
    tokio::time::sleep(std::time::Duration::from_millis(700)).await;
    assert_eq!(browser.run(press).await, 1);
    browser.until("document.querySelector('canvas') !== null").await;
    let planned = daemon.rig(RIG)["run"]["steps"]
        .as_array()
        .expect("steps")
        .iter()
        .filter_map(|step| step["predicted_s"].as_f64())
        .sum::<f64>();
    assert!((planned / offered - 1.0).abs() < 0.01, "{planned} s, {offered} s offered");
    let tiles = browser.run("return document.querySelectorAll('.tile').length").await;
    assert_eq!(tiles, 1, "during the run only the repeated device is shown");
    // Takes some minutes: a stopped repeat is aborted, and stays so.
    browser.press(0, "STOP TEST").await;
    let second = daemon.until(RIG, |state| over(state) && state["run"]["run"] != first["run"]["run"]);
    // The other device's result is that of the first run; a window opened later shows the same.
    assert_eq!(verdicts(&second)[0], (1, String::from("aborted")));
    assert_eq!(verdicts(&second)[1], verdicts(&first)[1]);
    let of = |index: usize| second["run"]["tiles"][index]["of_run"].clone();
    assert_eq!([of(0), of(1)], [Value::Null, first["run"]["run"].clone()]);
    browser.open(&daemon.base).await;
    browser.until("document.body.innerText.includes('REPORT 3')").await;
    browser.until("document.body.innerText.includes('A-1 · test 2 of this device')").await;
    browser.until("document.body.innerText.includes('SIMULATED: no device is tested')").await;
    let record =
        daemon.get(&format!("/api/v1/runs/{}", second["run"]["run"].as_str().expect("a run"))).json();
    assert_eq!(record["header"]["again"]["run"], first["run"]["run"]);
    assert_eq!(record["header"]["again"]["attempt"], 2);
    assert_eq!(record["positions"].as_array().map(Vec::len), Some(1));
    // A decided device is not tested again until it passes.
    let again = |position: u8| {
        let body = json!({"again": {"run": first["run"]["run"], "position": position, "revision": daemon.rig(RIG)["round"]["revision"]}});
        daemon.begin(RIG, &body)
    };
    for position in [3, 4] {
        let refused = again(position);
        assert_eq!((refused.status, &refused.json()["type"]), (409, &json!("/problems/nothing-to-decide")));
    }
    let third = once_more(&daemon, (&first, &second));
    // A restarted daemon shows the same, and that the verdict was acknowledged.
    drop(daemon);
    let daemon = Daemon::start(&workplace);
    let state = daemon.until(RIG, over);
    assert_eq!((verdicts(&state), &state["seen"]), (verdicts(&third), &third["run"]["run"]));
    assert_eq!(state["run"]["tiles"][1]["of_run"], first["run"]["run"]);
}

/// The aborted repeat judged nothing: another repeat starts from the same run and is counted. It is refused where the device may be
/// another one.
fn once_more(daemon: &Daemon, (first, second): (&Value, &Value)) -> Value {
    let again = |position: u8| {
        let body = json!({"again": {"run": first["run"]["run"], "position": position, "revision": daemon.rig(RIG)["round"]["revision"]}});
        daemon.begin(RIG, &body)
    };
    // A start that saw another round is refused, and so is an unattended one.
    let stale = json!({"again": {"run": first["run"]["run"], "position": 1, "revision": 99}});
    let by_itself = json!({"again": {"run": first["run"]["run"], "position": 1, "revision": daemon.rig(RIG)["round"]["revision"]}, "unattended": true});
    assert_eq!(daemon.begin(RIG, &stale).json()["type"], "/problems/round-changed");
    assert_eq!(daemon.begin(RIG, &by_itself).status, 400);
    assert_eq!(again(1).status, 201);
    // The step of the run before was stopped while it ran, and stays so.
    let begun = |state: &Value| {
        state["run"]["run"] != second["run"]["run"] && state["run"]["steps"][0]["now"] == "running"
    };
    daemon.until(RIG, begun);
    assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({})).status, 202);
    let third = daemon.until(RIG, |state| over(state) && state["run"]["run"] != second["run"]["run"]);
    let record = daemon.get(&format!("/api/v1/runs/{}", third["run"]["run"].as_str().expect("a run"))).json();
    assert_eq!(
        (&record["header"]["again"]["run"], &record["header"]["again"]["attempt"]),
        (&first["run"]["run"], &json!(3))
    );
    // Nothing is plugged in at position 2. Once another round has begun, the repeat is gone.
    let refused = again(2);
    assert!(refused.status == 409 && refused.text.contains("may have been unplugged"), "{}", refused.text);
    let body = json!({"revision": third["round"]["revision"], "places": [], "seen": third["run"]["run"]});
    assert_eq!(daemon.send("PUT", &format!("/api/v1/rigs/{RIG}/round"), &body).status, 200);
    let refused = again(1);
    assert!(refused.status == 409 && refused.text.contains("another round was started"), "{}", refused.text);
    third
}
