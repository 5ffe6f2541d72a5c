//! Noisy references on rigs whose air changes close to a level: a fit that takes in more readings must not reach across the change.

use rstest::rstest;
use tripbench_measure::mean;
use tripbench_record::{QuantityName, Verdict};
use tripbench_simulator::DeviceTruth;
use tripbench_tests::Bench;

/// Nominal levels of the demo's settings, pascal: where the output turns on, and where the valve cuts off and resumes.
const SWITCH_POINT_PA: f64 = 60e3;
const SAVING_PA: [f64; 2] = [70e3, 64e3];

/// The demo's rig with an unbiased reference whose noise is declared, and devices that scatter little, as promised.
fn noisy(noise_pa: f64, scan: &str, evacuate: &str, way: &str) -> Bench {
    let mut bench = Bench::demo();
    let change = |text: &mut String, from: &str, to: &str| {
        assert!(text.contains(from), "{from}");
        *text = text.replace(from, to);
    };
    change(&mut bench.rig, "noise = \"20 Pa\"", &format!("noise = \"{noise_pa} Pa\""));
    change(&mut bench.rig, "scan_interval = \"5 ms\"", &format!("scan_interval = \"{scan}\""));
    change(&mut bench.rig, "evacuate = \"3 s\"", &format!("evacuate = \"{evacuate}\""));
    change(&mut bench.device_type, "repeatability = \"0.2 %FS\"", "repeatability = \"0.1 %FS\"");
    if !way.is_empty() {
        change(
            &mut bench.script,
            "do = \"switch-points\"",
            &format!("do = \"switch-points\"\nway = \"{way}\""),
        );
    }
    let reference = &mut bench.truth.reference;
    (reference.gain, reference.error_pa, reference.loop_pa) = (0.0, 0.0, [0.0; 2]);
    reference.noise_pa = noise_pa;
    for device in &mut bench.truth.devices {
        let DeviceTruth { switch_point_pa, reset_point_pa, gain, offset_pa, lag_s, .. } = device;
        (*switch_point_pa, *reset_point_pa) = (SWITCH_POINT_PA, 55e3);
        (*gain, *offset_pa, *lag_s) = (0.0, 0.0, 0.0);
        device.repeatability_pa = 30.0;
        if let Some(saving) = &mut device.air_saving {
            [saving.cut_off_pa, saving.resume_pa] = SAVING_PA;
        }
    }
    bench
}

/// Errors of a level over some runs, pascal, and the number of positions that failed.
fn errors(bench: &Bench, quantity: QuantityName, truth_pa: f64) -> (Vec<f64>, usize) {
    let (mut errors, mut failed) = (Vec::new(), 0);
    for seed in 1..=3 {
        let mut bench = bench.clone();
        bench.truth.seed = seed;
        for position in &bench.run().record.positions {
            failed += usize::from(position.verdict == Verdict::Fail);
            let check = position.checks.iter().find(|check| check.quantity == quantity);
            errors
                .extend(check.and_then(|check| check.measured.as_ref()).map(|found| found.value - truth_pa));
        }
    }
    (errors, failed)
}

// A fit across the end of the throttled part, or over a tenth of the way to the deepest vacuum, shifts a level by 150 to 650 Pa.
#[rstest]
#[case::kink(200.0, "25 ms", "3 s", "")]
#[case::kink_in_fast_reads(300.0, "10 ms", "3 s", "")]
#[case::fast_pump(100.0, "5 ms", "1 s", "full-flow")]
#[case::fast_pump_and_kink(200.0, "10 ms", "1.5 s", "")]
#[case::much_noise(400.0, "5 ms", "1.5 s", "full-flow")]
fn a_fit_through_noise_stays_within_one_way_of_the_air(
    #[case] noise_pa: f64,
    #[case] scan: &str,
    #[case] evacuate: &str,
    #[case] way: &str,
) {
    let bench = noisy(noise_pa, scan, evacuate, way);
    for (quantity, truth_pa) in
        [(QuantityName::SwitchPoint, SWITCH_POINT_PA), (QuantityName::CutOff, SAVING_PA[0])]
    {
        let (errors, failed) = errors(&bench, quantity, truth_pa);
        assert!(errors.len() >= 6 && failed == 0, "{quantity}: {failed} failed of {errors:?}");
        let bias_pa = mean(&errors).expect("errors");
        assert!(bias_pa.abs() < 100.0, "{quantity}: {bias_pa} of {errors:?}");
    }
}
