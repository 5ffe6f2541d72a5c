//! The daemon keeps to the module of a rig: another device that gets the path of its port is not made safe in its place.

use crate::serial::{evacuates, order};
use rstest::rstest;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::time::Duration;
use tripbench_link::{Clock, Link, ModuleWire, StopLatch};
use tripbench_rig::{Air, RigSheet, SerialTiming};
use tripbench_simulator::{RtuServer, SerialPace, SimulatedBench, Truth, serve_serial};
use tripbench_tests::command::{Workplace, quick};
use tripbench_tests::daemon::Daemon;
use tripbench_tests::good;
use tripbench_tests::hosted::wait;
use tripbench_tests::line::{port_path, serial_link};

const RIG: &str = "goods-in-1";
/// Longer than three looks at a rig at rest.
const LOOKS: Duration = Duration::from_millis(2_500);

/// A workplace whose rig is at a serial port.
fn at_port(path: &Path) -> Workplace {
    let workplace = quick();
    workplace.change("rig.toml", "tcp = \"127.0.0.1:1502\"", &serial_link(&path.to_string_lossy(), 115_200));
    workplace
}

/// A module with the rig's devices at a port. It keeps its outputs without a master.
fn module(workplace: &Workplace, path: &Path) -> RtuServer {
    let rig = good(&workplace.read("rig.toml"), RigSheet::read);
    let mut truth = good(&workplace.read("truth.toml"), |reader| Truth::read(reader, &rig));
    truth.module.loss_of_master_s = None;
    let pace = SerialPace { timing: Some(SerialTiming::at(115_200)), slave: Duration::ZERO };
    let server = serve_serial(SimulatedBench::new(&rig, truth), pace).expect("a pseudo-terminal");
    symlink(server.port().expect("a port"), path).expect("a link");
    server
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

fn until_evacuates(daemon: &Daemon, server: &RtuServer) {
    for _ in 0..2_000 {
        if evacuates(server) {
            return;
        }
        wait(Duration::from_millis(10));
    }
    panic!("the run does not evacuate: {}", daemon.rig(RIG));
}

/// The module disappears, and another one gets the path of its port. In a run its outputs may be open, so nothing is sent to the other one,
/// until the daemon is started again. At rest they were safe: a replaced adapter is used, and made safe first.
#[rstest]
#[case::in_a_run(true)]
#[case::at_rest(false)]
fn live_another_device_is_not_made_safe_in_place_of_the_module(#[case] in_a_run: bool) {
    let path = port_path();
    let workplace = at_port(&path);
    let first = module(&workplace, &path);
    let mut daemon = Daemon::start(&workplace);
    daemon.until(RIG, |state| state["doing"] == "idle");
    if in_a_run {
        assert_eq!(daemon.start_round(RIG, &[(1, "A-1")]).status, 201);
        until_evacuates(&daemon, &first);
    }
    // Nothing answers until the other module evacuates: the daemon sees only that.
    drop(first);
    drop(std::fs::remove_file(&path));
    let elsewhere = port_path();
    let second = module(&workplace, &elsewhere);
    evacuate(&good(&at_port(&elsewhere).read("rig.toml"), RigSheet::read));
    assert!(evacuates(&second), "it evacuates before the daemon can reach it");
    std::fs::rename(&elsewhere, &path).expect("the link");
    if in_a_run {
        daemon.until(RIG, |state| state["doing"] != "running");
        wait(LOOKS);
        assert!(evacuates(&second), "written to another device");
        assert_ne!(daemon.rig(RIG)["doing"], "idle");
        daemon.signal(rustix::process::Signal::TERM);
        assert!(!daemon.wait().success(), "it is not confirmed that the outputs of the module are safe");
        assert!(evacuates(&second), "written to another device at the end");
        let _again = Daemon::start(&workplace);
        wait(LOOKS);
    } else {
        daemon.until(RIG, |state| state["doing"] == "idle" && !evacuates(&second));
    }
    assert!(!evacuates(&second), "the rig is what its sheet names");
    drop(std::fs::remove_file(&path));
}

/// A terminal or any other program that locks its port, so that nobody else can write to it. It may have left an output open, or the last
/// daemon has: the outputs are not confirmed safe until it lets go.
#[rstest]
fn live_a_port_that_another_program_has_locked_is_in_doubt_until_it_lets_go(
    #[values("lets go", "keeps it", "not served")] what: &str,
) {
    let path = port_path();
    let workplace = at_port(&path);
    let server = module(&workplace, &path);
    evacuate(&good(&workplace.read("rig.toml"), RigSheet::read));
    let held = std::fs::File::options().read(true).write(true).open(&path).expect("it opens");
    held.lock().expect("nobody else has it");
    if what == "not served" {
        workplace.write(
            "bench.toml",
            "listen = \"0.0.0.0:0\"\nruns = \"runs\"\n\n[[rig]]\nsheet = \"rig.toml\"\n",
        );
        let said = workplace.run("serve --bench bench.toml");
        assert_eq!(said.code, Some(2), "{}", said.err);
        assert!(said.err.contains("open in another program"), "{}", said.err);
        assert!(said.err.contains("NOT confirmed safe"), "{}", said.err);
    } else {
        let mut daemon = Daemon::start(&workplace);
        let state = daemon.until(RIG, |state| state["doing"] == "not-ready");
        let why = state["problem"].as_str().expect("a reason");
        assert!(why.contains("open in another program") && !why.contains("another tripbench"), "{why}");
        let lets_go = what == "lets go";
        if lets_go {
            drop(held);
            daemon.until(RIG, |state| state["doing"] == "idle");
            assert!(!evacuates(&server));
        }
        daemon.signal(rustix::process::Signal::TERM);
        assert_eq!(daemon.wait().code(), Some(if lets_go { 0 } else { 4 }));
    }
    drop(std::fs::remove_file(&path));
}
