//! The daemon from the side of programs and pages: separate processes, real sockets, a simulated rig in a process of its own.

use crate::python::python;
use rstest::rstest;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;
use tripbench_tests::command::{Simulated, Workplace, decided, quick};
use tripbench_tests::daemon::Daemon;
use tripbench_tests::hosted::wait;

const RIG: &str = "goods-in-1";

fn idle(state: &Value) -> bool {
    state["doing"] == "idle"
}

fn over(state: &Value) -> bool {
    idle(state) && state["run"]["over"] == true
}

fn mount(daemon: &Daemon, serials: &[(u8, &str)]) -> u64 {
    daemon.mount(RIG, serials)
}

fn start(daemon: &Daemon, revision: u64) -> tripbench_tests::daemon::Answer {
    daemon.begin(RIG, &json!({"revision": revision}))
}

/// A run that is under vacuum.
fn begun() -> (Workplace, Simulated, Daemon) {
    let workplace = quick();
    let rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    let revision = mount(&daemon, &[(1, "A-1"), (3, "A-3")]);
    assert_eq!(start(&daemon, revision).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][1]["now"] == "running");
    (workplace, rig, daemon)
}

#[test]
fn live_a_round_runs_once_and_leaves_record_report_trace_and_events() {
    let workplace = decided();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    let revision = mount(&daemon, &[(1, "A-1"), (3, "A-3")]);
    let first = start(&daemon, revision);
    assert_eq!(first.status, 201, "{}", first.text);
    let run = first.json()["run"].as_str().expect("a run").to_owned();
    // A second press of the same START, from here or another window, is refused.
    let second = start(&daemon, revision);
    assert_eq!((second.status, second.kind.as_str()), (409, "application/problem+json"));
    assert_eq!(second.json()["type"], "/problems/round-changed");
    // So is one with the present revision of the round.
    let third = start(&daemon, revision + 1);
    assert_eq!((third.status, third.json()["type"].clone()), (409, json!("/problems/already-started")));
    // Scans meanwhile belong to the next round; the run does not change.
    mount(&daemon, &[(2, "B-2")]);
    let state = daemon.until(RIG, over);
    let verdicts: Vec<_> =
        state["run"]["tiles"].as_array().expect("tiles").iter().map(|tile| tile["verdict"].clone()).collect();
    assert_eq!(verdicts.len(), 2, "{state}");
    assert_eq!(verdicts[1], "fail", "{state}");
    assert_eq!(state["round"]["places"][1]["serial"], "B-2");
    assert_eq!(state["run"]["safe"], true);
    let record = daemon.get(&format!("/api/v1/runs/{run}")).json();
    assert_eq!(record["header"]["run"], run.as_str());
    assert_eq!(record["positions"][1]["serial"], "A-3");
    let report = daemon.get(&format!("/api/v1/runs/{run}/report"));
    assert!(report.kind.starts_with("text/html") && report.text.contains("A-3"));
    assert!(daemon.get(&format!("/api/v1/runs/{run}/trace")).text.lines().count() > 100);
    // Every event of the journal; and from a given number, only the events after it.
    let path = format!("/api/v1/runs/{run}/events");
    let all = daemon.get(&path).text;
    let ids: Vec<u64> = all.lines().filter_map(|line| line.strip_prefix("id: ")?.parse().ok()).collect();
    assert!(ids.iter().zip(0..).all(|(id, expected)| *id == expected), "{:?}", ids.get(..5));
    let last = *ids.last().expect("events");
    let after = (last - 3).to_string();
    let rest = daemon.ask("GET", &path, &[("last-event-id", &after)], None).text;
    assert_eq!(rest.lines().filter(|line| line.starts_with("id: ")).count(), 3);
    let listed = daemon.get(&format!("/api/v1/runs?rig={RIG}&limit=5")).json();
    assert_eq!(listed[0]["run"], run.as_str());
    let metrics = daemon.get("/metrics").text;
    let failed = "tripbench_positions_total{rig=\"goods-in-1\",verdict=\"fail\",simulated=\"true\"} 1";
    assert!(metrics.contains(failed), "{metrics}");
}

#[test]
fn live_stop_test_leaves_the_rig_safe_and_the_run_aborted() {
    let (_workplace, _rig, daemon) = begun();
    let stopped = daemon.ask("POST", &format!("/api/v1/rigs/{RIG}/stop"), &[], None);
    assert_eq!(stopped.status, 202, "a stop works, whatever its body is");
    let state = daemon.until(RIG, over);
    assert_eq!(state["run"]["safe"], true, "{state}");
    assert!(state["run"]["halted"]["text"].as_str().is_some_and(|why| why.contains("STOP TEST")), "{state}");
    assert!(state["run"]["tiles"].as_array().expect("tiles").iter().all(|tile| tile["verdict"] == "aborted"));
    assert_eq!(state["outputs_safe"], true);
    // The next run starts.
    let revision = mount(&daemon, &[(1, "A-1")]);
    assert_eq!(start(&daemon, revision).status, 201);
    daemon.until(RIG, |state| state["doing"] == "running");
}

