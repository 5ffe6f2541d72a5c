//! What a daemon does to keep the outputs safe between runs and before anything else, and which starts it refuses. The module is
//! simulated in this process, so that its coils can be read whatever the daemon does.

use rstest::rstest;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::Stdio;
use std::time::Duration;
use tripbench_rig::{Air, Order};
use tripbench_tests::command::{Workplace, quick};
use tripbench_tests::daemon::Daemon;
use tripbench_tests::hosted::{Hosted, faulty, hangs, wait};

const RIG: &str = "goods-in-1";
/// Longest time to shut an unsafe output: a rig at rest is read twice a second.
const SHUT_WITHIN: Duration = Duration::from_millis(900);
/// Longest time to find a module that was away: at the read after the one that failed.
const FOUND_WITHIN: Duration = Duration::from_millis(1_600);
/// Outputs that may be found open: the air that is ordered, with the devices powered.
const OPEN: [Order; 3] =
    [Order::Powered(Air::Evacuate), Order::Powered(Air::EvacuateFine), Order::Powered(Air::Bleed)];

fn idle(state: &Value) -> bool {
    state["doing"] == "idle"
}

fn serve(workplace: &Workplace) -> Daemon {
    Daemon::of(workplace, faulty(workplace, env!("CARGO_BIN_EXE_faulty-daemon")))
}

/// Waits until the rig has been read and found good once more.
fn found_well(daemon: &Daemon) {
    let looks = || {
        let metrics = daemon.get("/metrics").text;
        let line = metrics.lines().find(|line| line.starts_with("tripbench_looks_total{"));
        line.and_then(|line| line.split_whitespace().nth(1)?.parse::<u64>().ok()).expect("a count")
    };
    let before = looks();
    for _ in 0..500 {
        if looks() > before {
            return;
        }
        wait(Duration::from_millis(10));
    }
    panic!("the rig is not read");
}

/// Opens outputs one after the other and restarts the module; checks that all outputs are shut at once.
fn shuts_what_opens((workplace, daemon): (&Workplace, &Daemon), mut module: Hosted, phase: &str) -> Hosted {
    for order in OPEN {
        found_well(daemon);
        module.set_by_another_master(order);
        assert!(!module.is_safe());
        assert!(module.until_safe(SHUT_WITHIN).is_ok(), "{order:?} stays, {phase}");
    }
    for off in [20, 300] {
        found_well(daemon);
        module = module.restart(workplace, Duration::from_millis(off), OPEN[0]);
        assert!(module.until_safe(FOUND_WITHIN).is_ok(), "open after a restart of {off} ms, {phase}");
    }
    module
}

/// Folder of the run in progress.
fn folder(workplace: &Workplace) -> PathBuf {
    let folders = std::fs::read_dir(workplace.folder.join("runs")).expect("runs").flatten();
    folders.map(|entry| entry.path()).find(|path| path.is_dir()).expect("a run")
}

/// In every phase between two runs, whatever the disk does. STOP TEST works there too.
#[test]
fn live_an_output_that_opens_between_runs_is_shut_at_once() {
    let workplace = quick();
    let module = Hosted::start(&workplace, "rig.toml");
    let daemon = serve(&workplace);
    daemon.until(RIG, idle);
    let module = shuts_what_opens((&workplace, &daemon), module, "at rest");
    for order in [OPEN[0], OPEN[1], OPEN[2], OPEN[0]] {
        found_well(&daemon);
        module.set_by_another_master(order);
        assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({})).status, 202);
        assert!(module.until_safe(Duration::from_millis(250)).is_ok(), "{order:?} after a stop");
    }
    // The folder of the run cannot be created yet. A rig not found good meanwhile starts nothing.
    daemon.until(RIG, idle);
    workplace.write("folder-hangs", "");
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    daemon.until(RIG, |state| state["doing"] == "running");
    let module = shuts_what_opens((&workplace, &daemon), module, "before a run");
    std::fs::remove_file(workplace.folder.join("folder-hangs")).expect("it is there");
    let state = daemon.until(RIG, |state| idle(state) && state["failed"] != Value::Null);
    assert_eq!(state["failed"]["kind"], "no-run", "{state}");
    let left = std::fs::read_dir(workplace.folder.join("runs")).expect("runs").flatten();
    assert_eq!(left.filter(|entry| entry.path().is_dir()).count(), 0);
    // The record cannot be made: who opens the journal by its path waits.
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "done");
    hangs(&folder(&workplace).join("run.journal"));
    daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({}));
    daemon.until(RIG, |state| state["run"]["safe"] == true);
    module.until_safe(FOUND_WITHIN).expect("the run has left it safe");
    let module = shuts_what_opens((&workplace, &daemon), module, "while a record is made");
    assert_eq!(daemon.rig(RIG)["run"]["over"], false, "the record is not made yet");
    drop(module);
    // The daemon reports that the outputs are unknown, although the record is still being made.
    let state = daemon.until(RIG, |state| state["problem"] != Value::Null);
    assert_eq!(state["doing"], "running", "{state}");
}

