//! The proving ground: thousands of simulated acceptances, every error that the sheets declare drawn anew for each, against
//! the truth. Prints a table for each bar and a last line of `key=value` pairs; asserts nothing.
//!
//! `cargo bench -p tripbench-tests --bench proving`, or with `-- 400` for fewer devices in a cell.

mod coverage;

use std::time::Instant;

fn main() {
    const DEVICES: u32 = 4_000;
    let asked = std::env::args().skip(1).find_map(|word| word.parse().ok());
    let devices = asked.unwrap_or(DEVICES);
    let started = Instant::now();
    let coverage = coverage::table(devices);
    let seconds = started.elapsed().as_secs_f64();
    println!(
        "coverage_min={:.4} coverage_pooled={:.4} u_over_ideal_max={:.3} bias_over_u_max={:.3} acceptances_per_s={:.0}",
        coverage.least,
        coverage.pooled,
        coverage.over_ideal,
        coverage.bias,
        f64::from(coverage.runs) / seconds
    );
}
