//! `rig check` on simulated rigs that match their sheet, and on rigs that do not.

use rstest::rstest;
use tripbench_quantity::{LevelRate, TimeSpan};
use tripbench_record::{
    Check, CheckVerdict, DeviceOutput, EventKind, Halt, PlannedStep, QuantityName, StepTask,
};
use tripbench_rig::{Air, Order};
use tripbench_simulator::{Effect, Fault, Trigger};
use tripbench_tests::ways::{by_hand, with_loop};
use tripbench_tests::{Bench, Outcome};

fn yes(_: &str) -> &'static str {
    "yes"
}

fn bench() -> Bench {
    let mut bench = Bench { rig: with_loop(), ..Bench::demo() };
    bench.truth.devices.clear();
    bench
}

fn check(outcome: &Outcome, quantity: QuantityName) -> &Check {
    let found = outcome.record.rig_checks.iter().find(|check| check.quantity == quantity);
    found.unwrap_or_else(|| panic!("no check {quantity}"))
}

fn value(outcome: &Outcome, quantity: QuantityName) -> f64 {
    check(outcome, quantity).measured.as_ref().expect("measured").value
}

#[test]
fn a_rig_that_is_as_its_sheet_says_is_met_in_everything() {
    let outcome = bench().check_rig(None, yes);
    assert_eq!(outcome.record.halted, None);
    assert!(outcome.record.safe_confirmed);
    for check in &outcome.record.rig_checks {
        assert!(
            matches!(check.verdict, CheckVerdict::Met | CheckVerdict::Measured),
            "{} {}: {:?} {:?} {:?}",
            check.step_name,
            check.quantity,
            check.verdict,
            check.remark,
            check.measured
        );
    }
    // The true values of the simulated rig.
    assert!((value(&outcome, QuantityName::ScanPeriod) - 0.005).abs() < 0.001);
    assert!((value(&outcome, QuantityName::Noise) - 20.0).abs() < 4.0);
    assert!((value(&outcome, QuantityName::ThermalTime) - 1.0).abs() < 0.4);
    assert!((value(&outcome, QuantityName::ValveDelay) - 0.02).abs() < 0.02);
    let silent = check(&outcome, QuantityName::LossOfMaster).remark.as_deref().unwrap_or_default();
    assert!(silent.contains("set its outputs safe by itself"), "{silent}");
    let delays =
        outcome.record.rig_checks.iter().filter(|check| check.quantity == QuantityName::ValveDelay).count();
    assert_eq!(delays, 4, "evacuate, evacuate-fine, bleed, vent");
}

/// The two readings at the ends of a silence may be equal by chance: that is not a frozen reference.
#[test]
fn a_rig_check_ends_whatever_the_noise_draws() {
    for seed in 0..24 {
        let mut bench = bench();
        bench.truth.seed = seed;
        let outcome = bench.check_rig(None, yes);
        assert_eq!(outcome.record.halted, None, "seed {seed}");
        assert!(outcome.record.safe_confirmed);
    }
}

/// Where scans are far apart, something may not be tested; a good rig is never called bad, and nothing is met by chance.
#[rstest]
fn on_a_slow_line_a_good_rig_is_met_or_not_shown(#[values(115_200, 19_200, 9_600)] baud: u32) {
    let mut bench = bench();
    let wire = tripbench_tests::line::serial_link("/dev/ttyUSB0", baud);
    bench.rig = bench.rig.replace("tcp = \"127.0.0.1:1502\"", &wire);
    let outcome = bench.check_rig(None, yes);
    assert_eq!(outcome.record.halted, None);
    for check in &outcome.record.rig_checks {
        assert!(
            check.verdict != CheckVerdict::NotMet,
            "{} {}: {:?}",
            check.step_name,
            check.quantity,
            check.remark
        );
        let (Some(found), Some(limits)) = (&check.measured, check.limits) else { continue };
        if check.quantity == QuantityName::ValveDelay && check.verdict == CheckVerdict::Met {
            let most = found.value + found.expanded_uncertainty;
            assert!(limits.high.is_some_and(|high| most <= high), "{most}");
        }
    }
}

