//! The proving ground: thousands of simulated acceptances against the simulator's truth, with every error that the sheets declare
//! drawn anew for each. Prints a table for each criterion and a last line of `key=value` pairs; asserts nothing.
//!
//! `cargo bench -p tripbench-tests --bench proving`; `-- 400` for fewer devices in a cell, `-- 400 regimes` for one table only.
//! `TRIPBENCH_CELL=converter` selects the regimes whose names contain that word.

#![expect(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a benchmark measures real time and prints"
)]

mod attacks;
mod coverage;
mod delays;
mod demo;
mod regimes;
mod rigs;
mod risk;
mod saving;
mod speed;
mod spread;

use std::time::Instant;

fn main() {
    const DEVICES: u32 = 4_000;
    let asked = std::env::args().skip(1).find_map(|word| word.parse().ok());
    let devices = asked.unwrap_or(DEVICES);
    let only = std::env::args().skip(1).find(|word| word.chars().all(char::is_alphabetic));
    let wanted = |name: &str| only.as_deref().is_none_or(|only| only == name);
    let mut figures: Vec<String> = Vec::new();
    if wanted("coverage") {
        let started = Instant::now();
        let coverage = coverage::table(devices);
        let seconds = started.elapsed().as_secs_f64();
        let lag = coverage::lag_at_its_ends(devices);
        figures.push(format!(
            "coverage_min={:.4} coverage_pooled={:.4} u_over_ideal_max={:.3} bias_over_u_max={:.3} bias_at_lag_ends_max={lag:.3} acceptances_per_s={:.0}",
            coverage.least,
            coverage.pooled,
            coverage.over_ideal,
            coverage.bias,
            f64::from(coverage.runs) / seconds
        ));
    }
    figures.extend(predicted_and_found(devices, &wanted));
    if wanted("spread") {
        let spread = spread::table(devices);
        figures.push(format!(
            "sd_ratio_max={:.3} sd_planned_ratio={:.3} spread_coverage_min={:.4}",
            spread.ratio, spread.planned, spread.held
        ));
    }
    if wanted("risk") {
        let risk = risk::table(devices);
        figures.push(format!(
            "at_limit_passed_max={:.4} at_limit_failed_max={:.4} undecided_share={:.4}",
            risk.passed_at_limit, risk.failed_at_limit, risk.undecided
        ));
    }
    if wanted("speed") {
        let speed = speed::table();
        figures.push(format!(
            "ratio_full={:.2} ratio_full_100ms={:.2} ratio_window={:.3} ratio_floor={:.2}",
            speed.full[0], speed.full[1], speed.window, speed.floor
        ));
    }
    if wanted("delays") {
        let (held, ratio) = delays::table(devices);
        figures.push(format!("delay_coverage={held:.4} delay_u_over_bound_max={ratio:.2}"));
    }
    if wanted("saving") {
        let bias = saving::table(devices.min(1_000));
        figures.push(format!("saving_bias_over_u_max={bias:.3}"));
    }
    figures.extend(demo_and_attacks((devices, only.is_some() && asked.is_some()), &wanted));
    println!("\n{}", figures.join(" "));
}

/// The tables `demo` and `attacks`; `alone` is whether one table was requested with its own number of devices.
fn demo_and_attacks((devices, alone): (u32, bool), wanted: &dyn Fn(&str) -> bool) -> Vec<String> {
    let mut figures = Vec::new();
    if wanted("demo") {
        // 10,000 acceptances if a cell has 4,000 devices.
        figures.push(format!("demo_10000_s={:.0}", demo::table(devices.saturating_mul(5) / 2)));
    }
    if wanted("attacks") {
        // 500 devices if a cell has 4,000, unless this table alone was requested.
        let devices = if alone { devices } else { devices / 8 };
        if let Some(attacks) = attacks::table(devices) {
            figures.push(format!(
                "attack_level_over_u_max={:.3} attack_good={} attack_good_undecided={} attack_good_failed={} attack_passes_said={} attack_passes={}",
                attacks.level_over_u, attacks.good, attacks.good_undecided, attacks.good_failed, attacks.passes_said, attacks.passes
            ));
        }
    }
    figures
}

/// The tables `regimes` and `rigs`, which compare predictions with results.
fn predicted_and_found(devices: u32, wanted: &dyn Fn(&str) -> bool) -> Vec<String> {
    let mut figures = Vec::new();
    if wanted("regimes") {
        let regimes = regimes::table(devices);
        figures.push(format!(
            "regimes_held_min={:.4} u_over_needed_max={:.3} undecided_nominal_max={:.4} good_failed_max={:.4} predicted_ratio_min={:.3} predicted_ratio_max={:.3}",
            regimes.held_min,
            regimes.over_needed_max,
            regimes.undecided_nominal_max,
            regimes.good_failed_max,
            regimes.predicted_ratio[0],
            regimes.predicted_ratio[1]
        ));
    }
    if wanted("rigs") {
        let [without, with] = rigs::table((devices / 20).max(2));
        figures
            .push(format!("predicted_away_without_noise={without:.3} predicted_away_with_noise={with:.3}"));
    }
    figures
}