#[rstest]
#[case(Signal::TERM)]
#[case(Signal::KILL)]
fn live_a_daemon_that_ends_in_a_run_leaves_it_aborted(#[case] by: Signal) {
    let (workplace, _rig, mut daemon) = begun();
    daemon.signal(by);
    let status = daemon.wait();
    assert_eq!(status.success(), by == Signal::TERM);
    drop(daemon);
    let again = Daemon::start(&workplace);
    let state = again.until(RIG, idle);
    assert_eq!(state["run"]["over"], true, "{state}");
    assert!(state["run"]["halted"]["text"].is_string(), "{state}");
    assert!(state["run"]["tiles"].as_array().expect("tiles").iter().all(|tile| tile["verdict"] == "aborted"));
    assert_eq!(state["outputs_safe"], true);
    let run = state["run"]["run"].as_str().expect("a run");
    assert_eq!(again.get(&format!("/api/v1/runs/{run}")).json()["positions"][0]["verdict"], "aborted");
}

/// A run that began by itself would find the devices of the previous run, under the numbers of the next.
#[test]
fn live_a_run_begins_by_itself_only_where_that_was_asked_for_and_all_went_well() {
    let (workplace, _rig, daemon) = begun();
    let next = json!({"places": [{"position": 1, "serial": "B-1"}]});
    let refused = daemon.begin(RIG, &next);
    assert_eq!((refused.status, refused.json()["type"].clone()), (409, json!("/problems/busy")));
    let unattended = json!({"places": [{"position": 1, "serial": "B-1"}], "unattended": true});
    assert_eq!(daemon.begin(RIG, &unattended).status, 201);
    assert_eq!(daemon.rig(RIG)["queue"].as_array().map(Vec::len), Some(1));
    // The previous run does not end in order: its process was suspended.
    daemon.signal(Signal::STOP);
    wait(Duration::from_millis(600));
    daemon.signal(Signal::CONT);
    let state = daemon.until(RIG, over);
    assert_eq!(state["run"]["halted"]["kind"], "doubt", "{state}");
    // Every line of a run names run and rig, also those of other threads and rooms.
    let log = std::fs::read_to_string(workplace.folder.join("daemon.log")).expect("a log");
    let lines = log.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
    let of_runs: Vec<Value> = lines.filter(|line| line["span"]["name"] == "run").collect();
    for said in ["run begins", "the run is halted", "run over"] {
        let line = of_runs.iter().find(|line| line["message"] == said);
        let span = &line.unwrap_or_else(|| panic!("{said}: {log}"))["span"];
        assert_eq!((&span["rig"], &span["run"]), (&json!(RIG), &state["run"]["run"]), "{said}");
    }
    wait(Duration::from_secs(2));
    let state = daemon.rig(RIG);
    assert_eq!((&state["doing"], &state["queue"]), (&json!("idle"), &json!([])), "{state}");
    assert!(state["failed"]["text"].as_str().is_some_and(|why| why.contains("withdrew")), "{state}");
}

#[test]
fn live_a_rig_that_is_not_confirmed_safe_at_the_end_is_named() {
    let workplace = quick();
    let rig = Simulated::start(&workplace);
    let mut daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    drop(rig);
    daemon.until(RIG, |state| state["doing"] == "not-ready");
    daemon.signal(Signal::TERM);
    assert_eq!(daemon.wait().code(), Some(4));
    let log = workplace.read("daemon.log");
    assert!(log.contains("OUTPUTS NOT CONFIRMED SAFE: goods-in-1") && !log.contains("panicked"), "{log}");
}

