//! The daemon keeps to the module of a rig: another device that gets the path of its port is not made safe in its place.

use crate::serial::{evacuates, order, rig};
use rstest::rstest;
use std::time::Duration;
use tripbench_link::{Clock, Link, ModuleWire, StopLatch};
use tripbench_rig::{Air, RigSheet};
use tripbench_simulator::RtuServer;
use tripbench_tests::command::{Workplace, quick};
use tripbench_tests::daemon::Daemon;
use tripbench_tests::hosted::wait;
use tripbench_tests::line::{LineKind, port_path, serial_link};

const RIG: &str = "goods-in-1";
/// Longer than three looks at a rig at rest.
const LOOKS: Duration = Duration::from_millis(2_500);

/// A daemon with a rig at a serial port.
fn serve(path: &std::path::Path) -> (Workplace, Daemon) {
    let workplace = quick();
    workplace.change("rig.toml", "tcp = \"127.0.0.1:1502\"", &serial_link(&path.to_string_lossy(), 115_200));
    let daemon = Daemon::start(&workplace);
    daemon.until(RIG, |state| state["doing"] == "idle");
    (workplace, daemon)
}

/// Evacuates with the module that now has the path, as its own master would.
fn evacuate(sheet: &RigSheet) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let wire = ModuleWire::of(&sheet.link).expect("an address");
        let mut link = Link::new(wire, Clock::start(), StopLatch::armed(), sheet);
        link.make_safe(sheet).await.expect("safe");
        link.carry_out(&order(Air::Evacuate), sheet).await.expect("evacuates");
    });
}

fn until_evacuates(server: &RtuServer) {
    for _ in 0..2_000 {
        if evacuates(server) {
            return;
        }
        wait(Duration::from_millis(10));
    }
    panic!("the run does not evacuate");
}

/// The module disappears, and another one gets the path of its port. In a run its outputs may be open, so nothing is sent to the other one,
/// until the daemon is started again. At rest they were safe: a replaced adapter is used, and made safe first.
#[rstest]
#[case::in_a_run(true)]
#[case::at_rest(false)]
fn live_another_device_is_not_made_safe_in_place_of_the_module(#[case] in_a_run: bool) {
    let path = port_path();
    let first = rig(LineKind::Serial, &path);
    let (workplace, mut daemon) = serve(&path);
    if in_a_run {
        assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
        until_evacuates(&first.server);
    }
    // Nothing answers until the other module evacuates: the daemon sees only that.
    drop(first);
    drop(std::fs::remove_file(&path));
    let elsewhere = port_path();
    let second = rig(LineKind::Serial, &elsewhere);
    evacuate(&second.sheet);
    assert!(evacuates(&second.server), "it evacuates before the daemon can reach it");
    std::fs::rename(&elsewhere, &path).expect("the link");
    if in_a_run {
        daemon.until(RIG, |state| state["doing"] != "running");
        wait(LOOKS);
        assert!(evacuates(&second.server), "written to another device");
        assert_ne!(daemon.rig(RIG)["doing"], "idle");
        daemon.signal(rustix::process::Signal::TERM);
        assert!(!daemon.wait().success(), "it is not confirmed that the outputs of the module are safe");
        assert!(evacuates(&second.server), "written to another device at the end");
        let _again = Daemon::start(&workplace);
        wait(LOOKS);
    } else {
        daemon.until(RIG, |state| state["doing"] == "idle" && !evacuates(&second.server));
    }
    assert!(!evacuates(&second.server), "the rig is what its sheet names");
    drop(std::fs::remove_file(&path));
}
