//! The daemon while the disk hangs at a file of one run.

use rstest::rstest;
use rustix::process::Signal;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use tripbench_tests::command::{Simulated, Workplace, quick};
use tripbench_tests::daemon::Daemon;
use tripbench_tests::hosted::{faulty, hangs, hangs_no_more};

const RIG: &str = "goods-in-1";
const OTHER: &str = "goods-in-9";

/// A daemon that gives the disk little time, with two rigs at simulated modules.
fn two_rigs(workplace: &Workplace) -> (Simulated, Simulated, Daemon) {
    let other = workplace.read("rig.toml").replace("name = \"goods-in-1\"", "name = \"goods-in-9\"");
    workplace.write("other.toml", &other);
    workplace.write("impatient", "");
    let modules = (Simulated::start(workplace), Simulated::of(workplace, "other.toml"));
    let daemon = serve(workplace);
    daemon.until(RIG, idle);
    daemon.until(OTHER, idle);
    (modules.0, modules.1, daemon)
}

fn serve(workplace: &Workplace) -> Daemon {
    Daemon::of(workplace, faulty(workplace, env!("CARGO_BIN_EXE_faulty-daemon")))
}

fn idle(state: &Value) -> bool {
    state["doing"] == "idle"
}

fn over(state: &Value) -> bool {
    idle(state) && state["run"]["over"] == true
}

fn has_no_record(state: &Value) -> bool {
    idle(state) && state["failed"]["kind"] == "no-record"
}

/// Starts a run of a rig; its identifier, once it runs.
fn begin(daemon: &Daemon, rig: &str, serial: &str) -> String {
    assert_eq!(daemon.start_round(rig, &[(1, serial)]).status, 201);
    let state = daemon.until(rig, |state| state["run"]["steps"][0]["now"] == "running");
    state["run"]["run"].as_str().expect("a run").to_owned()
}

/// Stops the run of a rig: aborted is a verdict too, and comes sooner.
fn stop(daemon: &Daemon, rig: &str) {
    assert_eq!(daemon.send("POST", &format!("/api/v1/rigs/{rig}/stop"), &json!({})).status, 202);
}

/// Folder of a run.
fn folder(workplace: &Workplace, run: &str) -> PathBuf {
    let folders = std::fs::read_dir(workplace.folder.join("runs")).expect("runs").flatten();
    let tail = run.rsplit('-').next().expect("a name").to_owned();
    let is_its = |path: &PathBuf| path.to_string_lossy().ends_with(&tail);
    folders.map(|entry| entry.path()).find(is_its).expect("a folder of the run")
}

/// The runs that are listed.
fn listed(daemon: &Daemon) -> Vec<String> {
    let runs = daemon.get("/api/v1/runs").json();
    let run = |run: &Value| run["run"].as_str().expect("a run").to_owned();
    runs.as_array().expect("a list").iter().map(run).collect()
}