#[test]
fn live_an_answer_that_is_none_is_refused_and_the_question_stays_open() {
    let workplace = quick();
    workplace.change(
        "script.toml",
        "state = \"released\"\n",
        "state = \"released\"\n\n[[step]]\ndo = \"ask\"\ntext = \"Ready?\"\n",
    );
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    let started = start(&daemon, mount(&daemon, &[(1, "A-1")]));
    assert_eq!(started.status, 201, "{}", started.text);
    let asked = |state: &Value| state["run"]["question"]["text"] == "Ready?";
    let run = daemon.until(RIG, asked)["run"].clone();
    let answer =
        |text: &str| json!({"run": run["run"], "question": run["question"]["number"], "answer": text});
    let path = format!("/api/v1/rigs/{RIG}/answer");
    let refused = daemon.send("POST", &path, &answer("maybe"));
    assert_eq!((refused.status, refused.json()["type"].clone()), (422, json!("/problems/bad-answer")));
    assert!(asked(&daemon.rig(RIG)));
    assert_eq!(daemon.send("POST", &path, &answer("yes")).status, 202);
    // The first answer counts; a later one is refused.
    assert_eq!(daemon.send("POST", &path, &answer("no")).status, 409);
    daemon.until(RIG, |state| state["run"]["question"].is_null());
}

#[test]
fn live_a_module_has_one_owner() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    let said = workplace.run(
        "run --rig rig.toml --type type.toml --settings settings.toml --script script.toml --serial 1=A-1 --out run",
    );
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("is in use by another tripbench on this machine"), "{}", said.err);
    let second = Daemon::with(&workplace, "serve --bench bench.toml --runs other");
    let state = second.until(RIG, |state| state["doing"] == "not-ready");
    assert!(state["problem"].as_str().is_some_and(|why| why.contains("in use")), "{state}");
    // It refuses to start anything there.
    let revision = mount(&second, &[(1, "A-1")]);
    assert_eq!(start(&second, revision).json()["type"], "/problems/not-ready");
}

#[test]
fn live_what_is_not_meant_for_this_daemon_is_refused() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    let round = format!("/api/v1/rigs/{RIG}/round");
    let stop = format!("/api/v1/rigs/{RIG}/stop");
    let json = ("content-type", "application/json");
    let with_key = format!("{round}?now");
    let asked = [
        ("GET", "/api/v1/rigs", vec![("host", "example.org")], "", 403, "/problems/foreign-host"),
        ("POST", stop.as_str(), vec![("origin", "http://example.org")], "", 403, "/problems/foreign-origin"),
        (
            "GET",
            "/api/v1/watch",
            vec![("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "cors")],
            "",
            403,
            "/problems/foreign-origin",
        ),
        ("GET", "/api/v1/rigs/nowhere", vec![], "", 404, "/problems/not-found"),
        ("GET", "/api/v1/nothing", vec![], "", 404, "/problems/not-found"),
        ("DELETE", "/api/v1/rigs", vec![], "", 405, "/problems/method"),
        ("GET", "/api/v1/runs?limit=0", vec![], "", 400, "/problems/bad-request"),
        ("GET", "/api/v1/runs?rigs=goods-in-1", vec![], "", 400, "/problems/bad-request"),
        ("GET", "/api/v1/rigs?limit=1", vec![], "", 400, "/problems/bad-request"),
        ("GET", "/api/v1/watch?rig", vec![], "", 400, "/problems/bad-request"),
        (
            "PUT",
            with_key.as_str(),
            vec![json],
            "{\"revision\":0,\"places\":[]}",
            400,
            "/problems/bad-request",
        ),
        ("GET", "/metrics?rig=1", vec![], "", 400, "/problems/bad-request"),
        ("PUT", round.as_str(), vec![json], "{\"revision\":0", 400, "/problems/bad-request"),
        (
            "PUT",
            round.as_str(),
            vec![json],
            "{\"revision\":0,\"places\":[{\"position\":9,\"serial\":\"A\"}]}",
            422,
            "/problems/not-mounted",
        ),
        ("PUT", round.as_str(), vec![json], "{\"revision\":7,\"places\":[]}", 409, "/problems/round-changed"),
        (
            "PUT",
            round.as_str(),
            vec![json],
            "{\"revision\":0,\"places\":[{\"position\":1,\"serial\":\" \"}]}",
            422,
            "/problems/not-mounted",
        ),
    ];
    for (method, path, headers, body, status, kind) in asked {
        let answer = daemon.ask(method, path, &headers, Some(body).filter(|body| !body.is_empty()));
        assert_eq!(
            (answer.status, answer.kind.as_str()),
            (status, "application/problem+json"),
            "{method} {path}"
        );
        assert_eq!(answer.json()["type"], kind, "{method} {path}: {}", answer.text);
    }
    // The same number twice in a round needs a confirmation.
    let revision = mount(&daemon, &[(1, "A-1"), (2, "A-1")]);
    let twice = start(&daemon, revision);
    assert_eq!((twice.status, twice.json()["type"].clone()), (409, json!("/problems/to-confirm")));
    let nobody = mount(&daemon, &[]);
    assert_eq!(start(&daemon, nobody).status, 422);
    let page = daemon.ask("GET", "/", &[], None);
    assert!(page.text.contains("<script type=\"module\" src=\"/page.js\">"), "{}", page.text);
}

// Serial number, operator, who answers: each has a character that nobody sees.
#[test]
fn live_hidden_characters_are_refused() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    let round = format!("/api/v1/rigs/{RIG}/round");
    let runs = format!("/api/v1/rigs/{RIG}/runs");
    let answered = format!("/api/v1/rigs/{RIG}/answer");
    let hidden = [
        (
            "PUT",
            &round,
            json!({"revision": 0, "places": [{"position": 1, "serial": "A\u{200b}1"}]}),
            "U+200B",
        ),
        ("POST", &runs, json!({"stops": 0, "places": [{"position": 1, "serial": "A\u{202e}1"}]}), "U+202E"),
        ("POST", &runs, json!({"stops": 0, "operators": ["Ann\u{ad}a"]}), "U+00AD"),
        ("POST", &answered, json!({"run": "a", "question": 0, "answer": "yes", "by": "Ann\u{7f}"}), "U+007F"),
    ];
    for (method, path, body, names) in hidden {
        let answer = daemon.send(method, path, &body);
        assert_eq!((answer.status, answer.text.contains(names)), (422, true), "{names}: {}", answer.text);
    }
}

