//! Selected output delays: where the levels of a device are, and whether the delay is there, with and without two rates.

use rstest::rstest;
use tripbench_record::{Check, CheckVerdict, QuantityName, Verdict};
use tripbench_tests::proving::{Cell, NOMINAL_PA};
use tripbench_tests::{Bench, Outcome};

/// The proving bench with 200 ms selected, and a device with another delay and levels `off_pa` from nominal.
fn selected(delay_s: f64, way: Option<&'static str>, off_pa: f64) -> Bench {
    let cell = Cell { name: "selected delay", way, ..Cell::BASE };
    let mut bench = cell.bench();
    bench.device_type = bench.device_type.replace("delays = [\"0 ms\"]", "delays = [\"0 ms\", \"200 ms\"]");
    bench.settings = bench.settings.map(|text| text.replace("delay = \"0 ms\"", "delay = \"200 ms\""));
    bench.truth.reference.gain = 0.0;
    bench.truth.reference.offset_pa = 0.0;
    let device = &mut bench.truth.devices[0];
    (device.lag_s, device.repeatability_pa) = (0.0, 30.0);
    (device.delay_on_s, device.delay_off_s) = (delay_s, delay_s);
    (device.switch_point_pa, device.reset_point_pa) = (NOMINAL_PA[0] + off_pa, NOMINAL_PA[1] + off_pa);
    bench
}

fn check(outcome: &Outcome, quantity: QuantityName) -> &Check {
    let checks = &outcome.record.positions[0].checks;
    checks.iter().find(|check| check.quantity == quantity).expect("the check")
}

#[test]
fn the_levels_of_a_device_with_its_delay_lie_within_u() {
    for seed in 0..20 {
        let mut bench = selected(0.203, None, 0.0);
        bench.truth.seed = seed;
        let outcome = bench.run();
        assert_ne!(outcome.record.positions[0].verdict, Verdict::Fail, "seed {seed}");
        let truth = [
            (QuantityName::SwitchPoint, 60e3),
            (QuantityName::ResetPoint, 55e3),
            (QuantityName::Hysteresis, 5e3),
        ];
        for (quantity, truth) in truth {
            let found = check(&outcome, quantity).measured.as_ref().expect("measured");
            let off = (found.value - truth).abs();
            assert!(off < found.expanded_uncertainty, "seed {seed}, {quantity}: {off:.0} Pa off");
        }
        let delay = check(&outcome, QuantityName::OnDelay).measured.as_ref().expect("measured");
        assert!((delay.value - 0.203).abs() < delay.expanded_uncertainty, "{}", delay.value);
    }
}

#[test]
fn a_device_without_the_delay_that_is_set_fails() {
    let outcome = selected(0.003, None, 0.0).run();
    assert_eq!(outcome.record.positions[0].verdict, Verdict::Fail);
    let on = check(&outcome, QuantityName::OnDelay);
    assert_eq!(on.verdict, CheckVerdict::Fail);
    assert!(on.remark.as_ref().is_some_and(|remark| remark.contains("earlier than the delay that is set")));
}

/// At one rate nothing shows the delay of that direction; the fall of the fast pair shows which delay is selected. If it is the one
/// that is set, U covers the level's error; if it is not, or the device is off, the device never passes.
#[rstest]
fn a_direction_with_one_rate_takes_the_selected_delay_from_the_other(
    #[values(0.003, 0.203)] delay_s: f64,
    #[values(0.0, 1_900.0, -1_900.0)] off_pa: f64,
) {
    let outcome = selected(delay_s, Some("full-flow"), off_pa).run();
    let on = check(&outcome, QuantityName::SwitchPoint);
    let found = on.measured.as_ref().expect("measured");
    let off = (found.value - (NOMINAL_PA[0] + off_pa)).abs();
    let said = format!("{off:.0} Pa off, U {:.0} Pa", found.expanded_uncertainty);
    assert!(off <= found.expanded_uncertainty + 100.0, "{said}");
    let open =
        found.contributions.iter().any(|part| part.name.starts_with("a delay other than the selected one"));
    assert_eq!(open, delay_s < 0.1, "{said}");
    assert!(check(&outcome, QuantityName::OnDelay).not_checked());
    let verdict = outcome.record.positions[0].verdict;
    assert!((off_pa.abs() < 1_500.0 && delay_s > 0.1) || verdict != Verdict::Pass, "{verdict}");
}

/// An on output that is late by itself shifts the switch point and the hysteresis at full flow: one slow ramp reveals it.
#[rstest]
fn an_on_output_that_is_late_alone_never_passes(
    #[values(0.05, 0.1, 0.3)] delay_s: f64,
    #[values(0, 1, 2, 3)] seed: u64,
) {
    let mut bench = Bench::demo();
    bench.truth.seed = seed;
    for device in &mut bench.truth.devices {
        device.delay_on_s = delay_s;
    }
    let outcome = bench.run();
    for position in &outcome.record.positions {
        assert_ne!(position.verdict, Verdict::Pass, "position {}", position.number);
    }
}