/// A plug seen out by the daemon's reads before the run, or by the first scans of the run.
#[rstest]
fn live_a_plug_that_was_out_between_press_and_first_scan_ends_the_start(#[values(false, true)] back: bool) {
    let workplace = quick();
    let module = Hosted::start(&workplace, "rig.toml");
    let daemon = serve(&workplace);
    let plugged = |state: &Value| idle(state) && state["round"]["places"][2]["present"] == true;
    daemon.until(RIG, plugged);
    if back {
        workplace.write("folder-hangs", "");
    }
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1"), (3, "A-3")]).status, 201);
    module.plug(3, false);
    if back {
        wait(Duration::from_millis(400));
        module.plug(3, true);
        wait(Duration::from_millis(400));
        std::fs::remove_file(workplace.folder.join("folder-hangs")).expect("it is there");
    }
    let ended =
        |state: &Value| idle(state) && (state["failed"] != Value::Null || state["run"]["over"] == true);
    let state = daemon.until(RIG, ended);
    let why = [&state["failed"]["text"], &state["run"]["halted"]["text"]];
    let why = why.into_iter().find_map(Value::as_str).unwrap_or_default();
    assert!(why.contains("the plug at position 3 was seen out after START was pressed"), "{state}");
    let tiles = state["run"]["tiles"].as_array().cloned().unwrap_or_default();
    assert!(
        tiles.iter().all(|tile| tile["verdict"] == "aborted" || tile["verdict"] == "set-aside"),
        "{state}"
    );
}

/// However much of the request had arrived when the stop was acknowledged.
#[test]
fn live_a_start_that_was_sent_before_a_stop_never_runs_after_it() {
    let workplace = quick();
    let _module = Hosted::start(&workplace, "rig.toml");
    let daemon = serve(&workplace);
    daemon.until(RIG, idle);
    let host = daemon.base.trim_start_matches("http://").to_owned();
    for tenths in [0, 5, 9, 10] {
        let seen = daemon.until(RIG, idle)["stops"].clone();
        let body = json!({"revision": daemon.mount(RIG, &[(1, "A-1")]), "stops": seen}).to_string();
        let request = format!(
            "POST /api/v1/rigs/{RIG}/runs HTTP/1.1\r\nHost: 127.0.0.1\r\nconnection: close\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
            body.len()
        );
        let (first, rest) = request.split_at(request.len() * tenths / 10);
        let mut stream = TcpStream::connect(&host).expect("it listens");
        stream.write_all(first.as_bytes()).expect("it reads");
        assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({})).status, 202);
        stream.write_all(rest.as_bytes()).expect("it reads");
        let mut answer = String::new();
        stream.read_to_string(&mut answer).expect("an answer");
        // A start accepted before the stop was cancelled or stopped by it.
        let expected = if tenths < 10 { "HTTP/1.1 409 " } else { "HTTP/1.1 " };
        assert!(answer.starts_with(expected), "{tenths}: {answer}");
        assert!(tenths == 10 || answer.contains("/problems/stopped"), "{tenths}: {answer}");
        let state = daemon.until(RIG, idle);
        assert!(state["run"] == Value::Null || state["run"]["halted"] != Value::Null, "{state}");
    }
    // A client that does not say what it has seen is refused.
    let silent = json!({"revision": daemon.mount(RIG, &[(1, "A-1")])});
    assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{RIG}/runs"), &silent).status, 422);
}

