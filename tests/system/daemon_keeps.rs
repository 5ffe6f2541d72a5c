//! The daemon while its surroundings change: sheets that change, a disk that is full, silent connections, an acknowledged
//! verdict.

use rstest::rstest;
use rustix::process::Signal;
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::net::UnixDatagram;
use std::path::PathBuf;
use std::time::Duration;
use tripbench_tests::command::{Simulated, Workplace, quick};
use tripbench_tests::daemon::Daemon;
use tripbench_tests::hosted::{faulty, wait};

const RIG: &str = "goods-in-1";

fn idle(state: &Value) -> bool {
    state["doing"] == "idle"
}

fn over(state: &Value) -> bool {
    idle(state) && state["run"]["over"] == true
}

/// Stops the run of a rig: aborted is a verdict too, and comes sooner.
fn stop(daemon: &Daemon, rig: &str) {
    assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{rig}/stop"), &json!({})).status, 202);
}

/// Folder of the run in progress at a rig.
fn folder(workplace: &Workplace, rig: &str) -> PathBuf {
    let folders = std::fs::read_dir(workplace.folder.join("runs")).expect("runs").flatten();
    let mine = |path: &PathBuf| path.to_string_lossy().contains(&format!("-{rig}-"));
    folders.map(|entry| entry.path()).find(mine).expect("a run of the rig")
}

/// What keeps a bench from being served is reported with its place, and nothing is touched.
#[rstest]
#[case("[[rig]]\nsheet = \"nope.toml\"\n", "bench.toml:2:9", "`nope.toml` cannot be read")]
#[case(
    "site = \"nope.toml\"\n[[rig]]\nsheet = \"rig.toml\"\n",
    "bench.toml:1:8",
    "`nope.toml` cannot be read"
)]
#[case(
    "[[rig]]\nsheet = \"rig.toml\"\n[[rig]]\nsheet = \"rig.toml\"\n",
    "bench.toml:4:9",
    "a rig above is called `goods-in-1` too"
)]
fn a_bench_sheet_that_can_not_be_served_is_told_with_its_place(
    #[case] text: &str,
    #[case] place: &str,
    #[case] why: &str,
) {
    let workplace = quick();
    workplace.write("bench.toml", text);
    let said = workplace.run("serve --bench bench.toml");
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains(place) && said.err.contains(why), "{}", said.err);
}

#[test]
fn live_sheets_that_change_are_shown_and_a_start_that_saw_others_is_refused() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    let seen = daemon.until(RIG, idle)["sheets"].clone();
    let name = |state: &Value| state["sheets"]["settings"].as_str().unwrap_or_default().to_owned();
    let revision = daemon.mount(RIG, &[(1, "A-1")]);
    workplace.change("settings.toml", "revision = \"3\"", "revision = \"4\"");
    let body = json!({"revision": revision, "sheets_seen": seen["digest"]});
    let refused = daemon.begin(RIG, &body);
    assert_eq!((refused.status, &refused.json()["type"]), (409, &json!("/problems/sheets-changed")));
    // The refusal shows the new sheets at once.
    let now = daemon.rig(RIG);
    assert!(name(&now).ends_with("rev 4") && now["queue"] == json!([]), "{now}");
    // A sheet that cannot be read is reported without a request, until it is corrected.
    workplace.change("settings.toml", "revision = \"4\"", "revision = 4");
    let bad = daemon.until(RIG, |state| state["findings"] != json!([]));
    assert!(bad["findings"][0].as_str().is_some_and(|text| text.contains("settings.toml")), "{bad}");
    workplace.change("settings.toml", "revision = 4\n", "revision = \"5\"\n");
    let good = daemon.until(RIG, |state| state["findings"] == json!([]));
    assert!(name(&good).ends_with("rev 5"), "{good}");
    let body = json!({"revision": revision, "sheets_seen": good["sheets"]["digest"]});
    assert_eq!(daemon.begin(RIG, &body).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "running");
    stop(&daemon, RIG);
    let state = daemon.until(RIG, over);
    assert_eq!(state["run"]["unit"], "kPa");
    // Only a change of the rig sheet needs a restart.
    workplace.change("rig.toml", "slowest_answer", "# another\nslowest_answer");
    let state = daemon.until(RIG, |state| state["findings"] != json!([]));
    assert!(state["findings"][0].as_str().is_some_and(|text| text.contains("restart the daemon")));
}

