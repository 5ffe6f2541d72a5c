//! The question for the module's identification, in the one loop of real and virtual runs, with faults of the wire.

use rstest::rstest;
use std::time::Duration;
use tripbench_link::Clock;
use tripbench_record::{Event, EventKind, Halt, RunHeader};
use tripbench_rig::Doubt;
use tripbench_tests::Bench;
use tripbench_tests::line::with_wire;
use tripbench_tests::virtual_line::{OnLine, Trouble, VirtualLine, When, run_over};

const SCRIPT: &str =
    "name = \"short\"\n[[step]]\ndo = \"drive\"\nair = \"vent\"\n[[step]]\ndo = \"hold\"\ntime = \"1 s\"\n";

/// Header and halts of a short run, its line, and whether it ended with safe outputs.
fn run(wire: &str, trouble: Option<(u64, Trouble)>) -> (RunHeader, Vec<Halt>, VirtualLine, bool) {
    let demo = Bench::demo();
    let bench = Bench { rig: with_wire(&demo.rig, wire), script: SCRIPT.to_owned(), ..demo };
    let task = bench.task();
    let clock = Clock::in_virtual_time();
    let troubles = trouble.map(|(number, trouble)| (When::Request(number), trouble)).into_iter().collect();
    let line = VirtualLine::new(&task.sheets.rig, bench.truth.clone(), &clock, troubles);
    let events: Vec<Event> = run_over(&line, &clock, task, OnLine::default());
    let header = events.iter().find_map(|event| {
        let EventKind::Started(header) = &event.kind else { return None };
        Some(RunHeader::clone(header))
    });
    let halts = events.iter().filter_map(|event| {
        let EventKind::Halted(halt) = &event.kind else { return None };
        Some(halt.clone())
    });
    let safe = events.iter().any(|event| event.kind == EventKind::Safe);
    (header.expect("a header"), halts.collect(), line, safe)
}

/// Only the identification is missing; nothing else of the run is different. Before an order nothing has been sent but safe values.
#[rstest]
#[case::silence(Trouble::LostRequest)]
#[case::lost(Trouble::LostAnswer)]
#[case::late(Trouble::LateAnswer(Duration::from_millis(300)))]
#[case::late_request(Trouble::LateRequest(Duration::from_millis(300)))]
#[case::short(Trouble::Short)]
#[case::cut_off(Trouble::CutOff)]
#[case::foreign_unit(Trouble::ForeignUnit)]
#[case::foreign(Trouble::ForeignTransaction)]
#[case::corrupt(Trouble::Corrupt(20))]
#[case::refused(Trouble::Refused(1))]
#[case::busy(Trouble::Refused(6))]
#[case::reset(Trouble::Reset)]
#[case::frozen(Trouble::Frozen(Duration::from_millis(400)))]
fn a_module_that_can_not_be_identified_is_run_all_the_same(
    #[values(
        "tcp = \"127.0.0.1:1502\"",
        "serial = \"/dev/ttyS0\"\nbaud = 115200",
        "serial = \"/dev/ttyS0\"\nbaud = 9600",
        "rtu_over_tcp = \"127.0.0.1:4001\""
    )]
    wire: &str,
    #[case] trouble: Trouble,
) {
    let (header, halts, line, safe) = run(wire, None);
    assert!(header.module.as_ref().is_some_and(tripbench_rig::Identification::is_simulator), "{header:?}");
    assert!(halts.is_empty() && safe);
    let asked = line.identified_at().expect("it is asked for");
    let (header, halts, line, safe) = run(wire, Some((asked, trouble)));
    assert_eq!((line.identified_at(), line.troubled().len()), (Some(asked), 1));
    // The time for the longest answer at 9600 baud is longer than this one is late.
    let in_time =
        wire.contains("9600") && matches!(trouble, Trouble::LateAnswer(_) | Trouble::LateRequest(_));
    assert_eq!((header.module.is_some(), safe), (in_time, true), "{trouble:?}");
    // A module that is frozen for longer than it may take to answer does not answer the safe values either.
    let frozen = matches!(trouble, Trouble::Frozen(_)) && halts == [Halt::Doubt(Doubt::Late)];
    assert!(halts.is_empty() || frozen, "{trouble:?}: {halts:?}");
    let outputs = line.was_safe();
    assert!(outputs.last().is_some_and(|(_, safe)| *safe), "{outputs:?}");
}