#[rstest]
fn a_leak_does_not_shorten_the_valve_delays(
    #[values(0.0, 300.0, 1_000.0)] leak: f64,
    #[values(0.013, 0.017, 0.02)] delay_s: f64,
    #[values(1, 2, 3)] seed: u64,
) {
    let mut bench = bench();
    (bench.truth.seed, bench.truth.air.leak) = (seed, LevelRate::new(leak));
    bench.truth.air.valve_delay = TimeSpan::new(delay_s);
    let outcome = bench.check_rig(None, yes);
    for check in outcome.record.rig_checks.iter().filter(|check| check.quantity == QuantityName::ValveDelay) {
        let found = check.measured.as_ref().expect("measured");
        let off = (found.value - delay_s).abs();
        assert!(off < found.expanded_uncertainty + 0.002, "{}: {:.1} ms", check.step_name, found.value * 1e3);
    }
}

/// A fault of the rig, and the check that has to detect it.
#[rstest]
#[case(|bench: &mut Bench| bench.truth.module.image_s = 0.05, QuantityName::ImageAge)]
#[case(|bench: &mut Bench| bench.truth.module.input_filter_s = 0.03, QuantityName::PathLag)]
#[case(|bench: &mut Bench| bench.truth.module.loss_of_master_s = None, QuantityName::LossOfMaster)]
#[case(|bench: &mut Bench| bench.truth.module.loss_of_master_s = Some(4.0), QuantityName::LossOfMaster)]
#[case(|bench: &mut Bench| bench.truth.reference.noise_pa = 60.0, QuantityName::Noise)]
#[case(|bench: &mut Bench| bench.truth.air.leak = LevelRate::new(900.0), QuantityName::LeakRate)]
#[case(|bench: &mut Bench| bench.truth.air.valve_delay = TimeSpan::new(0.12), QuantityName::ValveDelay)]
fn what_the_sheet_does_not_say_is_found(#[case] spoil: fn(&mut Bench), #[case] quantity: QuantityName) {
    let mut bench = bench();
    spoil(&mut bench);
    let outcome = bench.check_rig(None, yes);
    let check = check(&outcome, quantity);
    assert_eq!(check.verdict, CheckVerdict::NotMet, "{:?} {:?}", check.measured, check.remark);
    assert!(outcome.record.safe_confirmed);
}

#[test]
fn filter_and_image_age_that_are_declared_are_met() {
    let mut bench = bench();
    bench.rig =
        bench.rig.replace("[module]\n", "[module]\ninput_filter = \"30 ms\"\nimage_age = \"50 ms\"\n");
    (bench.truth.module.input_filter_s, bench.truth.module.image_s) = (0.03, 0.05);
    let outcome = bench.check_rig(None, yes);
    for quantity in [QuantityName::PathLag, QuantityName::ImageAge] {
        let check = check(&outcome, quantity);
        assert_eq!(check.verdict, CheckVerdict::Met, "{:?}", check.remark);
    }
    assert!(value(&outcome, QuantityName::ImageAge) > 0.03);
}

#[rstest]
#[case("100 us", CheckVerdict::Met)]
#[case("101 us", CheckVerdict::NotMet)]
fn the_tick_of_the_module_s_clock_is_looked_at(#[case] declared: &str, #[case] expected: CheckVerdict) {
    let wired = tripbench_tests::ways::stamping("100 us", 5);
    let mut bench =
        Bench { rig: wired.replace("tick = \"100 us\"", &format!("tick = \"{declared}\"")), ..Bench::demo() };
    bench.truth.devices.clear();
    let outcome = bench.check_rig(Some(&wired), yes);
    assert_eq!(check(&outcome, QuantityName::ClockTick).verdict, expected);
}

#[test]
fn a_gas_that_warms_slower_than_declared_is_found() {
    let bench = bench();
    let wired = bench.rig.replace("thermal = \"1 s\"", "thermal = \"3 s\"");
    let outcome = bench.check_rig(Some(&wired), yes);
    assert_eq!(check(&outcome, QuantityName::ThermalTime).verdict, CheckVerdict::NotMet);
}

