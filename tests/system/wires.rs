//! Every step, every way of moving air and a person's hand over every wire, byte for byte, in virtual time: `links` shows the same for
//! one short run in real time.

use rstest::rstest;
use tripbench_record::{CheckVerdict, QuantityName, Verdict};
use tripbench_rig::{Air, Order, Query, Request, RigSheet};
use tripbench_tests::line::with_wire;
use tripbench_tests::ways::{by_hand, in_holding_registers, one_by_one, script, with_everything};
use tripbench_tests::{Bench, Outcome, good, sheet_text};

const TCP: &str = "tcp = \"127.0.0.1:1502\"";
const SERIAL: &str = "serial = \"/dev/ttyS0\"\nbaud = 115200\nparity = \"even\"";
const CONVERTER: &str = "rtu_over_tcp = \"127.0.0.1:4001\"";

const EVERYTHING: &str = "name = \"everything\"\nrevision = \"1\"\nstate = \"released\"\n\
    [[step]]\ndo = \"zero\"\n[[step]]\ndo = \"leak\"\n\
    [[step]]\ndo = \"switch-points\"\ncycles = 2\nway = \"full-flow\"\n\
    [[step]]\ndo = \"switch-points\"\ncycles = 1\nway = \"regulated\"\n\
    [[step]]\ndo = \"switch-points\"\ncycles = 1\nway = \"pulses\"\n\
    [[step]]\ndo = \"switch-points\"\ncycles = 2\nway = \"throttled\"\n\
    [[step]]\ndo = \"response\"\noperations = 2\nlimit = \"80 ms\"\n\
    [[step]]\ndo = \"air-saving\"\ncycles = 2\ndrive = \"through-rig\"\n\
    [[step]]\ndo = \"air-saving\"\ncycles = 2\ndrive = \"by-wire\"\n\
    [[step]]\ndo = \"drive\"\nair = \"evacuate\"\n\
    [[step]]\ndo = \"wait-until\"\nlevel = \"20 kPa\"\n\
    [[step]]\ndo = \"hold\"\ntime = \"200 ms\"\n\
    [[step]]\ndo = \"ask\"\ntext = \"Go on?\"\n\
    [[step]]\ndo = \"leak\"\n[[step]]\ndo = \"zero\"\n";

/// Verdicts of a quantity at a position, one for each step that has it.
fn verdicts(outcome: &Outcome, position: u8, quantity: QuantityName) -> Vec<CheckVerdict> {
    let checks =
        outcome.record.positions.iter().filter(|one| one.number == position).flat_map(|one| &one.checks);
    checks.filter(|check| check.quantity == quantity).map(|check| check.verdict).collect()
}

/// The demo's devices at positions 1 and 3 of a rig on the given wire.
fn bench(rig: &str, wire: &str, steps: &str) -> Bench {
    let rig = with_wire(rig, wire);
    Bench { rig, script: steps.to_owned(), positions: vec![1, 3], ..Bench::demo() }
}

#[rstest]
fn every_step_and_every_way_of_moving_air_works_on_every_wire(#[values(TCP, SERIAL, CONVERTER)] wire: &str) {
    let outcome = bench(&with_everything(), wire, EVERYTHING).run_over_its_wire();
    assert_eq!((outcome.record.safe_confirmed, &outcome.record.halted), (true, &None));
    let holds = |quantity: QuantityName, steps: usize| {
        let mut expected = vec![CheckVerdict::Pass; steps];
        // At scans of 15 ms full flow alone does not show which delay is selected: its levels are left undecided there.
        if wire == SERIAL && steps > 2 {
            expected[0] = CheckVerdict::Undecided;
        }
        assert_eq!(verdicts(&outcome, 1, quantity), expected, "{quantity} on {wire}");
    };
    holds(QuantityName::SwitchPoint, 4);
    holds(QuantityName::ResetPoint, 4);
    holds(QuantityName::ResponseOn, 1);
    holds(QuantityName::ResponseOff, 1);
    // Twice while the device drives the valve, and in the four ways before.
    holds(QuantityName::CutOff, 6);
    holds(QuantityName::LeastDeepLevel, 2);
    assert_eq!(verdicts(&outcome, 3, QuantityName::SwitchPoint)[1..], [CheckVerdict::Fail; 3], "{wire}");
}

/// A module that supports few functions: the same verdicts, and no other function is requested.
#[rstest]
fn a_module_that_knows_few_functions_is_asked_for_no_other(
    #[values(TCP, SERIAL, CONVERTER)] wire: &str,
    #[values((false, true, vec![1, 2, 4, 5]), (true, false, vec![3, 16]), (true, true, vec![3, 6]))] module: (
        bool,
        bool,
        Vec<u8>,
    ),
) {
    let (registers, single, knows) = module;
    let mut rig = sheet_text("rigs/goods-in-1.toml");
    if registers {
        rig = in_holding_registers(&rig);
    }
    if single {
        rig = one_by_one(&rig);
    }
    let (outcome, functions) = bench(&rig, wire, &sheet_text("scripts/goods-in.toml")).run_with_functions();
    let verdicts: Vec<Verdict> = outcome.record.positions.iter().map(|one| one.verdict).collect();
    assert_eq!((verdicts, functions), (vec![Verdict::Pass, Verdict::Fail], knows));
    assert!(outcome.record.safe_confirmed);
}

/// Whether a write turns something on.
fn turns_on(query: &Query) -> bool {
    match &query.request {
        Request::Read { .. } => false,
        Request::WriteCoils { states, .. } => states.contains(&true),
        Request::WriteRegisters { values, .. } => values.iter().any(|value| *value != 0),
        Request::WriteCoil { state, .. } => *state,
        Request::WriteRegister { value, .. } => *value != 0,
    }
}

/// Where an order takes several requests, none of them opens a valve while another valve still has to be shut.
#[rstest]
fn what_only_turns_off_is_written_before_what_turns_on(
    #[values(false, true)] single: bool,
    #[values(
        Order::Safe,
        Order::Powered(Air::Rest),
        Order::Powered(Air::Evacuate),
        Order::Powered(Air::EvacuateFine),
        Order::Powered(Air::Bleed),
        Order::Powered(Air::Vent),
        Order::Regulated(60_000),
        Order::HandedOver { position: 3, air: Air::Hold }
    )]
    order: Order,
) {
    let rig = with_everything();
    let rig = good(&if single { one_by_one(&rig) } else { rig }, RigSheet::read);
    let on: Vec<bool> = rig.writes(&rig.image_of(order)).iter().map(turns_on).collect();
    assert!(on.is_sorted(), "{on:?}");
    assert!(on.contains(&true) && on.len() > if single { 8 } else { 1 }, "{on:?}");
}

/// Goods-in by hand; the simulated hand follows the run's guide.
#[rstest]
fn a_person_who_follows_the_guide_is_enough_on_every_wire(#[values(TCP, SERIAL, CONVERTER)] wire: &str) {
    let outcome = bench(&by_hand(), wire, &script("by-hand")).run_over_its_wire();
    let verdicts: Vec<Verdict> = outcome.record.positions.iter().map(|one| one.verdict).collect();
    assert_eq!(verdicts, [Verdict::Pass, Verdict::Fail], "{wire}");
    assert!(outcome.record.safe_confirmed);
}
