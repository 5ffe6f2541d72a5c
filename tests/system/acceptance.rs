//! The demo's run in virtual time, with and without faults.

use rstest::rstest;
use tripbench_record::{
    CheckVerdict, EventKind, Halt, Mark, QuantityName, Record, Segment, SetAsideReason, Verdict,
    canonical_json,
};
use tripbench_rig::Order;
use tripbench_simulator::{DeviceFault, Effect, Fault, Trigger};
use tripbench_tests::ways::{script, with_loop};
use tripbench_tests::{Bench, Outcome, sheet_text};

fn verdicts(outcome: &Outcome) -> Vec<Verdict> {
    outcome.record.positions.iter().map(|position| position.verdict).collect()
}

fn with_fault(when: Trigger, effect: Effect) -> Outcome {
    let mut bench = Bench::demo();
    bench.truth.faults.push(Fault { when, effect });
    bench.run()
}

/// The first rise of the level belongs to the leak step, so cycle `n` is the rise number `n + 1` through a level.
fn in_cycle(cycle: u32, level_pa: f64) -> Trigger {
    Trigger::RisingThrough { level_pa, time: cycle + 1 }
}

const EXPECTED: [Verdict; 4] = [Verdict::Pass, Verdict::Pass, Verdict::Fail, Verdict::Pass];

#[test]
fn three_good_devices_pass_and_the_one_that_is_off_fails() {
    let outcome = Bench::demo().run();
    assert_eq!(verdicts(&outcome), EXPECTED);
    assert_eq!(outcome.record.halted, None);
    assert!(outcome.record.safe_confirmed);
    let off = outcome.record.positions[2].decided_by().expect("a check decided");
    assert_eq!((off.quantity, off.verdict), (QuantityName::SwitchPoint, CheckVerdict::Fail));
}

#[test]
fn the_same_seed_gives_the_same_record() {
    let bytes = |outcome: &Outcome| canonical_json(&outcome.record).expect("json");
    assert_eq!(bytes(&Bench::demo().run()), bytes(&Bench::demo().run()));
}

#[rstest]
#[case(1, 57_000.0)]
#[case(3, 57_000.0)]
#[case(3, 64_000.0)]
#[case(5, 52_500.0)]
fn a_plug_pulled_in_a_ramp_sets_one_position_aside_and_leaves_the_others(
    #[case] cycle: u32,
    #[case] level_pa: f64,
) {
    let outcome = with_fault(in_cycle(cycle, level_pa), Effect::PullPlug(2));
    assert_eq!(verdicts(&outcome), [Verdict::Pass, Verdict::Aborted, Verdict::Fail, Verdict::Pass]);
    let aside = outcome.record.positions[1].set_aside.as_ref().expect("set aside");
    assert_eq!(aside.why, SetAsideReason::Unplugged);
    assert!((aside.level.si() - level_pa).abs() < 1_000.0, "{aside:?}");
    assert!(aside.at.seconds() > 10.0);
}

#[test]
fn without_a_plug_input_a_device_that_stops_answering_is_set_aside_too() {
    let mut bench = Bench::demo();
    bench.rig = bench.rig.replace("present = {", "# present = {");
    bench.truth.faults.push(Fault { when: in_cycle(3, 57_000.0), effect: Effect::PullPlug(2) });
    let outcome = bench.run();
    assert_eq!(verdicts(&outcome), [Verdict::Pass, Verdict::Aborted, Verdict::Fail, Verdict::Pass]);
    let aside = outcome.record.positions[1].set_aside.as_ref().expect("set aside");
    assert_eq!(aside.why, SetAsideReason::StoppedAnswering);
}

#[rstest]
#[case(Trigger::At(0.0))]
#[case(Trigger::At(8.0))]
#[case(in_cycle(1, 57_000.0))]
#[case(in_cycle(3, 68_000.0))]
#[case(in_cycle(5, 71_000.0))]
fn with_a_hose_off_nothing_passes(#[case] when: Trigger) {
    let outcome = with_fault(when, Effect::PullHose);
    assert!(!verdicts(&outcome).contains(&Verdict::Pass), "{:?}", verdicts(&outcome));
    assert!(outcome.record.safe_confirmed);
}

