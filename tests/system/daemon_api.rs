//! The API for programs of a line: requests that are repeated, runs that are looked up later, and a daemon that hangs.

use rstest::rstest;
use rustix::process::Signal;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::time::Instant;
use tripbench_record::sha256_hex;
use tripbench_tests::command::{Simulated, Workplace, quick};
use tripbench_tests::daemon::{Answer, Daemon, in_place_of_a_daemon};

const RIG: &str = "goods-in-1";

fn served() -> (Workplace, Simulated, Daemon) {
    let workplace = quick();
    let rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, |state| state["doing"] == "idle");
    (workplace, rig, daemon)
}

/// Stops the run in progress and waits for its record.
fn stop(daemon: &Daemon) {
    daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "running");
    assert_eq!(daemon.ask("POST", &format!("/api/v1/rigs/{RIG}/stop"), &[], None).status, 202);
    daemon.until(RIG, |state| state["doing"] == "idle" && state["run"]["over"] == true);
}

fn keyed(daemon: &Daemon, key: &str, body: &Value) -> Answer {
    let headers = [("content-type", "application/json"), ("idempotency-key", key)];
    daemon.ask("POST", &format!("/api/v1/rigs/{RIG}/runs"), &headers, Some(&body.to_string()))
}

/// One word is edited: aborted becomes pass.
#[test]
fn live_a_record_that_was_changed_is_neither_given_out_nor_believed_after_a_restart() {
    let (workplace, _rig, mut daemon) = served();
    let first = daemon.start_round(RIG, &[(1, "A-1")]);
    assert_eq!(first.status, 201, "{}", first.text);
    stop(&daemon);
    let listed = daemon.get("/api/v1/runs").json()[0].clone();
    let path = format!("/api/v1/runs/{}", listed["run"].as_str().expect("a run"));
    assert_eq!(daemon.get(&path).status, 200);
    let folders = std::fs::read_dir(workplace.folder.join("runs")).expect("runs").flatten();
    let record =
        folders.map(|one| one.path().join("record.json")).find(|path| path.exists()).expect("a record");
    let text = std::fs::read_to_string(&record).expect("a record");
    let changed = text.replacen("\"verdict\":\"aborted\"", "\"verdict\":\"pass\"", 1);
    assert_ne!(text, changed);
    std::fs::write(&record, changed).expect("a record");
    let refused = |daemon: &Daemon| {
        for file in ["", "/report", "/trace"] {
            let answer = daemon.get(&format!("{path}{file}"));
            let told = (answer.status, answer.json()["type"].clone());
            assert_eq!(told, (409, json!("/problems/record-changed")), "{file}: {}", answer.text);
        }
    };
    refused(&daemon);
    assert_eq!(daemon.get("/api/v1/runs").json()[0], listed, "what was listed stays as it was");
    daemon.signal(Signal::TERM);
    daemon.wait();
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, |state| state["doing"] == "idle");
    refused(&daemon);
    let again = daemon.get("/api/v1/runs").json()[0].clone();
    assert_eq!(
        (&again["run"], &again["listed"], &again["positions"][0]["verdict"]),
        (&listed["run"], &listed["listed"], &Value::Null)
    );
    // Who asks for the device sees that its last run cannot be trusted.
    assert_eq!(daemon.get("/api/v1/runs?serial=A-1").json()[0], again);
    assert_eq!(daemon.get("/api/v1/runs?serial=A-2").json(), json!([]));
    assert!(again["untrusted"].as_str().is_some_and(|why| why.contains("cannot be trusted")), "{again}");
    assert!(!daemon.get("/metrics").text.contains("verdict=\"pass\""));
    let state = daemon.rig(RIG);
    assert!(state["run"].is_null() && state["failed"]["kind"] == "untrusted-record", "{state}");
}