#[test]
fn live_a_verdict_that_was_taken_note_of_is_seen_for_every_window() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "running");
    // Scanned meanwhile: it belongs to the next round, and the verdict is not acknowledged yet.
    daemon.mount(RIG, &[(1, "B-1")]);
    stop(&daemon, RIG);
    let state = daemon.until(RIG, over);
    assert_eq!(state["seen"], Value::Null);
    let run = &state["run"]["run"];
    let places = json!([{"position": 1, "serial": "B-1"}]);
    let body = json!({"revision": state["round"]["revision"], "places": places, "seen": run});
    assert_eq!(daemon.send("PUT", &format!("/api/v1/rigs/{RIG}/round"), &body).status, 200);
    daemon.mount(RIG, &[(1, "B-1"), (2, "B-2")]);
    assert_eq!(&daemon.rig(RIG)["seen"], run);
}

/// Instead of a full disk: a file of the record cannot be created.
#[test]
fn live_a_record_that_could_not_be_made_is_made_once_it_can() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "done");
    let stone = folder(&workplace, RIG).join("record.json.part");
    std::fs::create_dir(&stone).expect("a folder");
    stop(&daemon, RIG);
    let failed = daemon.until(RIG, |state| state["failed"] != Value::Null);
    assert_eq!(failed["failed"]["kind"], "no-record", "{failed}");
    assert_eq!(failed["run"], Value::Null);
    std::fs::remove_dir(&stone).expect("it is there");
    let state = daemon.until(RIG, over);
    assert_eq!(state["failed"], Value::Null);
    assert!(state["run"]["tiles"][0]["verdict"].is_string(), "{state}");
}

/// The daemon is killed before the record could be made, and finds the disk as full at its next start.
#[test]
fn live_a_run_whose_record_could_not_be_made_is_owed_after_a_restart_too() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let mut daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    // A verdict before it, which must not be shown as the last one.
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "running");
    stop(&daemon, RIG);
    let first = daemon.until(RIG, over)["run"]["run"].clone();
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    let run = daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "done")["run"]["run"].clone();
    let folders = std::fs::read_dir(workplace.folder.join("runs")).expect("runs").flatten();
    let left_open = folders
        .map(|entry| entry.path())
        .find(|path| path.join("run.journal").exists() && !path.join("record.json").exists());
    let stone = left_open.expect("the run in progress").join("record.json.part");
    std::fs::create_dir(&stone).expect("a folder");
    daemon.signal(Signal::KILL);
    daemon.wait();
    let daemon = Daemon::start(&workplace);
    let state = daemon.until(RIG, |state| idle(state) && state["failed"] != Value::Null);
    assert_eq!(state["failed"]["kind"], "no-record", "{state}");
    assert_eq!((&state["run"], &state["owed"]), (&Value::Null, &json!([run])), "{state}");
    std::fs::remove_dir(&stone).expect("it is there");
    let state = daemon.until(RIG, over);
    assert_eq!((&state["run"]["run"], &state["failed"], &state["owed"]), (&run, &Value::Null, &json!([])));
    let runs = daemon.get("/api/v1/runs").json();
    assert_eq!(json!([runs[0]["run"], runs[1]["run"]]), json!([run, first]), "{runs}");
}

/// A daemon with short timeouts and few connections.
fn hurried(workplace: &Workplace) -> Daemon {
    workplace.write("hurried", "");
    Daemon::of(workplace, faulty(workplace, env!("CARGO_BIN_EXE_faulty-daemon")))
}