#[test]
fn a_hose_that_comes_off_just_before_the_last_reset_point_never_leaves_a_pass() {
    let whole = Bench::demo().run();
    let crossings = &whole.record.positions[0].checks[1].crossings;
    let last_reset = crossings.iter().rfind(|crossing| !crossing.fast).expect("a crossing").earliest_s;
    for before_s in [0.02, 0.1, 0.2, 0.4, 0.8, 1.5] {
        let outcome = with_fault(Trigger::At(last_reset - before_s), Effect::PullHose);
        assert!(
            !verdicts(&outcome).contains(&Verdict::Pass),
            "{before_s} s before: {:?}",
            verdicts(&outcome)
        );
    }
}

#[test]
fn a_frozen_reference_is_not_believed_for_long() {
    for time_s in [7.0, 16.5, 20.0, 30.0] {
        let outcome = with_fault(Trigger::At(time_s), Effect::ReferenceFrozen);
        assert_eq!(verdicts(&outcome), [Verdict::Aborted; 4]);
        assert!(matches!(outcome.record.halted, Some(Halt::Reference { .. })), "{:?}", outcome.record.halted);
        let stopped = outcome.lasted.seconds() - time_s;
        assert!(stopped < 6.0, "stopped {stopped} s after it froze");
    }
}

/// Slow air and a coarse reference: when the register freezes in a throttled ramp, the run stops before the level has moved by more
/// than 20 counts.
#[rstest]
fn a_coarse_reference_that_froze_in_slow_air_is_not_believed_for_long(
    #[values(1_023, 2_047)] counts: u32,
    #[values("30 s", "60 s")] throttle: &str,
    #[values(0.3, 0.6)] into_the_ramp: f64,
) {
    let mut bench = Bench { script: script("throttled"), ..Bench::demo() };
    let top = 4_000 + counts;
    bench.rig = bench.rig.replace("counts = [4000, 20000]", &format!("counts = [4000, {top}]"));
    bench.rig = bench.rig.replace("evacuate_fine = \"40 s\"", &format!("evacuate_fine = \"{throttle}\""));
    let good = bench.run();
    let ramp = |mark: &&Mark| mark.segment == Segment::Rising { cycle: 2 };
    let mark = good.record.marks.iter().find(ramp).expect("a second ramp");
    let at_s = mark.from.seconds() + into_the_ramp * (mark.to.seconds() - mark.from.seconds());
    bench.truth.faults.push(Fault { when: Trigger::At(at_s), effect: Effect::ReferenceFrozen });
    let outcome = bench.run();
    assert!(matches!(outcome.record.halted, Some(Halt::Reference { .. })), "{:?}", outcome.record.halted);
    // 20 counts at the slowest rate, near the top of the window: (90 − 70) kPa divided by the time constant of the throttle.
    let tau_s: f64 = throttle.trim_end_matches(" s").parse().expect("seconds");
    let longest_s = 20.0 * 100e3 / f64::from(counts) / (20e3 / tau_s);
    let stopped_s = outcome.lasted.seconds() - at_s;
    assert!(stopped_s < longest_s + 2.0, "stopped {stopped_s:.1} s after it froze, {longest_s:.1} s");
}

#[test]
fn inputs_that_are_frozen_blame_no_device() {
    for time_s in [0.0, 1.0, 14.0] {
        let outcome = with_fault(Trigger::At(time_s), Effect::InputsFrozen);
        let found = verdicts(&outcome);
        assert!(!found.contains(&Verdict::Pass), "{time_s}: {found:?}");
        // The third device is bad, and may have shown it before the fault.
        let good = [found[0], found[1], found[3]];
        assert!(!good.contains(&Verdict::Fail), "{time_s}: {found:?}");
    }
}

#[rstest]
#[case(40, 700.0)]
#[case(12, 500.0)]
fn a_device_that_scatters_beyond_its_promise_never_passes_by_its_mean(
    #[case] cycles: u16,
    #[case] spread_pa: f64,
) {
    for seed in 0..4 {
        let mut bench = Bench::demo();
        bench.positions = vec![1];
        bench.truth.seed = seed;
        bench.truth.devices[0].repeatability_pa = spread_pa;
        bench.rig = bench.rig.replace("longest_at_vacuum = \"120 s\"", "longest_at_vacuum = \"600 s\"");
        bench.script = bench.script.replace("cycles = 5", &format!("cycles = {cycles}"));
        let outcome = bench.run();
        assert_ne!(verdicts(&outcome), [Verdict::Pass], "seed {seed} {:?}", outcome.record.halted);
        assert_eq!(outcome.record.halted, None);
    }
}

