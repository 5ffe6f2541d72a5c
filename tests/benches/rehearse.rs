//! Speed of a rehearsal of the demo's script relative to real time; prints, asserts nothing.

use std::time::Instant;
use tripbench_tests::Bench;

#[expect(clippy::disallowed_methods, clippy::print_stdout, reason = "a program that measures and prints")]
fn main() {
    const ROUNDS: u32 = 20;
    const LIMIT: f64 = 1_000.0;
    let bench = Bench::demo();
    let task = bench.task();
    let mut ratios: Vec<f64> = (0..ROUNDS)
        .map(|_| {
            let started = Instant::now();
            let lasted = bench.rehearse(&task).seconds();
            lasted / started.elapsed().as_secs_f64()
        })
        .collect();
    ratios.sort_by(f64::total_cmp);
    let median = ratios[ratios.len() / 2];
    println!("{ROUNDS} rehearsals of {:.1} s each", bench.rehearse(&task).seconds());
    println!(
        "rehearse_over_real_time={median:.0} limit={LIMIT:.0} rehearse_over_limit={:.2}",
        median / LIMIT
    );
}
