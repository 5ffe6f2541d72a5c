//! Predictions for drawn rigs and sheets: predicted U against judged U for every quantity, and the predicted share of undecided
//! positions against the share found.

use rand_core::SeedableRng;
use rand_distr::{Distribution, Uniform};
use rand_pcg::Pcg64Mcg;
use std::collections::BTreeMap;
use tripbench_engine::predictions;
use tripbench_judge::verdict;
use tripbench_measure::mean;
use tripbench_record::{Verdict, undecided_share};
use tripbench_tests::Bench;
use tripbench_tests::proving::{Cell, NOMINAL_PA, Ready, on_all_cores};

/// Devices on each rig.
const DEVICES: u32 = 12;

/// Largest relative deviation between predicted and judged U (5 to 95 % of the rigs): without noise, with noise.
pub(crate) fn table(rigs: u32) -> [f64; 2] {
    println!(
        "\n{rigs} drawn rigs and sheets, {DEVICES} nominal devices each: predicted U / judged U (median over the rigs, 5 and 95 %)"
    );
    // By quantity: predicted U divided by judged U, without noise and with noise.
    let mut ratios: BTreeMap<&'static str, [Vec<f64>; 2]> = BTreeMap::new();
    let (mut predicted_share, mut found_share) = (Vec::new(), Vec::new());
    for seed in 0..u64::from(rigs) {
        let cell = drawn(seed);
        let ready = Ready::new(cell);
        let foreseen = predictions(&ready.task);
        let rests_s = ready.drifts_s();
        let rest = |bench: &mut Bench| {
            let reference = &mut bench.truth.reference;
            reference.drift_for_s = Some(reference.drift_for_s.unwrap_or(rests_s).min(rests_s));
        };
        let runs = on_all_cores(DEVICES, |device| ready.run(seed * 1_000 + device, |_| NOMINAL_PA, rest).1);
        for prediction in &foreseen {
            let judged: Vec<f64> = runs
                .iter()
                .filter_map(|run| {
                    let check = run.checks.iter().find(|check| {
                        check.quantity == prediction.quantity
                            && check.step == prediction.step
                            && check.position == Some(1)
                    })?;
                    Some(check.measured.as_ref()?.expanded_uncertainty)
                })
                .collect();
            let Some(judged) = mean(&judged) else { continue };
            let noisy = usize::from(cell.noise_pa > 1.0);
            ratios.entry(prediction.quantity.word()).or_default()[noisy]
                .push(prediction.expanded_uncertainty / judged);
        }
        let undecided = runs.iter().filter(|run| {
            verdict(&ready.task, 1, &run.checks, &[], run.halted.as_ref()) == Verdict::Undecided
        });
        #[expect(clippy::cast_precision_loss, reason = "a handful")]
        found_share.push(undecided.count() as f64 / f64::from(DEVICES));
        predicted_share.push(undecided_share(&foreseen)[0]);
    }
    let mut largest = [0.0_f64; 2];
    for (quantity, both) in &mut ratios {
        let mut line = format!("  {quantity:<16}");
        for (noisy, all) in both.iter_mut().enumerate() {
            all.sort_by(f64::total_cmp);
            if all.is_empty() {
                continue;
            }
            let quantile = |share| crate::coverage::quantile(all, share);
            let away = quantile(0.95).max(1.0 / quantile(0.05)) - 1.0;
            largest[noisy] = largest[noisy].max(away);
            let name = if noisy == 1 { "with noise" } else { "without" };
            line = format!(
                "{line}  {name} {:.3} ({:.3} … {:.3}) of {}",
                quantile(0.5),
                quantile(0.05),
                quantile(0.95),
                all.len()
            );
        }
        println!("{line}");
    }
    println!(
        "  undecided at nominal: predicted {:.2} %, found {:.2} % of {} positions",
        mean(&predicted_share).unwrap_or(f64::NAN) * 100.0,
        mean(&found_share).unwrap_or(f64::NAN) * 100.0,
        rigs * DEVICES
    );
    largest
}

/// Draws a rig with its sheets.
fn drawn(seed: u64) -> Cell {
    let mut random = Pcg64Mcg::seed_from_u64(seed ^ 0x5eed);
    let mut within = |low: f64, high: f64| Uniform::new(low, high).expect("a range").sample(&mut random);
    let noise_pa = if within(0.0, 1.0) < 0.5 { 0.5 } else { within(5.0, 100.0) };
    let coarse = within(0.0, 1.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few ramps")]
    let cycles = within(3.0, 9.0) as u16;
    Cell {
        name: "drawn",
        scan_s: within(2e-3, 20e-3),
        lag_s: [within(2e-3, 8e-3), within(0.5e-3, 2e-3)],
        noise_pa,
        drift_pa: within(20.0, 100.0),
        hysteresis_pa: within(10.0, 60.0),
        calibration_pa: within(50.0, 400.0),
        thermal_s: within(0.5, 2.0),
        leak_pa_per_s: within(5.0, 40.0),
        response_s: within(3e-3, 20e-3),
        repeatability_pa: within(60.0, 300.0),
        cycles,
        throttles_s: [within(15.0, 40.0), within(10.0, 25.0)],
        converter_s: if within(0.0, 1.0) < 0.5 { 0.0 } else { within(1e-3, 20e-3) },
        counts: if coarse < 0.3 { 4_095 } else { 16_000 },
        selected_s: match within(0.0, 4.0) {
            x if x < 1.0 => None,
            x if x < 2.0 => Some(0.0),
            x if x < 3.0 => Some(0.02),
            _ => Some(0.2),
        },
        saves_air: within(0.0, 1.0) < 0.5,
        operations: if within(0.0, 1.0) < 0.3 { 5 } else { 0 },
        ..Cell::BASE
    }
}