/// Whatever file the disk hangs at: nobody waits for it who asks for something else, least of all STOP TEST; the rig takes its next run, and
/// the record is made once it can.
#[rstest]
fn live_a_disk_that_hangs_at_a_record_holds_nothing_else(
    #[values("run.journal", "trace.csv", "report.html", "record.json", "listed")] file: &str,
    #[values(RIG, OTHER)] hung: &str,
) {
    let workplace = quick();
    let (_rig, _other, daemon) = two_rigs(&workplace);
    let moving = if hung == RIG { OTHER } else { RIG };
    let owed = begin(&daemon, hung, "A-1");
    begin(&daemon, moving, "B-1");
    let at = folder(&workplace, &owed).join(file);
    hangs(&at);
    stop(&daemon, hung);
    daemon.until(hung, |state| state["run"]["safe"] == true);
    // More often than there are threads for it.
    for path in ["runs", "runs?serial=A-1", "runs?after=1", "rigs", "health", "runs/none", "../../metrics"] {
        for _ in 0..3 {
            let answer = daemon.get(&format!("/api/v1/{path}"));
            assert!([200, 404, 503].contains(&answer.status), "{path}: {}", answer.text);
        }
    }
    daemon.until(hung, has_no_record);
    let health = daemon.get("/api/v1/health");
    assert!(health.status == 503 && health.text.contains(&owed), "{}", health.text);
    assert!(!listed(&daemon).contains(&owed));
    // The other rig has its record, and so has the next run of this one.
    stop(&daemon, moving);
    daemon.until(moving, over);
    let next = begin(&daemon, hung, "A-2");
    stop(&daemon, hung);
    daemon.until(hung, over);
    assert!(listed(&daemon).contains(&next));
    hangs_no_more(&at);
    let state = daemon.until(hung, |state| state["owed"] == json!([]));
    assert_eq!(state["run"]["run"], next, "{state}");
    let runs = listed(&daemon);
    assert_eq!(runs.iter().filter(|run| **run == owed).count(), 1, "{runs:?}");
    assert_eq!(daemon.get(&format!("/api/v1/runs/{owed}")).status, 200);
    assert_eq!(daemon.get("/api/v1/health").status, 200);
}

/// The record is made at the next start.
#[rstest]
fn live_a_disk_that_hangs_at_a_record_holds_not_the_end(
    #[values("run.journal", "record.json", "listed")] file: &str,
    #[values(false, true)] is_given_up: bool,
) {
    let workplace = quick();
    let (_rig, _other, mut daemon) = two_rigs(&workplace);
    let owed = begin(&daemon, RIG, "A-1");
    let at = folder(&workplace, &owed).join(file);
    hangs(&at);
    stop(&daemon, RIG);
    daemon.until(RIG, |state| if is_given_up { has_no_record(state) } else { state["run"]["safe"] == true });
    daemon.signal(Signal::TERM);
    assert_eq!(daemon.wait().code(), Some(0), "both rigs are safe");
    hangs_no_more(&at);
    let daemon = serve(&workplace);
    let state = daemon.until(RIG, over);
    assert!(state["run"]["tiles"][0]["verdict"].is_string(), "{state}");
    assert_eq!(listed(&daemon), [owed]);
}

/// Somebody has put a pipe, or a link to something else, in the place of a file: it is not the file, and nobody waits for it.
#[rstest]
fn live_what_lies_in_the_place_of_a_file_is_not_taken_for_it(
    #[values("pipe", "link")] what: &str,
    #[values("run.journal", "record.json", "listed")] file: &str,
) {
    let workplace = quick();
    let (_rig, _other, daemon) = two_rigs(&workplace);
    let run = begin(&daemon, RIG, "A-1");
    let (at, victim) = (folder(&workplace, &run).join(file), workplace.folder.join("victim"));
    let kept = (file == "run.journal").then(|| at.with_extension("kept"));
    if let Some(kept) = &kept {
        std::fs::rename(&at, kept).expect("a journal");
    }
    workplace.write("victim", "untouched");
    lay(what, &victim, &at);
    stop(&daemon, RIG);
    if let Some(kept) = kept {
        daemon.until(RIG, has_no_record);
        std::fs::rename(kept, &at).expect("a journal");
    }
    let state = daemon.until(RIG, over);
    assert_eq!((&state["failed"], &state["owed"]), (&Value::Null, &json!([])), "{state}");
    assert!(at.symlink_metadata().expect("a file").is_file());
    assert_eq!(workplace.read("victim"), "untouched");
    assert_eq!(daemon.get(&format!("/api/v1/runs/{run}")).status, 200);
}

/// Lays a pipe or a link in the place of a file.
fn lay(what: &str, to: &Path, at: &Path) {
    if what == "link" {
        std::os::unix::fs::symlink(to, at).expect("a link");
    } else {
        assert!(std::process::Command::new("mkfifo").arg(at).status().expect("coreutils").success());
    }
}