#[test]
fn a_daemon_listens_on_this_machine_only() {
    let workplace = quick();
    workplace.write("bench.toml", "[[rig]]\nsheet = \"rig.toml\"\n");
    let said = workplace.run("serve --bench bench.toml --listen 0.0.0.0:0");
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("listens on loopback only"), "{}", said.err);
    workplace.write("bench.toml", "listen = \"192.0.2.1:80\"\n[[rig]]\nsheet = \"rig.toml\"\n");
    let said = workplace.run("serve --bench bench.toml");
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("an address of this machine alone"), "{}", said.err);
}

const ON: &str = "--rig rig.toml --type type.toml --settings settings.toml --script script.toml --serial 1=A-1 --serial 3=A-3 --out run";

#[test]
fn live_a_run_given_to_a_daemon_ends_as_one_of_its_own() {
    let workplace = decided();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    let said = workplace.run(&format!("run --on {} {ON}", daemon.base));
    assert_eq!(said.code, Some(1), "{}\n{}", said.out, said.err);
    assert!(said.out.contains("A-3") && said.out.contains("FAIL"), "{}", said.out);
    let state = daemon.until(RIG, over);
    let run = state["run"]["run"].as_str().expect("a run");
    // The same record, report and trace on both sides; the journal, copied line by line, is complete.
    for (path, file) in [("", "record.json"), ("/report", "report.html"), ("/trace", "trace.csv")] {
        let theirs = daemon.get(&format!("/api/v1/runs/{run}{path}")).text;
        assert_eq!(workplace.read(&format!("run/{file}")), theirs, "{file}");
    }
    let journal = tripbench_record::journal::open(workplace.read("run/run.journal").as_bytes());
    assert_eq!(journal.expect("a journal").ending, tripbench_record::journal::Ending::Complete);
    // A rig sheet that differs from the daemon's own is refused.
    workplace.change("rig.toml", "revision = \"4\"", "revision = \"5\"");
    let said = workplace.run(&format!("run --on {} {}", daemon.base, ON.replace("--out run", "--out other")));
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("the rig sheet was changed"), "{}", said.err);
    let said =
        workplace.run(&format!("run --on http://127.0.0.1:9 {}", ON.replace("--out run", "--out more")));
    assert!(said.err.contains("no daemon at http://127.0.0.1:9"), "{}", said.err);
}

#[test]
fn live_who_ends_the_command_ends_the_run_that_it_gave() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    let mut command = workplace.command(&format!("run --on {} {ON}", daemon.base));
    let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
    daemon.until(RIG, |state| state["run"]["steps"][1]["now"] == "running");
    let id = i32::try_from(child.id()).expect("a process number");
    kill_process(Pid::from_raw(id).expect("a process"), Signal::INT).expect("it takes it");
    let said = child.wait_with_output().expect("it ends");
    assert!(String::from_utf8_lossy(&said.stdout).contains("ABORTED"), "{said:?}");
    let state = daemon.until(RIG, over);
    assert_eq!(state["run"]["halted"]["kind"], "operator", "{state}");
}