/// A leak that only seems to be one, because the gas was still warming, comes with the key to correct first. A real one does not.
#[rstest]
#[case("0.2 s", "1 s", 0.0)]
#[case("0.3 s", "1 s", 0.0)]
#[case("0.1 s", "0.8 s", 0.0)]
#[case("1 s", "1 s", 900.0)]
#[case("0.5 s", "0.5 s", 500.0)]
fn a_leak_that_follows_from_a_wrong_thermal_time_says_so(
    #[case] declared: &str,
    #[case] real: &str,
    #[case] leak: f64,
) {
    let mut bench = bench();
    let thermal = |time: &str| format!("thermal = \"{time}\"");
    let wired = bench.rig.replace(&thermal("1 s"), &thermal(real));
    bench.rig = bench.rig.replace(&thermal("1 s"), &thermal(declared));
    bench.truth.air.leak = LevelRate::new(leak);
    let outcome = bench.check_rig(Some(&wired), yes);
    let leaks = check(&outcome, QuantityName::LeakRate);
    let remark = leaks.remark.as_deref().unwrap_or_default();
    let slow = check(&outcome, QuantityName::ThermalTime).verdict == CheckVerdict::NotMet;
    assert_eq!(slow, leak == 0.0);
    assert_eq!(
        remark.contains("correct `manifold.thermal`"),
        slow && leaks.verdict != CheckVerdict::Met,
        "{remark}"
    );
    assert_eq!(remark.starts_with("levels cannot be judged with this leak"), !slow, "{remark}");
}

/// Two outputs at each other's addresses: the key to correct is named for both.
#[rstest]
#[case(["evacuate-fine", "bleed"], [1, 2])]
#[case(["bleed", "evacuate-fine"], [2, 1])]
fn outputs_at_each_others_addresses_are_named(#[case] names: [&str; 2], #[case] coils: [u8; 2]) {
    let mut bench = bench();
    let at = |name: &str, coil: u8| format!("name = \"{name}\"\nat = \"coil {coil}\"");
    let wired = bench.rig.clone();
    for index in [0, 1] {
        let right = at(names[index], coils[index]);
        assert!(wired.contains(&right), "{right}");
        bench.rig = bench.rig.replace(&right, &at(names[index], coils[1 - index]));
    }
    let outcome = bench.check_rig(Some(&wired), yes);
    for name in names {
        let step = format!("try {name}");
        let tried = outcome.record.rig_checks.iter().find(|check| check.step_name == step).expect("a check");
        let remark = tried.remark.as_deref().unwrap_or_default();
        assert_eq!(tried.verdict, CheckVerdict::NotMet);
        assert!(remark.contains(&format!("`at` of the output `{name}`")), "{remark}");
    }
}

/// Each of `bleed` and `vent` lets air in, so only their rates show that they are crossed; without loss of master nothing else would.
#[rstest]
fn bleed_and_vent_at_each_others_addresses_are_named(
    #[values(("6 s", "0.5 s"), ("3 s", "1 s"), ("12 s", "2 s"))] (bleed, vent): (&str, &str),
    #[values("5 ms", "50 ms")] interval: &str,
    #[values(true, false)] loss_of_master: bool,
    #[values(true, false)] crossed: bool,
) {
    let mut bench = bench();
    let mut change = |from: &str, to: &str| {
        assert!(bench.rig.contains(from), "{from}");
        bench.rig = bench.rig.replace(from, to);
    };
    change("bleed = \"6 s\"", &format!("bleed = \"{bleed}\""));
    change("vent = \"0.5 s\"", &format!("vent = \"{vent}\""));
    change("scan_interval = \"5 ms\"", &format!("scan_interval = \"{interval}\""));
    if !loss_of_master {
        change("loss_of_master = \"2 s\"\n", "");
    }
    let wired = bench.rig.clone();
    if crossed {
        let at = |name: &str, coil: u8| format!("name = \"{name}\"\nat = \"coil {coil}\"");
        for (name, right, wrong) in [("bleed", 2, 3), ("vent", 3, 2)] {
            assert!(wired.contains(&at(name, right)));
            bench.rig = bench.rig.replace(&at(name, right), &at(name, wrong));
        }
    }
    let outcome = bench.check_rig(Some(&wired), yes);
    let asks = |check: &Check| {
        check.remark.as_ref().is_some_and(|remark| remark.contains("are they at each other's addresses?"))
    };
    let tried =
        |check: &&std::sync::Arc<Check>| ["try bleed", "try vent"].contains(&check.step_name.as_str());
    let not_met = |check: &std::sync::Arc<Check>| (check.verdict == CheckVerdict::NotMet, asks(check));
    let found: Vec<(bool, bool)> = outcome.record.rig_checks.iter().filter(tried).map(not_met).collect();
    assert_eq!(found, [(false, false), (crossed, crossed)]);
}

