//! Searches drawn runs for wrong verdicts, unsafe outputs and lost records: `-- RUNS [SEED]`; with `-- guards [RUNS [GUARD]]`, counts the runs
//! until it finds the fault that each guard prevents. Prints; the exit code says whether anything was found (or, with `guards`, not).

use std::process::ExitCode;
use std::time::Instant;
use tripbench_tests::proving::on_all_cores;
use tripbench_tests::search::{Found, Guard, Stations, draw, search, stations, told};

/// Runs between two progress lines.
const BATCH: u32 = 1_000;
/// Greatest number of faulty runs printed one by one.
const MOST_TOLD: usize = 20;

#[derive(Default)]
struct Sums {
    runs: u32,
    kinds: [usize; 7],
    verdicts: [u32; 4],
    /// Devices outside a limit by less than U: passed, and all; with a reference within its U, and off by more.
    risked: [[u32; 2]; 2],
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
            found.wrong_devices.len(),
        ];
        for (sum, count) in self.kinds.iter_mut().zip(kinds) {
            *sum += usize::from(count > 0);
        }
        for (sum, count) in self.risked.as_flattened_mut().iter_mut().zip(found.risked.as_flattened()) {
            *sum += count;
        }
        for (sum, count) in self.verdicts.iter_mut().zip(found.verdicts) {
            *sum += count;
        }
    }
}

/// Share of references whose error is beyond their expanded uncertainty with k = 2.
const BEYOND: f64 = 0.0455;
/// Greatest stated risk that a device outside a limit passes.
const STATED_RISK: f64 = 0.025;

impl Sums {
    /// Prints and returns the share of devices outside a limit by less than U that passed, with as many references beyond their U as there
    /// are. With few devices it is not counted.
    #[expect(clippy::print_stdout, reason = "a program that prints")]
    fn risk(&self) -> f64 {
        const FEWEST: u32 = 100;
        let [within, beyond] = self.risked;
        let share = |[passed, all]: [u32; 2]| f64::from(passed) / f64::from(all.max(1));
        let risk = (1.0 - BEYOND) * share(within) + BEYOND * share(beyond);
        println!(
            "outside a limit by less than U: passed {} of {}, with the reference off by U to 2 U {} of {}; together {:.2} % (at most {:.1} %)",
            within[0],
            within[1],
            beyond[0],
            beyond[1],
            risk * 100.0,
            STATED_RISK * 100.0
        );
        if within[1].min(beyond[1]) < FEWEST { 0.0 } else { risk }
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
        let most = arguments.next().and_then(|runs| runs.parse().ok()).unwrap_or(10_000);
        let all = guards(most, arguments.next().as_deref());
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
    let risk = sums.risk();
    let [passes, fails, unsafe_ends, journals, hangs, levels, devices] = sums.kinds;
    println!(
        "runs={} false_passes={passes} false_fails={fails} unsafe_ends={unsafe_ends} bad_journals={journals} hangs={hangs} runs_per_s={per_s:.1} wrong_levels={levels} wrong_devices={devices}",
        sums.runs
    );
    if sums.kinds.iter().all(|kind| *kind == 0) && risk <= STATED_RISK {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

#[expect(clippy::print_stdout, reason = "a program that prints")]
fn tell(stations: &Stations, seed: u64, found: &Found) {
    let drawn = draw(stations, seed);
    println!("seed {seed}, {}: {}", drawn.station.name, told(&drawn.troubles));
    println!("  devices {:?}, faults of the rig {:?}", drawn.devices, drawn.truth.faults);
    for (kind, what) in found.all() {
        println!("  {kind}: {what}");
    }
}

/// Prints, for each guard or for the one with a name, how many runs without it are needed to find its fault; `true` if all are found.
#[expect(clippy::print_stdout, reason = "a program that prints")]
fn guards(most: u64, name: Option<&str>) -> bool {
    let mut all_found = true;
    let stations = stations();
    println!("{:<16} {:>8} {:>8}  found", "without", "runs", "seed");
    let is_meant = |guard: &Guard| name.is_none_or(|name| format!("{guard:?}") == name);
    for guard in Guard::ALL.into_iter().filter(is_meant) {
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
