//! A device that is certainly outside fails, and for no other reason; one whose spread is as promised passes.

use rstest::rstest;
use tripbench_record::{Check, CheckVerdict, QuantityName};
use tripbench_tests::Bench;
use tripbench_tests::proving::{Cell, NOMINAL_PA, Ready, on_all_cores};

fn found(ready: &Ready, quantity: QuantityName, level_pa: f64, spread_pa: f64, count: u32) -> Vec<Check> {
    let all = on_all_cores(count, |seed| {
        let change = |bench: &mut Bench| bench.truth.devices[0].repeatability_pa = spread_pa;
        let (_, found) = ready.run(seed, |_| [level_pa, level_pa - 5e3], change);
        found.checks.into_iter().find(|check| check.position == Some(1) && check.quantity == quantity)
    });
    all.into_iter().flatten().collect()
}

fn count(checks: &[Check], verdict: CheckVerdict) -> usize {
    checks.iter().filter(|check| check.verdict == verdict).count()
}

/// The throttled part of a ramp ends a little beyond the limits: crossings near its end have unusual rates. The demo's ramps go far
/// beyond, for the air saving.
#[rstest]
fn a_device_that_is_clearly_outside_fails(
    #[values(-4e3, -2e3, -0.7e3, 0.7e3, 0.9e3, 1.1e3, 1.4e3, 2e3, 4e3)] beyond_pa: f64,
) {
    let mut bench = Bench::demo();
    let task = bench.task();
    let tolerance_pa = 1.1e3_f64;
    let device = &mut bench.truth.devices[0];
    let nominal_pa = device.switch_point_pa;
    let shift_pa = beyond_pa + tolerance_pa.copysign(beyond_pa);
    device.switch_point_pa = nominal_pa + shift_pa;
    device.reset_point_pa += shift_pa;
    let all = on_all_cores(10, |seed| {
        let mut bench = bench.clone();
        bench.truth.seed = seed;
        let checks = bench.quick(&task).checks;
        checks
            .into_iter()
            .find(|check| check.position == Some(1) && check.quantity == QuantityName::SwitchPoint)
    });
    for check in all {
        let check = check.expect("the check");
        assert_eq!(check.verdict, CheckVerdict::Fail, "{:?} {:?}", check.measured, check.remark);
    }
}

/// Half of the half width that the type promises is 50 Pa.
#[rstest]
#[case(25.0, CheckVerdict::Measured, 36)]
#[case(400.0, CheckVerdict::Fail, 36)]
fn a_spread_is_judged_by_the_interval_of_its_ramps(
    #[case] spread_pa: f64,
    #[case] verdict: CheckVerdict,
    #[case] least: usize,
) {
    let all = found(&Ready::new(Cell::BASE), QuantityName::Repeatability, NOMINAL_PA[0], spread_pa, 40);
    assert!(count(&all, verdict) >= least, "{} of {}", count(&all, verdict), all.len());
}

/// At the promise itself few fail.
#[test]
fn a_spread_just_as_promised_seldom_fails() {
    let all = found(&Ready::new(Cell::BASE), QuantityName::Repeatability, NOMINAL_PA[0], 50.0, 80);
    assert!(count(&all, CheckVerdict::Fail) <= 6, "{} of {}", count(&all, CheckVerdict::Fail), all.len());
}
