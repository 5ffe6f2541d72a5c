//! What a daemon gives out of the folder of runs, and how long it may take.

use rstest::rstest;
use rustix::process::Signal;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use tripbench_record::journal::{MAGIC, Tally, closing_line, line, open};
use tripbench_record::{Event, EventKind, Seq};
use tripbench_tests::command::{Simulated, Workplace, quick};
use tripbench_tests::daemon::Daemon;
use tripbench_tests::hosted::{faulty, wait};

const RIG: &str = "goods-in-1";

fn idle(state: &Value) -> bool {
    state["doing"] == "idle"
}

/// A run that is stopped as soon as a step of it runs; returns its identifier.
fn short_run(daemon: &Daemon) -> String {
    daemon.until(RIG, idle);
    let run = daemon.start_round(RIG, &[(1, "A-1")]).json()["run"].as_str().expect("a run").to_owned();
    daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "running");
    assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({})).status, 202);
    daemon.until(RIG, |state| idle(state) && state["run"]["over"] == true);
    run
}

/// The folders of all runs, in the order of their names.
fn folders(workplace: &Workplace) -> Vec<PathBuf> {
    let folders = std::fs::read_dir(workplace.folder.join("runs")).expect("runs").flatten();
    let mut all: Vec<PathBuf> = folders.map(|entry| entry.path()).filter(|path| path.is_dir()).collect();
    all.sort();
    all
}

/// Ends a daemon.
fn end(mut daemon: Daemon) {
    daemon.signal(Signal::TERM);
    daemon.wait();
}

/// A daemon with short timeouts and few connections.
fn hurried(workplace: &Workplace) -> Daemon {
    workplace.write("hurried", "");
    Daemon::of(workplace, faulty(workplace, env!("CARGO_BIN_EXE_faulty-daemon")))
}

/// Makes the journal of a run longer, until its trace has this length: its last scan is there many times. The record is to be made anew.
fn lengthen(run: &Path, trace: usize) {
    let trace_now = std::fs::read_to_string(run.join("trace.csv")).expect("a trace");
    let times = trace / trace_now.lines().last().expect("a scan").len();
    let path = run.join("run.journal");
    let events = open(&std::fs::read(&path).expect("a journal")).expect("undamaged").events;
    let last = events.iter().rposition(|event| matches!(event.kind, EventKind::Scan(_))).expect("a scan");
    let (before, after) = events.split_at(last);
    let repeated = std::iter::repeat_n(&events[last], times);
    let mut text = String::from(MAGIC);
    let mut all: Vec<Event> = before.iter().chain(repeated).chain(after).cloned().collect();
    for (event, seq) in all.iter_mut().zip(0..) {
        event.seq = Seq(seq);
    }
    let end = all.pop().expect("an end");
    for event in &all {
        text.push_str(&line(event, None).expect("a line"));
    }
    let mut tally = Tally::default();
    tally.add(text.as_bytes());
    std::fs::write(path, text + &closing_line(&end, &tally).expect("a line")).expect("a journal");
    std::fs::remove_file(run.join("record.json")).expect("a record");
}

/// A start that has many records to read must not end at the time limit of the service manager.
#[rstest]
#[case::index_lost(true)]
#[case::index_kept(false)]
fn live_the_service_manager_hears_that_a_start_goes_on(#[case] index_lost: bool) {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    short_run(&daemon);
    short_run(&daemon);
    end(daemon);
    if index_lost {
        std::fs::remove_file(workplace.folder.join("runs/runs.index")).expect("an index");
    }
    let path = workplace.folder.join("notify");
    let socket = UnixDatagram::bind(&path).expect("a socket");
    socket.set_read_timeout(Some(Duration::from_secs(20))).expect("a time");
    let mut command = workplace.command("serve --bench bench.toml --log json");
    command.env("NOTIFY_SOCKET", &path);
    let _daemon = Daemon::of(&workplace, command);
    let mut said = Vec::new();
    while said.last().is_none_or(|last: &String| !last.contains("READY=1")) {
        let mut buffer = [0; 512];
        let length = socket.recv(&mut buffer).expect("a word within 20 s");
        said.push(String::from_utf8_lossy(&buffer[..length]).into_owned());
    }
    let extended = said.iter().filter(|word| word.contains("EXTEND_TIMEOUT_USEC=") && word.contains("of 2"));
    assert_eq!(extended.count(), if index_lost { 2 } else { 0 }, "{said:?}");
}

