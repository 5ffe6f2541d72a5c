//! A second implementation as witness: in python with scipy, with its own devices, comparator and judge of levels. It rewrites the
//! inputs of runs of a good rig; what tripbench says about those devices must agree with what it knows about them.

use crate::python::python;
use rstest::rstest;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;
use tripbench_record::Verdict;
use tripbench_tests::attacks::{Attacked, Base, BothLevels, Known, Wanted, bases, witness};
use tripbench_tests::proving::on_all_cores;

/// Its comparator and its judge against closed forms (level + r·D; two rates) and against scipy's fit of `CensoredData`.
#[test]
fn the_witness_holds_its_own_tests() {
    let Some(python) = python() else { return };
    let output = Command::new(python).arg(witness()).arg("--self-test").output().expect("python starts");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    assert!(said.contains("self-tests hold"), "{said}");
}

fn base(name: &str) -> Base {
    bases().into_iter().find(|base| base.name == name).expect("a run of that name")
}

fn attacked(base: &Base, python: &Path, (seed, first): (u64, usize), only: Option<&str>) -> Vec<Attacked> {
    const TRACES: usize = 4;
    base.attacked(Wanted { python, seed, traces: TRACES, first, only })
}

/// Sixty-four devices: each kind of misbehaviour two to four times, the others good.
#[test]
fn no_device_passes_that_the_witness_knows_to_be_bad() {
    let Some(python) = python() else { return };
    let runs = ["20 ms selected", "by hand", "goods-in 1", "normally closed"];
    let one = |index: u64| {
        let index_of_run = usize::try_from(index).expect("small");
        attacked(&base(runs[index_of_run]), &python, (index, index_of_run * 16), None)
    };
    let all: Vec<Attacked> = on_all_cores(4, one).into_iter().flatten().collect();
    assert!(all.len() >= 60);
    let bad = all.iter().filter(|one| one.known == Known::NotPass).count();
    assert!(bad >= 20, "only {bad} of {} must not pass", all.len());
    let passed: Vec<&Attacked> =
        all.iter().filter(|one| one.known == Known::NotPass && one.verdict == Verdict::Pass).collect();
    let mut by_misbehaviour: BTreeMap<&str, usize> = BTreeMap::new();
    for one in &passed {
        *by_misbehaviour.entry(&one.misbehaviour).or_default() += 1;
    }
    let list: Vec<String> = passed
        .iter()
        .map(|one| {
            format!(
                "{}, seed {}, trace {}, position {}: {}: {}",
                one.base, one.seed, one.trace, one.position, one.misbehaviour, one.why
            )
        })
        .collect();
    assert!(
        passed.is_empty(),
        "attack_passes={} of {bad}: {by_misbehaviour:?}\n{}",
        passed.len(),
        list.join("\n")
    );
}

/// Levels that differ by more than half of U; where U is too large to mean anything, by more than half of a usual U.
fn differences(levels: &[BothLevels]) -> Vec<String> {
    const USUAL_U_PA: f64 = 300.0;
    let apart = |both: &&BothLevels| (both.ours_pa - both.theirs_pa).abs() > 0.5 * both.u_pa.min(USUAL_U_PA);
    levels.iter().filter(apart).map(|both| format!("{both:?}")).collect()
}

#[rstest]
#[case("goods-in 1")]
#[case("200 ms selected")]
#[case("normally closed")]
#[case("converter 20 ms")]
#[case("10 bits")]
fn the_levels_of_good_devices_agree_with_the_witness(#[case] name: &str) {
    let Some(python) = python() else { return };
    let all = attacked(&base(name), &python, (100, 0), Some("good"));
    let good: Vec<&Attacked> = all.iter().filter(|one| one.known == Known::Good).collect();
    assert!(good.len() >= 8, "{} good ones", good.len());
    let failed: Vec<&str> =
        good.iter().filter(|one| one.verdict == Verdict::Fail).map(|one| one.against.as_str()).collect();
    assert!(failed.is_empty(), "good ones failed: {failed:?}");
    let levels: Vec<BothLevels> = good.iter().flat_map(|one| one.levels.clone()).collect();
    let wanted = good.len() * if name == "normally closed" { 2 } else { 4 };
    assert_eq!(levels.len(), wanted, "levels are missing");
    let apart = differences(&levels);
    assert!(apart.is_empty(), "{}", apart.join("\n"));
}

/// The run before anything is rewritten: both sides against the truth of the simulation.
#[rstest]
#[case("goods-in 2")]
#[case("noise 60 Pa")]
#[case("200 ms selected")]
#[case("by hand")]
#[case("scan 20 ms")]
fn both_sides_find_the_levels_of_the_simulated_devices(#[case] name: &str) {
    let Some(python) = python() else { return };
    let found = base(name).as_it_is(&python);
    assert_eq!(found.len(), 16);
    for (both, truth) in found {
        let (theirs, ours) = (both.theirs_pa - truth, both.ours_pa - truth);
        assert!(theirs.abs() <= both.u_pa, "the witness is off by {theirs:.0} Pa: {both:?}");
        assert!(ours.abs() <= both.u_pa, "the judge is off by {ours:.0} Pa: {both:?}");
    }
}