#[test]
fn live_who_does_not_come_to_the_end_of_asking_is_sent_away() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = hurried(&workplace);
    daemon.until(RIG, idle);
    let revision = daemon.mount(RIG, &[(1, "A-1")]);
    let host = daemon.base.trim_start_matches("http://").to_owned();
    let half = |text: &str| {
        let mut stream = TcpStream::connect(&host).expect("it listens");
        stream.set_read_timeout(Some(Duration::from_secs(30))).expect("a time");
        stream.write_all(text.as_bytes()).expect("it listens");
        stream
    };
    let silent = half("GET /api/v1/rigs HTTP/1.1\r\nHost: 127.0.0.1\r\n");
    let head = format!(
        "POST /api/v1/rigs/{RIG}/runs HTTP/1.1\r\nHost: 127.0.0.1\r\ncontent-type: application/json\r\ncontent-length: 20\r\n\r\n{{\"revision\":"
    );
    let slow = half(&head);
    let answers = [silent, slow].map(|mut stream| {
        let mut answer = String::new();
        stream.read_to_string(&mut answer).map(|_| answer).expect("it is closed")
    });
    assert_eq!(answers[0], "");
    assert!(answers[1].starts_with("HTTP/1.1 408 "), "{}", answers[1]);
    assert!(answers[1].contains("within 1 seconds"), "{}", answers[1]);
    // The request that came too late did nothing.
    assert_eq!(daemon.rig(RIG)["round"]["revision"], revision);
    // A hundred silent connections keep others out no longer than the time that a connection may stay silent.
    let many: Vec<TcpStream> = (0..100).filter_map(|_| TcpStream::connect(&host).ok()).collect();
    // A stop gets through at once.
    wait(Duration::from_millis(400));
    assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({})).status, 202);
    wait(Duration::from_secs(1));
    assert_eq!(daemon.get("/api/v1/rigs").status, 200);
    drop(many);
}

#[test]
fn live_a_hundred_watch_and_a_stop_gets_through_all_the_same() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    let mut streams: Vec<_> = (0..100).map(|_| daemon.stream_unread("/api/v1/watch")).collect();
    // The last of them takes its seat once it was answered.
    wait(Duration::from_millis(500));
    let refused = daemon.get("/api/v1/watch");
    assert_eq!((refused.status, &refused.json()["type"]), (503, &json!("/problems/too-many-watch")));
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "running");
    assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({})).status, 202);
    let state = daemon.until(RIG, over);
    assert_eq!(state["run"]["halted"]["kind"], "operator", "{state}");
    // A closed stream frees its seat.
    streams.truncate(50);
    wait(Duration::from_millis(1_500));
    drop(daemon.stream_unread("/api/v1/watch"));
    let health = daemon.get("/api/v1/health");
    assert_eq!(health.status, 200, "{}", health.text);
}

/// The protocol of `sd_notify(3)`: datagrams to the socket that the service manager names.
#[test]
fn live_the_service_manager_hears_that_it_is_ready_well_and_stopping() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    workplace
        .write("bench.toml", "listen = \"127.0.0.1:0\"\nruns = \"runs\"\n\n[[rig]]\nsheet = \"rig.toml\"\n");
    let path = workplace.folder.join("notify");
    let socket = UnixDatagram::bind(&path).expect("a socket");
    socket.set_read_timeout(Some(Duration::from_secs(20))).expect("a time");
    let mut command = workplace.command("serve --bench bench.toml --log json");
    command.env("NOTIFY_SOCKET", &path);
    let mut daemon = Daemon::of(&workplace, command);
    let until = |word: &str| {
        let mut buffer = [0; 256];
        for _ in 0..1_000 {
            let length = socket.recv(&mut buffer).expect("a word within 20 s");
            if String::from_utf8_lossy(&buffer[..length]).trim() == word {
                return;
            }
        }
        panic!("never {word}");
    };
    until("READY=1");
    until("WATCHDOG=1");
    daemon.signal(Signal::TERM);
    until("STOPPING=1");
    assert_eq!(daemon.wait().code(), Some(0));
}

/// The vent does not open at the end: the outputs are safe, but the vacuum remains.
#[test]
fn live_vacuum_that_stays_is_not_said_to_be_vented() {
    let workplace = quick();
    let stuck = "\n[[fault]]\nrising_through = \"50 kPa\"\n";
    workplace.write("truth.toml", &(workplace.read("truth.toml") + stuck));
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    assert_eq!(daemon.until(RIG, |state| state["vented"] != Value::Null)["vented"], true);
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    daemon.until(RIG, |state| state["run"]["cycle"] != Value::Null || state["run"]["halted"] != Value::Null);
    assert_eq!(daemon.rig(RIG)["vented"], Value::Null, "not known in a run");
    daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({}));
    let state = daemon.until(RIG, |state| over(state) && state["vented"] != Value::Null);
    assert_eq!((&state["vented"], &state["outputs_safe"]), (&json!(false), &json!(true)), "{state}");
    assert!(state["level"].as_f64().is_some_and(|level| level > 30.0), "{state}");
}
