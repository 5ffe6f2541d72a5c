//! Searches drawn runs for wrong verdicts, unsafe outputs and lost records: `-- RUNS [SEED]`; with `-- guards [RUNS]`, counts the runs
//! until it finds the fault that each guard prevents. Prints; the exit code says whether anything was found (or, with `guards`, not).

use std::process::ExitCode;
use std::time::Instant;
use tripbench_tests::proving::on_all_cores;
use tripbench_tests::search::{Found, Guard, draw, search, stations, told};

/// Runs between two progress lines.
const BATCH: u32 = 1_000;
/// Greatest number of faulty runs printed one by one.
const MOST_TOLD: usize = 20;

#[derive(Default)]
struct Sums {
    runs: u32,
    kinds: [usize; 6],
    verdicts: [u32; 4],
    told: usize,
}

impl Sums {
    fn add(&mut self, found: &Found) {
        self.runs += 1;
        let kinds = [
            found.false_passes.len(),
            found.false_fails.len(),
            found.unsafe_ends.len(),
            found.bad_journals.len(),
            found.hangs.len(),
            found.wrong_levels.len(),
        ];
        for (sum, count) in self.kinds.iter_mut().zip(kinds) {
            *sum += usize::from(count > 0);
        }
        for (sum, count) in self.verdicts.iter_mut().zip(found.verdicts) {
            *sum += count;
        }
    }
}

#[expect(
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::disallowed_methods,
    reason = "a program that measures and prints"
)]
fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1).filter(|argument| argument != "--bench");
    let first = arguments.next();
    if first.as_deref() == Some("guards") {
        let all = guards(arguments.next().and_then(|runs| runs.parse().ok()).unwrap_or(10_000));
        return if all { ExitCode::SUCCESS } else { ExitCode::FAILURE };
    }
    let runs: u32 = first.and_then(|runs| runs.parse().ok()).unwrap_or(1_000);
    let seed: u64 = arguments.next().and_then(|seed| seed.parse().ok()).unwrap_or(0);
    let stations = stations();
    let (started, mut sums) = (Instant::now(), Sums::default());
    while sums.runs < runs {
        let (from, count) = (seed + u64::from(sums.runs), BATCH.min(runs - sums.runs));
        let all = on_all_cores(count, |index| (from + index, search(&stations, from + index, None)));
        for (seed, found) in all {
            sums.add(&found);
            if !found.all().is_empty() && sums.told < MOST_TOLD {
                sums.told += 1;
                tell(&stations, seed, &found);
            }
        }
        let per_s = f64::from(sums.runs) / started.elapsed().as_secs_f64();
        eprintln!("{} of {runs}, {per_s:.1} a second", sums.runs);
    }
    let per_s = f64::from(sums.runs) / started.elapsed().as_secs_f64();
    let [passed, failed, undecided, aborted] = sums.verdicts;
    println!("devices: passed {passed}, failed {failed}, undecided {undecided}, aborted {aborted}");
    let [passes, fails, unsafe_ends, journals, hangs, levels] = sums.kinds;
    println!(
        "runs={} false_passes={passes} false_fails={fails} unsafe_ends={unsafe_ends} bad_journals={journals} hangs={hangs} runs_per_s={per_s:.1} wrong_levels={levels}",
        sums.runs
    );
    if sums.kinds.iter().all(|kind| *kind == 0) { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

#[expect(clippy::print_stdout, reason = "a program that prints")]
fn tell(stations: &[tripbench_tests::search::Station], seed: u64, found: &Found) {
    let drawn = draw(stations, seed);
    println!("seed {seed}, {}: {}", drawn.station.name, told(&drawn.troubles));
    for (kind, what) in found.all() {
        println!("  {kind}: {what}");
    }
}

/// Prints, for each guard, how many runs without it are needed to find its fault; `true` if all are found.
#[expect(clippy::print_stdout, reason = "a program that prints")]
fn guards(most: u64) -> bool {
    let mut all_found = true;
    let stations = stations();
    println!("{:<16} {:>8} {:>8}  found", "without", "runs", "seed");
    for guard in Guard::ALL {
        let mut from = 0;
        let first = loop {
            let count = 200.min(most - from);
            let all = on_all_cores(u32::try_from(count).unwrap_or(0), |index| {
                (from + index, search(&stations, from + index, Some(guard)))
            });
            let hit = all.into_iter().find(|(_, found)| !found.all().is_empty());
            from += count;
            if hit.is_some() || from >= most {
                break hit;
            }
        };
        match first {
            Some((seed, found)) => {
                let (kind, what) = found.all()[0];
                println!("{:<16} {:>8} {seed:>8}  {kind}: {what}", format!("{guard:?}"), seed + 1);
            }
            None => {
                all_found = false;
                println!("{:<16} {most:>8} {:>8}  nothing", format!("{guard:?}"), "-");
            }
        }
    }
    all_found
}
