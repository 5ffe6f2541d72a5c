//! Computing time of acceptances of the demo's script in virtual time, and its shares.

use std::time::Instant;
use tripbench_judge::judge_all;
use tripbench_quantity::Mono;
use tripbench_rig::{Query, VirtualModule};
use tripbench_simulator::SimulatedBench;
use tripbench_tests::Bench;
use tripbench_tests::proving::on_all_cores;

/// Runs this many acceptances of four devices; extrapolated seconds for 10,000.
pub(crate) fn table(acceptances: u32) -> f64 {
    let bench = Bench::demo();
    let task = bench.task();
    let started = Instant::now();
    let finished = on_all_cores(acceptances, |seed| {
        let mut bench = bench.clone();
        bench.truth.seed = seed;
        bench.quick(&task).halted.is_none()
    });
    let seconds = started.elapsed().as_secs_f64();
    let whole = finished.iter().filter(|finished| **finished).count();
    println!(
        "\nThe demo's script, four devices: {acceptances} acceptances in {seconds:.1} s on all cores, {whole} completed"
    );
    let one_ms = parts(&bench);
    println!(
        "one acceptance on one core: {:.1} ms in all; simulated module {:.1} ms, judging {:.1} ms, the rest is the engine",
        one_ms[0], one_ms[1], one_ms[2]
    );
    seconds * 10_000.0 / f64::from(acceptances)
}

/// Milliseconds of a whole acceptance, of its module alone and of its judging alone; medians of 20.
fn parts(bench: &Bench) -> [f64; 3] {
    const ROUNDS: u32 = 20;
    let task = bench.task();
    let outcome = bench.run();
    let reads: Vec<(Mono, Query)> = outcome
        .trace
        .scans
        .iter()
        .flat_map(|scan| scan.blocks.iter().zip(&outcome.trace.plan.reads))
        .map(|(block, read)| (block.span.before, read.query(*task.sheets.rig.link.unit)))
        .collect();
    let median = |part: &dyn Fn()| {
        let mut all: Vec<f64> = (0..ROUNDS)
            .map(|_| {
                let started = Instant::now();
                part();
                started.elapsed().as_secs_f64() * 1e3
            })
            .collect();
        all.sort_by(f64::total_cmp);
        all[all.len() / 2]
    };
    [
        median(&|| drop(bench.quick(&task))),
        median(&|| {
            let mut module = SimulatedBench::new(&task.sheets.rig, bench.truth.clone());
            for (at, query) in &reads {
                drop(module.answer(*at, query));
            }
        }),
        median(&|| drop(judge_all(&task, &outcome.trace, &outcome.record.marks))),
    ]
}
