//! Tests for false passes: runs rewritten by a second implementation with devices of its own.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use tripbench_record::Verdict;
use tripbench_tests::attacks::{Attacked, Base, Known, Wanted, bases};
use tripbench_tests::proving::on_all_cores;

/// Counts over all devices.
#[derive(Default)]
pub(crate) struct Attacks {
    /// Devices that must not pass and passed, without a statement that their fault was not checked.
    pub(crate) passes: usize,
    /// Devices that must not pass and passed, with that statement.
    pub(crate) passes_said: usize,
    /// Good devices that failed.
    pub(crate) good_failed: usize,
    /// Good devices that are undecided.
    pub(crate) good_undecided: usize,
    /// Good devices.
    pub(crate) good: usize,
    /// Largest difference between the levels of judge and witness for a good device, divided by U.
    pub(crate) level_over_u: f64,
}

/// Judges about `devices` attacked devices; `None` without the Python environment that `tests/run` sets up.
pub(crate) fn table(devices: u32) -> Option<Attacks> {
    let Some(python) = std::env::var_os("TRIPBENCH_PYTHON").map(PathBuf::from) else {
        println!("\nAttacks: SKIPPED: TRIPBENCH_PYTHON is not set; tests/run sets it up");
        return None;
    };
    let all = attacked(&bases(), &python, devices as usize);
    println!(
        "\nAttacks: {} devices drawn by the witness in rewritten runs; must not pass / good / near a limit / cannot be seen",
        all.len()
    );
    by(&all, "misbehaviour", |one| one.misbehaviour.clone());
    by(&all, "run", |one| one.base.to_owned());
    let passed = |one: &&Attacked| one.known == Known::NotPass && one.verdict == Verdict::Pass;
    for one in all.iter().filter(passed) {
        println!(
            "PASSED{}: {}, seed {}, trace {}, position {}: {} {}",
            if one.said() { ", reported as not checked" } else { "" },
            one.base,
            one.seed,
            one.trace,
            one.position,
            one.misbehaviour,
            one.why
        );
    }
    for one in all.iter().filter(|one| one.known == Known::Good && one.verdict != Verdict::Pass) {
        println!("GOOD, {}: {} {}/{}: {}", one.verdict, one.base, one.trace, one.position, one.against);
    }
    Some(figures(&all))
}

fn attacked(bases: &[Base], python: &Path, devices: usize) -> Vec<Attacked> {
    let share = devices.div_ceil(bases.len());
    let one = |index: u64| {
        let base = &bases[usize::try_from(index).unwrap_or(0)];
        let traces = share.div_ceil(base.positions());
        let first = share * usize::try_from(index).unwrap_or(0);
        base.attacked(Wanted { python, seed: index, traces, first, only: None })
    };
    on_all_cores(u32::try_from(bases.len()).unwrap_or(0), one).into_iter().flatten().collect()
}

/// Prints the verdicts, grouped by a property of the devices.
fn by(all: &[Attacked], name: &str, of: impl Fn(&Attacked) -> String) {
    let kinds = [Known::NotPass, Known::Good, Known::Gray, Known::Blind];
    println!("{:<20} each: passed, failed, undecided", "");
    println!("{name:<20} {:>14} {:>14} {:>14} {:>14}", "not pass", "good", "gray", "blind");
    let mut rows: BTreeMap<String, Vec<&Attacked>> = BTreeMap::new();
    for one in all {
        rows.entry(of(one)).or_default().push(one);
    }
    rows.insert(String::from("~ all"), all.iter().collect());
    for (row, mine) in rows {
        let cell = |known: Known| {
            let count = |wanted: fn(Verdict) -> bool| {
                mine.iter().filter(|one| one.known == known && wanted(one.verdict)).count()
            };
            let (passed, failed) =
                (count(|verdict| verdict == Verdict::Pass), count(|verdict| verdict == Verdict::Fail));
            let other = count(|verdict| !matches!(verdict, Verdict::Pass | Verdict::Fail));
            format!("{passed:>4} {failed:>4} {other:>4}")
        };
        let cells = kinds.map(|known| format!("{:>15}", cell(known)));
        println!("{row:<20}{}", cells.concat());
    }
}

fn figures(all: &[Attacked]) -> Attacks {
    let count = |known: Known, verdict: Verdict| {
        all.iter().filter(|one| one.known == known && one.verdict == verdict).count()
    };
    let passed = |said: bool| {
        let not_pass = |one: &&Attacked| one.known == Known::NotPass && one.verdict == Verdict::Pass;
        all.iter().filter(not_pass).filter(|one| one.said() == said).count()
    };
    let good = || all.iter().filter(|one| one.known == Known::Good);
    let differences =
        good().flat_map(|one| &one.levels).map(|both| (both.ours_pa - both.theirs_pa).abs() / both.u_pa);
    Attacks {
        passes: passed(false),
        passes_said: passed(true),
        good_failed: count(Known::Good, Verdict::Fail),
        good_undecided: count(Known::Good, Verdict::Undecided),
        good: good().count(),
        level_over_u: differences.fold(0.0, f64::max),
    }
}