/// The daemon answers, and says that it cannot give the rest: asking again changes nothing.
#[rstest]
fn live_a_run_whose_journal_a_daemon_cannot_give_is_ended_with_its_reason(
    #[values("the journal `run.journal` is damaged at byte 812", "two folders have different records")]
    why: &'static str,
) {
    let workplace = quick();
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let base = format!("http://{}", listener.local_addr().expect("an address"));
    let asked = Arc::new(AtomicUsize::new(0));
    let counted = Arc::clone(&asked);
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let mut line = String::new();
            let _cut = BufReader::new(&stream).read_line(&mut line);
            let body = if line.contains("/events ") {
                counted.fetch_add(1, Ordering::SeqCst);
                format!("event: problem\ndata: {}\n\n", json!({"type": "/problems/inside", "detail": why}))
            } else if line.starts_with("POST") {
                json!({"run": "one"}).to_string()
            } else {
                json!({"stops": 0, "doing": "running"}).to_string()
            };
            let head =
                format!("HTTP/1.1 200 OK\r\nconnection: close\r\ncontent-length: {}\r\n\r\n", body.len());
            let _gone = stream.write_all(format!("{head}{body}").as_bytes());
        }
    });
    let said = workplace.run(&format!(
        "run --on {base} --rig rig.toml --type type.toml --settings settings.toml --script script.toml --serial 1=A-1 --out run"
    ));
    assert!(said.code != Some(0) && said.err.contains(why), "{}", said.err);
    assert!(!said.err.contains("no longer answers") && !said.err.contains("trying again"), "{}", said.err);
    assert_eq!(asked.load(Ordering::SeqCst), 1);
}

/// Memory of a process that is in use, KiB (`VmRSS`, proc(5)).
fn memory_kib(of: &Daemon) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", of.id())).expect("its status");
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("a size");
    line.split_whitespace().next().and_then(|size| size.parse().ok()).expect("a number")
}

/// Eight readers that stop reading, as many as this daemon has connections, each with a download of 16 MiB.
#[test]
fn live_who_stops_reading_loses_its_connection_and_costs_little_memory() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let daemon = Daemon::start(&workplace);
    let run = short_run(&daemon);
    end(daemon);
    let one = folders(&workplace).remove(0);
    lengthen(&one, 16 << 20);
    // The last run is read at each start, which takes memory: the long one is not the last.
    let daemon = Daemon::start(&workplace);
    short_run(&daemon);
    end(daemon);
    let daemon = hurried(&workplace);
    daemon.until(RIG, idle);
    let length = std::fs::metadata(one.join("trace.csv")).expect("a trace").len();
    assert!(length >= 16 << 20, "{length}");
    let before = memory_kib(&daemon);
    let path = format!("/api/v1/runs/{run}/trace");
    let readers: Vec<TcpStream> = (0..8).map(|_| daemon.stream_unread(&path)).collect();
    for reader in &readers {
        // Its download has begun: the daemon has checked the trace.
        reader.set_read_timeout(Some(Duration::from_secs(40))).expect("a time");
        assert_eq!(reader.peek(&mut [0]).expect("a first byte"), 1);
    }
    let grown = memory_kib(&daemon).saturating_sub(before);
    assert!(grown < 32 * 1024, "{grown} KiB for eight readers");
    // Each may wait for one second.
    wait(Duration::from_secs(3));
    assert_eq!(daemon.get("/api/v1/rigs").status, 200, "the connections are free again");
    for mut reader in readers {
        reader.set_read_timeout(Some(Duration::from_secs(5))).expect("a time");
        let read = std::io::copy(&mut reader, &mut std::io::sink());
        assert!(read.as_ref().is_err() || read.is_ok_and(|copied| copied < length));
    }
    // Who reads gets all of it.
    let host = daemon.base.trim_start_matches("http://");
    let mut reader = TcpStream::connect(host).expect("it listens");
    write!(reader, "GET {path} HTTP/1.1\r\nHost: {host}\r\nconnection: close\r\n\r\n")
        .expect("it takes a request");
    let mut answer = Vec::new();
    reader.read_to_end(&mut answer).expect("an answer");
    let end = answer.windows(4).position(|four| four == b"\r\n\r\n").expect("a head") + 4;
    let head = String::from_utf8_lossy(&answer[..end]).to_lowercase();
    assert!(head.contains(&format!("content-length: {length}\r\n")), "{head}");
    assert_eq!((answer.len() - end) as u64, length);
}