#[rstest]
#[case(Effect::EvacuateStuck { open: false })]
#[case(Effect::VentStuckShut)]
#[case(Effect::ReferenceFrozen)]
fn a_valve_that_does_not_act_or_a_reference_that_stands_still_is_never_good(#[case] effect: Effect) {
    let mut bench = bench();
    bench.truth.faults.push(Fault { when: Trigger::At(4.0), effect });
    let outcome = bench.check_rig(None, yes);
    let bad = |check: &&Check| check.verdict == CheckVerdict::NotMet;
    let found = outcome.record.rig_checks.iter().map(std::sync::Arc::as_ref).find(bad);
    assert!(outcome.record.halted.is_some() || found.is_some());
    assert!(outcome.record.safe_confirmed || effect == Effect::VentStuckShut);
}

#[test]
fn without_a_yes_no_output_moves() {
    fn no_to_outputs(text: &str) -> &'static str {
        if text.starts_with("Next: output `evacuate`") { "no" } else { "yes" }
    }
    let outcome = bench().check_rig(None, no_to_outputs);
    assert_eq!(outcome.record.halted, Some(Halt::Refused));
    let ordered = |event: &tripbench_record::Event| matches!(event.kind, EventKind::Ordered { order: Order::Powered(air), .. } if air == Air::Evacuate);
    assert!(!outcome.events.iter().any(ordered));
    assert!(outcome.record.safe_confirmed);
}

#[test]
fn every_output_is_asked_for_by_its_name() {
    let outcome = bench().check_rig(None, yes);
    let asked = |event: &tripbench_record::Event| {
        if let EventKind::Asked { text, .. } = &event.kind { Some(text.clone()) } else { None }
    };
    let questions: Vec<_> = outcome.events.iter().filter_map(asked).collect();
    for name in ["evacuate", "evacuate-fine", "bleed", "vent", "device-power"] {
        assert!(questions.iter().any(|text| text.starts_with(&format!("Next: output `{name}`"))), "{name}");
    }
}

#[test]
fn a_rig_that_is_worked_by_hand_is_checked_with_a_person_at_it() {
    let mut bench = Bench { rig: by_hand(), ..Bench::demo() };
    bench.truth.devices.clear();
    let outcome = bench.check_rig(None, yes);
    assert_eq!(outcome.record.halted, None);
    assert_eq!(check(&outcome, QuantityName::LeakRate).verdict, CheckVerdict::Met);
}

/// A rig check with a person who, at each request, operates the output that they take for it.
fn with_person(bench: &Bench, takes_for: impl Fn(Whose) -> Option<Whose>) -> Outcome {
    let (mut bench, mut answered) = (bench.clone(), 0);
    loop {
        let outcome = bench.check_inputs();
        let asked = |event: &tripbench_record::Event| {
            let EventKind::Asked { text, .. } = &event.kind else { return None };
            text.contains(" output of position ").then(|| event.at.seconds())
        };
        let wanted: Vec<Whose> = outcome.task.steps.iter().filter_map(operated).collect();
        let moments: Vec<f64> = outcome.events.iter().filter_map(asked).collect();
        let Some((at_s, wanted)) = moments.get(answered).zip(wanted.get(answered)) else { return outcome };
        if let Some((position, output)) = takes_for(*wanted) {
            let effect = Effect::Operate { position, valve: output == DeviceOutput::Valve, for_s: 0.7 };
            bench.truth.faults.push(Fault { when: Trigger::At(at_s + 3.0), effect });
        }
        answered += 1;
    }
}