#[test]
fn live_a_start_that_is_repeated_with_its_key_is_the_same_run() {
    let (_workplace, _rig, daemon) = served();
    let body = json!({"stops": 0, "places": [{"position": 1, "serial": "A-1"}]});
    let first = keyed(&daemon, "line-7/0042", &body);
    assert_eq!(first.status, 201, "{}", first.text);
    let run = first.json()["run"].as_str().expect("a run").to_owned();
    let again = keyed(&daemon, "line-7/0042", &body);
    assert_eq!((again.status, &again.json()["run"]), (201, &json!(run)), "{}", again.text);
    let other = json!({"stops": 0, "places": [{"position": 1, "serial": "B-1"}]});
    let refused = keyed(&daemon, "line-7/0042", &other);
    assert_eq!((refused.status, &refused.json()["type"]), (422, &json!("/problems/key-reused")));
    assert_eq!(keyed(&daemon, "line\u{200b}", &body).status, 422);
    // A run that is not finished is not merely unknown.
    let path = format!("/api/v1/runs/{run}");
    let early = daemon.get(&path);
    assert_eq!(
        (early.status, &early.json()["type"]),
        (404, &json!("/problems/not-finished")),
        "{}",
        early.text
    );
    let never = daemon.get("/api/v1/runs/never").json();
    assert_eq!(never["type"], "/problems/not-found");
    stop(&daemon);
    assert_eq!(daemon.get(&path).status, 200);
    // After its end the key still names the run, and starts none.
    assert_eq!(keyed(&daemon, "line-7/0042", &body).json()["run"], run);
    assert_eq!(daemon.get("/api/v1/runs").json().as_array().map(Vec::len), Some(1));
}

#[test]
fn live_runs_are_found_by_serial_time_and_the_last_one_seen() {
    let (_workplace, _rig, daemon) = served();
    let mut runs = Vec::new();
    for serial in ["A-1", "B-1"] {
        // Confirmed: the plug of this simulated device is not pulled.
        let revision = daemon.mount(RIG, &[(1, serial)]);
        let started = daemon.begin(RIG, &json!({"revision": revision, "confirmed": true}));
        assert_eq!(started.status, 201, "{}", started.text);
        runs.push(started.json()["run"].clone());
        stop(&daemon);
    }
    let found = |query: &str| {
        let answer = daemon.get(&format!("/api/v1/runs{query}"));
        assert_eq!(answer.status, 200, "{query}: {}", answer.text);
        answer.json().as_array().expect("a list").iter().map(|entry| entry["run"].clone()).collect::<Vec<_>>()
    };
    let newest = [runs[1].clone(), runs[0].clone()];
    assert_eq!(found(""), newest);
    assert_eq!(found("?serial=A-1"), runs[..1]);
    assert_eq!(found("?serial=A"), [] as [Value; 0]);
    assert_eq!(found("?since=2020-01-01T00:00:00Z"), newest);
    assert_eq!(found("?since=2999-01-01T00:00:00Z"), [] as [Value; 0]);
    let first = runs[0].as_str().expect("a run");
    assert_eq!(found(&format!("?after={first}")), runs[1..]);
    assert_eq!(found(&format!("?after={first}&serial=A-1")), [] as [Value; 0]);
    // By its place in the list, and by the identifier of a run that is not there any more: it began before them.
    let place = &daemon.get("/api/v1/runs").json()[1]["listed"];
    assert_eq!(found(&format!("?after={place}")), runs[1..]);
    assert_eq!(found("?after=01900000-0000-7000-8000-000000000000"), runs);
    assert_eq!(found("?limit=1"), newest[..1]);
    for bad in ["?since=yesterday", "?after=never", "?limit=0"] {
        assert_eq!(daemon.get(&format!("/api/v1/runs{bad}")).status, 400, "{bad}");
    }
    // No device was tested, and no run came to its end.
    let entry = &daemon.get("/api/v1/runs").json()[0];
    // The digest is that of the record as a client gets it.
    let record = daemon.get(&format!("/api/v1/runs/{}", entry["run"].as_str().expect("a run")));
    assert_eq!(entry["sha256"], sha256_hex(record.text.as_bytes()), "{entry}");
    assert_eq!((&entry["simulated"], &entry["trial"]), (&json!(true), &json!(false)), "{entry}");
    assert!(entry["halted"].as_str().is_some_and(|why| why.contains("STOP TEST")), "{entry}");
    let metrics = daemon.get("/metrics");
    assert!(metrics.kind.starts_with("application/openmetrics-text"), "{}", metrics.kind);
    let positions = "tripbench_positions_total{rig=\"goods-in-1\",verdict=\"aborted\",simulated=\"true\"} 2";
    assert!(metrics.text.contains(positions) && metrics.text.ends_with("# EOF\n"), "{}", metrics.text);
    for name in ["scan_period", "transaction", "journal_lag"] {
        let start = format!("tripbench_{name}_seconds_count{{rig=\"{RIG}\"}} ");
        let count = metrics.text.lines().find_map(|line| line.strip_prefix(&start)?.parse::<u64>().ok());
        assert!(count.is_some_and(|count| count > 3), "{name}: {count:?}\n{}", metrics.text);
    }
}

