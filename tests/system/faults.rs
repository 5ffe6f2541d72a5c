//! A daemon that is killed, frozen or fails in the middle of a run, and a stop while everything else hangs. The module is simulated in
//! this process, so that its coils can be read whatever the daemon does.

use rstest::rstest;
use rustix::process::Signal;
use serde_json::{Value, json};
use std::time::Duration;
use tripbench_tests::command::{Simulated, Workplace, quick};
use tripbench_tests::daemon::Daemon;
use tripbench_tests::hosted::{Hosted, faulty, stated_stop, takes_up_to, wait};

const RIG: &str = "goods-in-1";
/// Time by which the coils are off, by the daemon or by the module's loss-of-master timeout of 2 s.
const OFF_WITHIN: Duration = Duration::from_secs(3);

fn serve(workplace: &Workplace) -> Daemon {
    Daemon::of(workplace, faulty(workplace, env!("CARGO_BIN_EXE_faulty-daemon")))
}

fn idle(state: &Value) -> bool {
    state["doing"] == "idle"
}

/// Starts a run and waits until it pulls vacuum.
fn pulling(daemon: &Daemon, module: &Hosted) {
    daemon.until(RIG, idle);
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1"), (3, "A-3")]).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][1]["now"] == "running");
    module.until_pulls(true);
}

/// Checks that the page shows an aborted run with the reason, that the outputs are safe, and that the record agrees.
fn aborted(daemon: &Daemon) -> Value {
    let state = daemon.until(RIG, |state| idle(state) && state["run"]["over"] == true);
    let tiles = state["run"]["tiles"].as_array().expect("tiles");
    assert!(tiles.len() == 2 && tiles.iter().all(|tile| tile["verdict"] == "aborted"), "{state}");
    assert!(state["run"]["halted"]["text"].is_string(), "{state}");
    assert_eq!(state["outputs_safe"], true);
    let run = state["run"]["run"].as_str().expect("a run");
    let record = daemon.get(&format!("/api/v1/runs/{run}")).json();
    let positions = record["positions"].as_array().expect("positions");
    assert!(positions.len() == 2 && positions.iter().all(|position| position["verdict"] == "aborted"));
    state
}

/// How a daemon fails during a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Grief {
    Signal(Signal),
    Panic,
    Loop,
}

#[rstest]
#[case::sigterm(Grief::Signal(Signal::TERM), "told to end")]
#[case::sigkill(Grief::Signal(Signal::KILL), "ended before the run did")]
#[case::sigstop(Grief::Signal(Signal::STOP), "passed between two scans")]
#[case::panic(Grief::Panic, "the rig's thread ended by itself")]
#[case::endless_loop(Grief::Loop, "ended before the run did")]
fn the_coils_are_off_within_3_s_and_the_run_is_aborted(#[case] grief: Grief, #[case] why: &str) {
    let workplace = quick();
    let module = Hosted::start(&workplace, "rig.toml");
    let mut daemon = serve(&workplace);
    pulling(&daemon, &module);
    match grief {
        Grief::Signal(signal) => daemon.signal(signal),
        Grief::Panic => workplace.write("panics", ""),
        Grief::Loop => workplace.write("loops", ""),
    }
    wait(OFF_WITHIN);
    assert!(!module.pulls_within(Duration::from_millis(1_500)), "vacuum is pulled 3 s after {grief:?}");
    let ends = match grief {
        Grief::Signal(Signal::STOP) => {
            daemon.signal(Signal::CONT);
            false
        }
        // A run's thread that panics takes nothing else down; one that loops can only be ended together with its process.
        Grief::Panic => false,
        Grief::Signal(_) | Grief::Loop => true,
    };
    for trouble in ["panics", "loops"] {
        drop(std::fs::remove_file(workplace.folder.join(trouble)));
    }
    if ends {
        // A process that loops has to end by itself: nothing else ends it.
        assert!(daemon.has_ended());
        drop(daemon);
        daemon = serve(&workplace);
    }
    let state = aborted(&daemon);
    let halted = state["run"]["halted"]["text"].as_str().expect("why");
    assert!(halted.to_lowercase().contains(why), "{halted}");
    // The next run starts.
    assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
    daemon.until(RIG, |state| state["run"]["steps"][0]["now"] == "done");
}

/// What hangs while a rig is stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Beside {
    Nothing,
    Module,
    Thread,
}

/// The stop takes no longer than `rig check` states.
#[rstest]
#[case::nothing_hangs(Beside::Nothing)]
#[case::the_disk_a_stream_and_a_module(Beside::Module)]
#[case::the_disk_a_stream_and_a_thread(Beside::Thread)]
fn stop_test_takes_what_rig_check_states_whatever_hangs(#[case] beside: Beside) {
    let workplace = quick();
    let other = workplace.read("rig.toml").replace("name = \"goods-in-1\"", "name = \"goods-in-9\"");
    workplace.write("other.toml", &other);
    let module = Hosted::start(&workplace, "rig.toml");
    let stated = stated_stop(&module.rig, Duration::from_secs(3));
    let neighbour = Simulated::of(&workplace, "other.toml");
    let daemon = serve(&workplace);
    daemon.until("goods-in-9", idle);
    assert_eq!(daemon.start_round("goods-in-9", &[(1, "B-1")]).status, 201);
    // Pages that no longer read their streams.
    let _streams: Vec<_> = (0..6).map(|_| daemon.stream_unread("/api/v1/watch")).collect();
    pulling(&daemon, &module);
    // At the beginning of a pull, so that it does not end by itself before the stop.
    module.until_pulls(false);
    module.until_pulls(true);
    match beside {
        Beside::Nothing => {}
        Beside::Module => {
            workplace.write("disk-hangs", "");
            neighbour.freeze();
        }
        Beside::Thread => {
            workplace.write("disk-hangs", "");
            workplace.write("loops", "");
        }
    }
    wait(Duration::from_millis(100));
    assert!(module.pulls());
    // A request takes its time before the daemon has it, on a busy computer several milliseconds.
    let there_and_back = takes_up_to(|| {
        assert_eq!(daemon.send("POST", "/api/v1/rigs/none/stop", &json!({})).status, 404);
    });
    let stopped = std::thread::scope(|scope| {
        let asked = scope.spawn(|| daemon.send("POST", &format!("/api/v1/rigs/{RIG}/stop"), &json!({})));
        let took = module.until_pulls(false);
        assert_eq!(asked.join().expect("an answer").status, 202);
        took
    });
    assert!(
        stopped <= stated + there_and_back,
        "stopped after {stopped:?}, rig check states {stated:?}, a request takes up to {there_and_back:?}"
    );
    assert!(!module.pulls_within(Duration::from_secs(1)));
    for trouble in ["disk-hangs", "loops"] {
        drop(std::fs::remove_file(workplace.folder.join(trouble)));
    }
}