#[test]
fn a_selected_delay_that_is_not_there_leaves_no_pass() {
    let mut bench = Bench::demo();
    bench.settings = bench.settings.map(|text| text.replace("delay = \"0 ms\"", "delay = \"200 ms\""));
    for device in &mut bench.truth.devices {
        device.switch_point_pa += 2_400.0;
        device.reset_point_pa -= 1_800.0;
    }
    assert!(!verdicts(&bench.run()).contains(&Verdict::Pass));
}

#[rstest]
#[case(0.203)]
#[case(0.023)]
fn a_delay_that_nobody_selected_leaves_no_pass(#[case] delay_s: f64) {
    let mut bench = Bench::demo();
    for device in &mut bench.truth.devices[..2] {
        // Levels shifted so that the apparent levels look right.
        device.switch_point_pa = 60_000.0 - 13_000.0 * delay_s;
        device.reset_point_pa = 55_000.0 + 9_200.0 * delay_s;
        (device.delay_on_s, device.delay_off_s) = (delay_s, delay_s);
    }
    let outcome = bench.run();
    assert_eq!(verdicts(&outcome), [Verdict::Fail, Verdict::Fail, Verdict::Fail, Verdict::Pass]);
}

#[test]
fn air_pressure_that_falls_in_a_ramp_is_waited_for_and_the_ramp_repeated() {
    let effect = Effect::AirPressure { pressure_pa: 3e5, for_s: 20.0 };
    let outcome = with_fault(in_cycle(2, 60_000.0), effect);
    assert_eq!(verdicts(&outcome), EXPECTED);
    assert!(outcome.events.iter().any(|event| matches!(event.kind, EventKind::Waiting(_))));
    assert_eq!(outcome.record.thrown.len(), 1);
    let thrown = &outcome.record.thrown[0];
    assert!((15.0..40.0).contains(&(outcome.lasted.seconds() - Bench::demo().run().lasted.seconds())));
    // Nothing of the ramp that was thrown away is part of a marked stretch.
    assert!(outcome.record.marks.iter().all(|mark| mark.to <= thrown.from || mark.from >= thrown.to));
}

#[test]
fn air_pressure_that_stays_away_ends_aborted() {
    let outcome = with_fault(in_cycle(2, 60_000.0), Effect::AirPressure { pressure_pa: 3e5, for_s: 1e6 });
    assert_eq!(verdicts(&outcome), [Verdict::Aborted; 4]);
    assert!(matches!(outcome.record.halted, Some(Halt::AirPressure { .. })));
}

#[rstest]
#[case(Effect::EvacuateStuck { open: false })]
#[case(Effect::EvacuateStuck { open: true })]
#[case(Effect::VentStuckShut)]
fn a_valve_that_does_not_move_never_leaves_a_pass(#[case] effect: Effect) {
    let outcome = with_fault(Trigger::At(0.0), effect);
    assert!(
        !verdicts(&outcome).contains(&Verdict::Pass),
        "{:?} {:?}",
        verdicts(&outcome),
        outcome.record.halted
    );
}

#[rstest]
#[case(Effect::EvacuateStuck { open: true })]
#[case(Effect::VentStuckShut)]
fn a_valve_that_fails_in_the_run_never_leaves_a_pass(#[case] effect: Effect) {
    let outcome = with_fault(in_cycle(3, 65_000.0), effect);
    assert_eq!(verdicts(&outcome), [Verdict::Aborted; 4], "{:?}", outcome.record.halted);
}

#[test]
fn a_reference_that_is_off_at_ambient_by_three_kilopascal_is_not_zeroed_away() {
    let mut bench = Bench::demo();
    bench.truth.reference.offset_pa = 3_000.0;
    let outcome = bench.run();
    assert!(!verdicts(&outcome).contains(&Verdict::Pass));
    assert!(!verdicts(&outcome).contains(&Verdict::Fail));
}

#[test]
fn a_reference_that_drifts_more_than_declared_leaves_everything_undecided() {
    let mut bench = Bench::demo();
    bench.truth.reference.drift_pa_per_s = 10.0;
    let outcome = bench.run();
    assert_eq!(verdicts(&outcome), [Verdict::Undecided; 4]);
}

#[rstest]
#[case(DeviceFault::StuckOn)]
#[case(DeviceFault::StuckOff)]
#[case(DeviceFault::Chattering)]
fn a_faulty_device_never_passes_and_does_not_touch_the_others(#[case] fault: DeviceFault) {
    let mut bench = Bench::demo();
    bench.truth.devices[0].fault = Some(fault);
    let outcome = bench.run();
    assert_ne!(verdicts(&outcome)[0], Verdict::Pass);
    assert_eq!(verdicts(&outcome)[1..], EXPECTED[1..]);
    if fault == DeviceFault::StuckOff {
        assert_eq!(verdicts(&outcome)[0], Verdict::Fail, "the plug is in, so the device is at fault");
    }
}