const BENCH: &str = "runs = \"runs\"\n\n[[rig]]\nsheet = \"rig.toml\"\nscript = \"script.toml\"\n";

/// Spoils the bench so that it cannot be served; returns the bench sheet, and what the daemon reports.
fn spoiled(what: &str, workplace: &Workplace, taken: &TcpListener) -> (String, &'static str) {
    let port = format!("listen = \"{}\"\n", taken.local_addr().expect("an address"));
    let free = "listen = \"127.0.0.1:0\"\n";
    let other = |sheet: &str| format!("{free}{BENCH}[[rig]]\nsheet = \"{sheet}\"\n");
    match what {
        "the port is taken" => (port + BENCH, "cannot listen on"),
        "another rig has no sheet" => (other("nope.toml"), "nope.toml"),
        "another rig has a bad sheet" => {
            workplace.write("bad.toml", &workplace.read("rig.toml").replace("unit = 1", "unit = \"one\""));
            (other("bad.toml"), "bad.toml")
        }
        "another rig has its name" => {
            workplace.write("twin.toml", &workplace.read("rig.toml").replace("502", "503"));
            (other("twin.toml"), "is called")
        }
        "the site sheet is bad" => {
            workplace.write("site.toml", "language = 7\n");
            (format!("site = \"site.toml\"\n{free}{BENCH}"), "site.toml")
        }
        "it listens for everybody" => (format!("listen = \"0.0.0.0:0\"\n{BENCH}"), "this machine alone"),
        "a key is not known" => (format!("port = 1\n{free}{BENCH}"), "port"),
        "a folder is a file" => {
            workplace.write("runs", "");
            (free.to_owned() + BENCH, "runs")
        }
        _ => panic!("nobody knows how {what}"),
    }
}

/// Whatever else fails at the start, each rig is made safe first, by its own sheet.
#[rstest]
fn live_a_daemon_that_cannot_serve_leaves_its_rigs_safe(
    #[values(
        "the port is taken",
        "another rig has no sheet",
        "another rig has a bad sheet",
        "another rig has its name",
        "the site sheet is bad",
        "it listens for everybody",
        "a key is not known",
        "a folder is a file"
    )]
    what: &str,
) {
    let workplace = quick();
    // The module does not go to safe by itself.
    workplace.write(
        "truth.toml",
        &format!("{}\n[module]\nloss_of_master = \"600 s\"\n", workplace.read("truth.toml")),
    );
    let module = Hosted::start(&workplace, "rig.toml");
    let taken = TcpListener::bind("127.0.0.1:0").expect("a port");
    let (bench, told) = spoiled(what, &workplace, &taken);
    workplace.write("bench.toml", &bench);
    module.set_by_another_master(OPEN[0]);
    let said = workplace.run("serve --bench bench.toml");
    assert!(said.code.is_some_and(|code| code != 0), "{what}: {}", said.err);
    assert!(said.err.contains(told), "{what}: {}", said.err);
    assert!(module.is_safe(), "{what}: the rig was left as it was found\n{}", said.err);
}

/// A signal while the rigs are made safe and read at the start: it waits until that has ended, and an unknown state is reported.
#[rstest]
fn live_a_signal_while_a_daemon_starts_cuts_nothing_off(#[values(0, 20, 200)] after_ms: u64) {
    let workplace = quick();
    let module = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = module.local_addr().expect("an address");
    workplace.change("rig.toml", "127.0.0.1:1502", &address.to_string());
    workplace.write("bench.toml", &format!("listen = \"127.0.0.1:0\"\n{BENCH}"));
    let mut command = workplace.command("serve --bench bench.toml");
    let child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("it starts");
    // It asks, and gets no answer.
    let _asked = module.accept().expect("it connects");
    wait(Duration::from_millis(after_ms));
    let process = Pid::from_raw(i32::try_from(child.id()).expect("a number")).expect("a process");
    kill_process(process, Signal::TERM).expect("it takes it");
    let ended = child.wait_with_output().expect("it ends");
    let said = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), Some(4), "{} {said}", ended.status);
    assert!(said.contains("OUTPUTS NOT CONFIRMED SAFE"), "{said}");
}

