//! Attacks that once led to a wrong verdict, each found by trying: none may succeed again.

use rstest::rstest;
use tripbench_record::{Check, CheckVerdict, Halt, QuantityName, Verdict};
use tripbench_simulator::HoseTruth;
use tripbench_tests::{Bench, Outcome};

fn check(outcome: &Outcome, quantity: QuantityName) -> &Check {
    let checks = &outcome.record.positions[0].checks;
    checks.iter().find(|check| check.quantity == quantity).expect("the check")
}

fn one_device() -> Bench {
    let mut bench = Bench::demo();
    bench.positions = vec![1];
    bench.truth.reference.gain = 0.0;
    bench
}

/// A throttle at the far end of the hose has little volume behind it: the delay is the same, the pressure drop far larger.
#[rstest]
fn a_kink_at_the_device_hides_no_level(#[values(1, 2, 3)] seed: u64) {
    let mut bench = one_device();
    bench.truth.seed = seed;
    assert!(bench.rig.contains("behind = \"5 mL\""));
    bench.rig = bench.rig.replace("behind = \"5 mL\"", "behind = \"0.5 mL\"");
    bench.truth.air.leak = tripbench_quantity::LevelRate::new(5.0);
    let device = &mut bench.truth.devices[0];
    (device.switch_point_pa, device.reset_point_pa) = (58.4e3, 53.6e3);
    (device.delay_on_s, device.delay_off_s, device.lag_s) = (1e-3, 1e-3, 0.0);
    if let Some(saving) = &mut device.air_saving {
        (saving.cut_off_pa, saving.resume_pa) = (69.3e3, 63.4e3);
    }
    device.hose = Some(HoseTruth { conductance_m3_per_s: 1.3e-4, volume_m3: 5e-7, leak_pa_m3_per_s: 0.12 });
    let outcome = bench.run();
    assert_ne!(outcome.record.positions[0].verdict, Verdict::Pass);
}

/// A reading that cannot go below 0 hides any negative zero.
#[rstest]
fn a_zero_at_the_end_of_the_range_is_no_zero(#[values(-800.0, -300.0, 0.0)] offset_pa: f64) {
    let mut bench = one_device();
    let input = "raw = \"i16\"\nsignal = \"4-20 mA\"\ncounts = [4000, 20000]";
    assert!(bench.rig.contains(input));
    bench.rig = bench.rig.replace(input, "raw = \"u16\"\nsignal = \"0-10 V\"\ncounts = [0, 16000]");
    bench.truth.reference.offset_pa = offset_pa;
    bench.truth.reference.noise_pa = 5.0;
    bench.rig = bench.rig.replace("noise = \"20 Pa\"", "noise = \"1 Pa\"");
    let outcome = bench.run();
    assert_ne!(outcome.record.positions[0].verdict, Verdict::Pass);
    let zero = outcome.record.rig_checks.iter().find(|check| check.quantity == QuantityName::Zero);
    assert!(zero.is_none_or(|zero| zero.verdict != CheckVerdict::Met || zero.measured.is_none()));
}

/// The ramps use the certificate's correction too: the levels are reached, and good devices pass.
#[rstest]
#[case(0.03, -0.029_126)]
#[case(-0.05, 0.052_632)]
fn a_reference_with_a_large_correction_fails_no_good_device(#[case] gain: f64, #[case] slope: f64) {
    let mut bench = one_device();
    bench.truth.reference.gain = gain;
    let from = "expanded_uncertainty = ";
    assert!(bench.rig.contains(from));
    bench.rig = bench.rig.replacen(from, &format!("correction_slope = {slope}\n{from}"), 1);
    let outcome = bench.run();
    assert_eq!(outcome.record.positions[0].verdict, Verdict::Pass);
    let found = check(&outcome, QuantityName::SwitchPoint).measured.as_ref().expect("measured");
    let truth = bench.truth.devices[0].on_level_pa();
    assert!((found.value - truth).abs() <= found.expanded_uncertainty, "{} instead of {truth}", found.value);
}

/// The deepest level allowed applies to the corrected level, where that is the deeper one.
#[test]
fn the_limit_knows_the_correction() {
    let mut bench = one_device();
    bench.truth.reference.gain = -0.05;
    let from = "expanded_uncertainty = ";
    bench.rig = bench.rig.replacen(from, &format!("correction_slope = 0.052632\n{from}"), 1);
    // Planned with more room, run with less: only the limit ends it.
    let mut task = bench.task();
    let mut sheets = (*task.sheets).clone();
    sheets.rig.run_limits.deepest_level.value = tripbench_quantity::VacuumLevel::new(71.5e3);
    task.sheets = std::sync::Arc::new(sheets);
    let halted = bench.quick(&task).halted;
    let Some(Halt::TooDeep(level)) = halted else { panic!("{halted:?}") };
    assert!((71.5e3..72.5e3).contains(&level.si()), "{level:?}");
}

/// One count is as large as the movement over many reads: neither level may be biased to one side.
#[rstest]
fn a_coarse_reference_does_not_pull_the_levels_apart(#[values(1, 2, 3, 4)] seed: u64) {
    let mut bench = one_device();
    bench.truth.seed = seed;
    bench.rig = bench.rig.replace("counts = [4000, 20000]", "counts = [100, 500]");
    bench.rig = bench.rig.replace("noise = \"20 Pa\"", "noise = \"5 Pa\"");
    bench.truth.reference.noise_pa = 5.0;
    let outcome = bench.run();
    let found = check(&outcome, QuantityName::Hysteresis).measured.as_ref().expect("measured");
    let device = &bench.truth.devices[0];
    let error = found.value - (device.on_level_pa() - device.off_level_pa());
    assert!(error.abs() <= found.expanded_uncertainty, "{error} ± {}", found.expanded_uncertainty);
}