#[test]
fn an_output_that_chatters_fails_and_the_changes_are_counted() {
    let mut bench = Bench::demo();
    bench.truth.devices[0].fault = Some(DeviceFault::Chattering);
    let outcome = bench.run();
    assert_eq!(verdicts(&outcome)[0], Verdict::Fail);
    let chatter = |position: usize| {
        let checks = &outcome.record.positions[position].checks;
        checks.iter().find(|check| check.quantity == QuantityName::Chatter).expect("the check").clone()
    };
    assert_eq!(chatter(0).verdict, CheckVerdict::Fail);
    assert!(chatter(0).remark.as_ref().is_some_and(|remark| remark.contains("more than expected")));
    assert_eq!(chatter(1).verdict, CheckVerdict::Pass);
}

#[test]
fn a_position_without_a_device_is_never_judged() {
    let mut bench = Bench::demo();
    bench.truth.devices.remove(3);
    assert_eq!(verdicts(&bench.run())[3], Verdict::Aborted);
    bench.rig = bench.rig.replace("present = {", "# present = {");
    assert_eq!(verdicts(&bench.run())[3], Verdict::Undecided);
}

#[rstest]
#[case(0.2953)]
#[case(7.501)]
#[case(0.145)]
#[case(0.1)]
fn a_device_set_in_the_wrong_unit_fails(#[case] ratio: f64) {
    let mut bench = Bench::demo();
    let device = &mut bench.truth.devices[0];
    device.switch_point_pa *= ratio;
    device.reset_point_pa *= ratio;
    let verdict = verdicts(&bench.run())[0];
    assert_eq!(verdict, Verdict::Fail);
}

#[test]
fn a_normally_closed_device_is_judged_the_other_way_round() {
    let mut bench = Bench::demo();
    bench.truth.devices.iter_mut().for_each(|device| device.normally_closed = true);
    assert!(!verdicts(&bench.run()).contains(&Verdict::Pass), "set to normally open, but normally closed");
    bench.settings = bench.settings.map(|text| text.replace("normally-open", "normally-closed"));
    assert_eq!(verdicts(&bench.run()), EXPECTED);
}

#[test]
fn a_run_without_limits_is_measured_and_says_nothing_else() {
    let mut bench = Bench::demo();
    bench.settings = None;
    bench.script = sheet_text("scripts/look.toml");
    let outcome = bench.run();
    assert_eq!(verdicts(&outcome), [Verdict::Measured; 4]);
    let record = String::from_utf8(canonical_json(&outcome.record).expect("json")).expect("utf-8");
    let sheets = &outcome.task.sheets;
    let report = tripbench_report::report_html(&outcome.record, &outcome.trace, &sheets.rig, &sheets.site);
    for text in [record, report] {
        assert!(!text.to_lowercase().contains("pass"), "the text contains the word `pass`");
    }
}

#[test]
fn abort_after_any_input_ends_safe_and_without_a_verdict() {
    let whole = Bench::demo();
    let task = whole.task();
    let safe = task.sheets.rig.image_of(Order::Safe);
    for after in (0..9_000).step_by(97) {
        let outcome = tripbench_tests::run_stopped(&whole, after);
        let halted = outcome.record.halted.is_some();
        let expected = if halted { [Verdict::Aborted; 4] } else { EXPECTED };
        assert_eq!(verdicts(&outcome), expected, "after {after}");
        assert!(outcome.record.safe_confirmed);
        let last = outcome.events.iter().rev().find_map(|event| {
            let EventKind::Confirmed { outputs, .. } = &event.kind else { return None };
            Some(outputs.clone())
        });
        assert_eq!(last, Some(safe.clone()), "after {after}");
    }
}