/// A module that another process owns is not touched.
#[test]
fn live_a_second_daemon_touches_nothing() {
    let workplace = quick();
    let module = Hosted::start(&workplace, "rig.toml");
    let daemon = serve(&workplace);
    daemon.until(RIG, idle);
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][1]["now"] == "running");
    for bench in [BENCH.to_owned(), format!("{BENCH}[[rig]]\nsheet = \"nope.toml\"\n")] {
        workplace.write("bench.toml", &bench);
        let port = daemon.base.trim_start_matches("http://");
        let said = workplace.run(&format!("serve --bench bench.toml --runs other --listen {port}"));
        assert!(said.code.is_some_and(|code| code != 0), "{}", said.err);
    }
    assert!(!module.is_safe(), "the run is still in progress");
    assert_eq!(daemon.rig(RIG)["run"]["halted"], Value::Null);
}

/// A start that was stopped while its folder was made leaves a folder to remove, and the disk hangs at that.
#[test]
fn live_a_folder_that_cannot_be_removed_does_not_keep_the_rig() {
    let workplace = quick();
    let _module = Hosted::start(&workplace, "rig.toml");
    let daemon = serve(&workplace);
    daemon.until(RIG, idle);
    for file in ["folder-hangs", "removal-hangs"] {
        workplace.write(file, "");
    }
    let started = daemon.start_round(RIG, &[(1, "A-1")]);
    assert_eq!(started.status, 201);
    let run = started.json()["run"].as_str().expect("a run").to_owned();
    daemon.until(RIG, |state| state["doing"] == "running");
    assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({})).status, 202);
    std::fs::remove_file(workplace.folder.join("folder-hangs")).expect("it is there");
    // Who follows its events is told that nothing more comes, and gives the seat back.
    let path = format!("/api/v1/runs/{run}/events");
    let mut told = daemon.get(&path);
    while told.status == 404 {
        wait(Duration::from_millis(20));
        told = daemon.get(&path);
    }
    assert!(
        told.text.contains("event: problem") && told.text.contains("ends without the end"),
        "{}",
        told.text
    );
    let state = daemon.until(RIG, |state| idle(state) && state["failed"] != Value::Null);
    assert_eq!(state["failed"]["kind"], "no-run", "{state}");
    assert!(folder(&workplace).exists(), "the removal hangs");
    std::fs::remove_file(workplace.folder.join("removal-hangs")).expect("it is there");
}

/// The program stands still for a while, as it does when the computer sleeps: nobody sees whether a device is exchanged.
#[test]
fn live_a_gap_between_looks_is_noticed() {
    let workplace = quick();
    let _module = Hosted::start(&workplace, "rig.toml");
    let daemon = serve(&workplace);
    daemon.until(RIG, idle);
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "running");
    assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({})).status, 202);
    daemon.until(RIG, |state| idle(state) && state["run"]["over"] == true);
    // Another number at the same plug, which nobody saw pulled: that is asked about.
    let revision = daemon.mount(RIG, &[(1, "B-1")]);
    let asked = daemon.begin(RIG, &json!({"revision": revision}));
    assert_eq!(
        (asked.status, &asked.json()["type"]),
        (409, &json!("/problems/to-confirm")),
        "{}",
        asked.text
    );
    daemon.signal(Signal::STOP);
    wait(Duration::from_millis(2_600));
    daemon.signal(Signal::CONT);
    wait(Duration::from_millis(1_200));
    // It may have been pulled meanwhile: there is nothing to ask.
    let begun = daemon.begin(RIG, &json!({"revision": revision}));
    assert_eq!(begun.status, 201, "{}", begun.text);
    assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({})).status, 202);
}