#[test]
fn live_a_run_that_was_withdrawn_says_what_became_of_it() {
    let (_workplace, _rig, daemon) = served();
    let begin = |serial: &str| {
        let places = json!([{"position": 1, "serial": serial}]);
        let body = json!({"stops": 0, "places": places, "unattended": true});
        let started = daemon.begin(RIG, &body);
        assert_eq!(started.status, 201, "{}", started.text);
        started.json()["run"].as_str().expect("a run").to_owned()
    };
    begin("A-1");
    let waits = begin("B-1");
    stop(&daemon);
    for path in ["", "/report", "/trace", "/events"] {
        let answer = daemon.get(&format!("/api/v1/runs/{waits}{path}"));
        let said = (answer.status, answer.json()["type"].clone());
        assert_eq!(said, (404, json!("/problems/never-began")), "{path}: {}", answer.text);
        let detail = answer.json()["detail"].as_str().expect("a reason").to_owned();
        assert!(
            detail.contains(&waits) && detail.ends_with("withdrawn from the queue by a stop"),
            "{detail}"
        );
    }
}

/// A daemon that takes a run, which then never begins.
#[test]
fn live_a_run_on_a_daemon_that_never_begins_is_reported_with_its_reason() {
    let workplace = quick();
    let base = in_place_of_a_daemon(|line| {
        if line.contains("/events ") {
            ("404 No", json!({"type": "/problems/never-began", "detail": "run `one` was withdrawn"}))
        } else if line.starts_with("POST") {
            ("201 Yes", json!({"run": "one"}))
        } else {
            // As if it were in progress.
            ("200 Yes", json!({"stops": 0, "doing": "running"}))
        }
    });
    let said = workplace.run(&format!(
        "run --on {base} --rig rig.toml --type type.toml --settings settings.toml --script script.toml --serial 1=A-1 --out run"
    ));
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("nothing was tested: run `one` was withdrawn"), "{}", said.err);
}

/// A daemon that begins an answer and never completes it, before a run or as the answer to its start.
#[rstest]
#[case::state(false)]
#[case::start(true)]
fn live_a_daemon_that_hangs_in_an_answer_is_given_up(#[case] at_start: bool) {
    let workplace = quick();
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let base = format!("http://{}", listener.local_addr().expect("an address"));
    std::thread::spawn(move || {
        let mut held = Vec::new();
        for mut stream in listener.incoming().flatten() {
            let mut line = String::new();
            let _cut = BufReader::new(&stream).read_line(&mut line);
            let answers = at_start && line.starts_with("GET");
            let body = if answers { "{\"stops\": 0}" } else { "{" };
            let _gone = stream.write_all(
                format!("HTTP/1.1 200 OK\r\nconnection: close\r\ncontent-length: 12\r\n\r\n{body}")
                    .as_bytes(),
            );
            held.push(stream);
        }
    });
    let begun = now();
    let said = workplace.run(&format!(
        "run --on {base} --rig rig.toml --type type.toml --settings settings.toml --script script.toml --serial 1=A-1 --out run"
    ));
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(begun.elapsed().as_secs() < 40, "{:?}", begun.elapsed());
    assert_eq!(said.err.contains("THE RUN MAY HAVE BEGUN"), at_start, "{}", said.err);
}

#[expect(clippy::disallowed_methods, reason = "watches a command in real time")]
fn now() -> Instant {
    Instant::now()
}