#[test]
fn every_step_of_the_vocabulary_is_driven_in_its_order() {
    let mut bench = Bench::demo();
    bench.script = String::from(
        r#"name = "all"
        [[step]]
        do = "ask"
        text = "Is everything connected?"
        [[step]]
        do = "zero"
        [[step]]
        do = "drive"
        air = "evacuate"
        [[step]]
        do = "wait-until"
        level = "50 kPa"
        [[step]]
        do = "drive"
        air = "hold"
        [[step]]
        do = "hold"
        time = "2 s"
        [[step]]
        do = "drive"
        air = "vent"
        [[step]]
        do = "wait-until"
        level = "5 kPa"
        direction = "less-deep"
        [[step]]
        do = "leak"
        [[step]]
        do = "switch-points"
        cycles = 2
        way = "throttled"
        [[step]]
        do = "zero"
        "#,
    );
    let outcome = bench.run();
    assert_eq!(outcome.record.halted, None);
    assert_eq!(verdicts(&outcome), EXPECTED);
    assert_eq!(outcome.record.answers.len(), 1);
    assert_eq!(outcome.record.steps_done.len(), 11);
    let mut ramps = outcome.record.positions[0].checks[0].crossings.iter().filter(|crossing| !crossing.fast);
    assert!(ramps.all(|crossing| crossing.rate_pa_per_s < 2_000.0), "the throttle was not used");
}

#[test]
fn a_step_that_failed_stops_the_run_where_the_script_says_so_and_nothing_passes() {
    let mut bench = Bench::demo();
    bench.truth.air.leak = tripbench_quantity::LevelRate::new(600.0);
    let outcome = bench.run();
    assert_eq!(outcome.record.steps_done, [0, 1]);
    assert_eq!(verdicts(&outcome), [Verdict::Undecided; 4]);
}

/// Verdicts on the off delay of every position of the demo's rig on a serial line: too few reads fall into a fast fall.
fn off_delays(baud: u32) -> Vec<CheckVerdict> {
    let mut bench = Bench::demo();
    bench.rig = tripbench_tests::line::with_link(&tripbench_tests::line::serial_link("/dev/ttyUSB0", baud));
    let outcome = bench.run();
    let checks = outcome.record.positions.iter().flat_map(|position| &position.checks);
    checks.filter(|check| check.quantity == QuantityName::OffDelay).map(|check| check.verdict).collect()
}

#[test]
fn a_slow_line_calls_no_good_output_late() {
    for baud in [115_200, 9_600] {
        assert!(off_delays(baud).iter().all(|verdict| *verdict != CheckVerdict::Fail), "{baud}");
    }
}

#[test]
fn a_long_delay_at_full_flow_is_judged_in_time() {
    let mut bench = Bench::demo();
    bench.settings = bench.settings.map(|text| text.replace("delay = \"0 ms\"", "delay = \"200 ms\""));
    bench.script = bench.script.replace("cycles = 5", "cycles = 5\nway = \"full-flow\"");
    assert!(!verdicts(&bench.run()).contains(&Verdict::Pass));
}

/// An auditor can ask for the source of each part of a budget.
#[rstest]
#[case("goods-in", true)]
#[case("before-return", true)]
#[case("look", true)]
#[case("look", false)]
fn every_part_of_every_budget_says_what_it_is_from(#[case] script: &str, #[case] judged: bool) {
    let demo = Bench::demo();
    let settings = demo.settings.clone().filter(|_| judged);
    let bench = Bench { script: sheet_text(&format!("scripts/{script}.toml")), settings, ..demo };
    assert!(parts(&bench.run().record) > 50);
}

#[test]
fn every_part_of_a_rig_check_says_what_it_is_from() {
    let mut bench = Bench { rig: with_loop(), ..Bench::demo() };
    bench.truth.devices.clear();
    assert!(parts(&bench.check_rig(None, |_| "yes").record) > 15);
}

/// Counts the parts of all budgets, and checks that each has a source.
fn parts(record: &Record) -> usize {
    let of_positions = record.positions.iter().flat_map(|position| &position.checks);
    let mut count = 0;
    for check in record.rig_checks.iter().chain(of_positions) {
        for part in check.measured.iter().flat_map(|measured| &measured.contributions) {
            assert!(!part.source.is_empty(), "{} {}: {}", check.step_name, check.quantity, part.name);
            count += 1;
        }
    }
    count
}

/// One slow ramp among many fast ones takes far longer than the mean, so the rig is vented before it.
#[rstest]
fn however_many_ramps_are_made_the_limit_of_the_time_under_vacuum_is_kept(#[values(43, 100)] cycles: u16) {
    let demo = Bench::demo();
    let script = demo.script.replace("cycles = 5", &format!("cycles = {cycles}"));
    assert_ne!(script, demo.script, "the script no longer has `cycles = 5`");
    let bench = Bench { script, ..demo };
    let outcome = bench.run();
    assert_eq!((outcome.record.halted.as_ref(), verdicts(&outcome)), (None, EXPECTED.to_vec()));
}