/// A daemon that accepts a run and a stop and never answers, or closes the connection; the receiver gets each request line as it
/// comes.
fn deaf(cuts: bool) -> (String, Receiver<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let base = format!("http://{}", listener.local_addr().expect("an address"));
    let (asked, heard) = channel();
    std::thread::spawn(move || {
        let mut held = Vec::new();
        for mut stream in listener.incoming().flatten() {
            let mut line = String::new();
            let _cut = BufReader::new(&stream).read_line(&mut line);
            if line.starts_with("GET") {
                let state = "{\"stops\": 0}";
                let head = format!(
                    "HTTP/1.1 200 OK\r\nconnection: close\r\ncontent-length: {}\r\n\r\n",
                    state.len()
                );
                let _gone = stream.write_all(format!("{head}{state}").as_bytes());
            } else {
                let _test_is_over = asked.send(line);
                std::thread::park_timeout(Duration::from_millis(300));
                if !cuts {
                    held.push(stream);
                }
            }
        }
    });
    (base, heard)
}

/// A stop that does not reach the daemon is reported each time, and soon; so is that the run may have begun.
#[rstest]
#[case::never_answers(false)]
#[case::cuts_off(true)]
fn live_a_stop_that_does_not_get_through_is_said(#[case] cuts: bool) {
    let workplace = quick();
    let (base, heard) = deaf(cuts);
    let mut command = workplace.command(&format!("run --on {base} {ON}"));
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("it starts");
    let id = i32::try_from(child.id()).expect("a process number");
    let errors = BufReader::new(child.stderr.take().expect("its errors")).lines();
    let (line, lines) = channel();
    std::thread::spawn(move || errors.map_while(Result::ok).try_for_each(|text| line.send(text)));
    // Two seconds, plus what a busy computer takes.
    let says = |words: &str| {
        let next = || lines.recv_timeout(Duration::from_secs(12)).expect("it says so");
        while !next().contains(words) {}
    };
    let asked = || heard.recv_timeout(Duration::from_secs(10)).expect("it asks");
    let interrupt = || kill_process(Pid::from_raw(id).expect("a process"), Signal::INT).expect("it takes it");
    assert!(asked().contains("/runs"));
    interrupt();
    assert!(asked().contains("/stop"));
    says("STOP NOT CONFIRMED");
    if cuts {
        // The stop is repeated because the start got no answer; then the process ends.
        assert!(asked().contains("/stop"));
        says("THE RUN MAY HAVE BEGUN");
        assert_eq!(child.wait().expect("it ends").code(), Some(2));
    } else {
        interrupt();
        assert!(asked().contains("/stop"));
        says("STOP NOT CONFIRMED");
        child.kill().expect("it ends");
        child.wait().expect("it ends");
    }
}

/// Schemathesis (from `PyPI`) makes valid and invalid requests from the `OpenAPI` document, and checks every answer against it.
#[test]
fn live_the_api_keeps_to_its_document_whatever_is_asked() {
    let Some(python) = python() else { return };
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, idle);
    let run = start(&daemon, mount(&daemon, &[(1, "A-1")])).json()["run"].as_str().expect("a run").to_owned();
    daemon.until(RIG, over);
    workplace.write(
        "schemathesis.toml",
        &format!("[parameters]\n\"path.rig\" = \"{RIG}\"\n\"path.run\" = \"{run}\"\n"),
    );
    // Not every request that fits the schema is accepted: no schema expresses the current revision or a free position. The streams
    // never end.
    let output = Command::new(python)
        .args(["-m", "schemathesis.cli", "--config-file", "schemathesis.toml", "run"])
        .arg(format!("{}/api/v1/openapi.json", daemon.base))
        .args("--checks all --exclude-checks positive_data_acceptance --max-examples 15 --rate-limit 25/s --no-color --seed 7 --exclude-path-regex watch$".split(' '))
        .current_dir(&workplace.folder)
        .output()
        .expect("schemathesis starts");
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{text}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(text.contains("Tested: 13"), "{text}");
    let log = workplace.read("daemon.log");
    assert!(!log.contains("panicked"), "{log}");
    daemon.until(RIG, |state| state["doing"] == "idle" || state["doing"] == "running");
}

/// The document is checked in, so that a change of the API shows.
#[test]
fn the_api_is_the_one_that_is_written_down() {
    let path = tripbench_tests::bench_scripts().join("../docs/openapi.json");
    let found = tripbench_daemon::openapi() + "\n";
    if std::env::var_os("TRIPBENCH_WRITE_OPENAPI").is_some() {
        std::fs::write(&path, &found).expect("it can be written");
    }
    assert_eq!(std::fs::read_to_string(&path).expect("docs/openapi.json"), found);
    let document: Value = serde_json::from_str(&found).expect("JSON");
    assert_eq!(document["openapi"], "3.1.0");
}