/// A device output, with its position.
type Whose = (u8, DeviceOutput);

fn operated(step: &PlannedStep) -> Option<Whose> {
    if let StepTask::OwnInput { position, output, .. } = step.task { Some((position, output)) } else { None }
}

/// Four positions with two outputs each, a device at each.
fn with_devices() -> Bench {
    let bench = Bench { rig: with_loop(), ..Bench::demo() };
    assert!(bench.truth.devices.len() == 4 && bench.rig.matches("\nvalve = {").count() == 4);
    bench
}

fn said(outcome: &Outcome) -> Vec<((u8, DeviceOutput), CheckVerdict, String)> {
    let checks = outcome.record.rig_checks.iter().filter(|check| check.quantity == QuantityName::OwnInput);
    let of = |check: &std::sync::Arc<Check>| {
        let step = &outcome.task.steps[usize::from(check.step)];
        (operated(step).expect("a step"), check.verdict, check.remark.clone().unwrap_or_default())
    };
    checks.map(of).collect()
}

#[test]
fn a_person_shows_which_input_belongs_to_which_output() {
    let outcome = with_person(&with_devices(), Some);
    assert_eq!(outcome.record.halted, None);
    let said = said(&outcome);
    assert_eq!(said.len(), 8);
    assert!(said.iter().all(|(_, verdict, _)| *verdict == CheckVerdict::Met), "{said:?}");
    assert!(check_rig_asks_nothing_of_the_kind());
}

fn check_rig_asks_nothing_of_the_kind() -> bool {
    bench()
        .check_rig(None, yes)
        .record
        .rig_checks
        .iter()
        .all(|check| check.quantity != QuantityName::OwnInput)
}

/// Wires swapped between terminals, and one connected to two.
#[rstest]
fn wires_that_are_crossed_or_wired_together_are_found(
    #[values((1, 3), (4, 2), (2, 3))] (one, other): (u8, u8),
    #[values(true, false)] crossed: bool,
) {
    let mut bench = with_devices();
    let wire = |bench: &mut Bench, from: u8, to: u8| {
        bench.truth.devices[usize::from(from) - 1].quirks.wired_to = Some(to);
    };
    wire(&mut bench, one, other);
    if crossed {
        wire(&mut bench, other, one);
    }
    let outcome = with_person(&bench, Some);
    for (whose, verdict, remark) in said(&outcome) {
        let expected = match whose.0 {
            position if position == other => CheckVerdict::NotMet,
            position if position == one && crossed => CheckVerdict::NotMet,
            // Its own wire is connected to nothing.
            position if position == one => CheckVerdict::Undecided,
            _ => CheckVerdict::Met,
        };
        assert_eq!(verdict, expected, "{whose:?} {remark}");
        if whose.0 == other {
            assert!(remark.contains(&format!("of position {one}")), "{remark}");
        }
    }
}

/// An output that nobody operated, or another output operated instead, is never met.
#[rstest]
#[case::nobody(|_: (u8, DeviceOutput)| None, CheckVerdict::Undecided)]
#[case::the_next(|(position, output): (u8, DeviceOutput)| Some((position % 4 + 1, output)), CheckVerdict::NotMet)]
#[case::the_other_output(|(position, output): (u8, DeviceOutput)| Some((position, if output == DeviceOutput::Switch { DeviceOutput::Valve } else { DeviceOutput::Switch })), CheckVerdict::NotMet)]
fn an_output_that_was_not_operated_is_never_met(
    #[case] takes_for: fn(Whose) -> Option<Whose>,
    #[case] expected: CheckVerdict,
) {
    let said = said(&with_person(&with_devices(), takes_for));
    assert!(said.len() == 8 && said.iter().all(|(_, verdict, _)| *verdict == expected), "{said:?}");
}
