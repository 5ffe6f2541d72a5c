//! Decisions: devices at their limits and 2 U inside and outside, and a process of known spread against JCGM 106:2012.

use rand_core::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;
use tripbench_measure::{Limits, Process, global_risks, mean};
use tripbench_record::{CheckVerdict, QuantityName};
use tripbench_tests::proving::{Cell, HALF_TOLERANCE_PA, NOMINAL_PA, Ready, on_all_cores, said};

/// Greatest shares of devices at a limit that passed and failed, and share of the process that was undecided.
pub(crate) struct Risk {
    pub(crate) passed_at_limit: f64,
    pub(crate) failed_at_limit: f64,
    pub(crate) undecided: f64,
}

pub(crate) fn table(devices: u32) -> Risk {
    let ready = Ready::new(Cell { name: "risk", ..Cell::BASE });
    let u_pa = stated(&ready);
    println!("\nDecisions with w = U = {u_pa:.0} Pa; {devices} devices each");
    println!("{:<34} {:>8} {:>8} {:>10}", "switch point", "passed", "failed", "undecided");
    let (mut passed, mut failed) = (0.0_f64, 0.0_f64);
    for (name, off) in
        [("at the less deep limit", -HALF_TOLERANCE_PA), ("at the deep limit", HALF_TOLERANCE_PA)]
    {
        let shares = shares(&ready, NOMINAL_PA[0] + off, devices);
        print(name, shares);
        (passed, failed) = (passed.max(shares[0]), failed.max(shares[1]));
    }
    for (name, side) in [("less deep", -1.0), ("deep", 1.0)] {
        for (place, by) in [("inside", -2.0 * u_pa), ("outside", 2.0 * u_pa)] {
            let level = NOMINAL_PA[0] + side * (HALF_TOLERANCE_PA + by);
            print(&format!("2 U {place} the {name} limit"), shares(&ready, level, devices));
        }
    }
    let undecided = process(&ready, u_pa, devices);
    Risk { passed_at_limit: passed, failed_at_limit: failed, undecided }
}

fn print(name: &str, [passed, failed, undecided]: [f64; 3]) {
    let [passed, failed, undecided] = [passed, failed, undecided].map(|share| share * 100.0);
    println!("{name:<34} {passed:>7.2}% {failed:>7.2}% {undecided:>9.2}%");
}

fn stated(ready: &Ready) -> f64 {
    let all = on_all_cores(20, |seed| {
        let (_, found) = ready.run(seed, |_| NOMINAL_PA, |_| {});
        said(&found.checks, QuantityName::SwitchPoint, 0.0).map(|said| said.stated)
    });
    mean(&all.into_iter().flatten().collect::<Vec<_>>()).unwrap_or(f64::NAN)
}

/// Shares of passed, failed and undecided for devices with the switch point at this level.
fn shares(ready: &Ready, level_pa: f64, devices: u32) -> [f64; 3] {
    let verdicts = on_all_cores(devices, |seed| {
        let (_, found) = ready.run(seed, |_| [level_pa, level_pa - 5e3], |_| {});
        said(&found.checks, QuantityName::SwitchPoint, level_pa).map(|said| said.check.verdict)
    });
    [CheckVerdict::Pass, CheckVerdict::Fail, CheckVerdict::Undecided].map(|wanted| {
        let count = verdicts.iter().filter(|verdict| **verdict == Some(wanted)).count();
        share(count, devices)
    })
}

fn share(count: usize, of: u32) -> f64 {
    f64::from(u32::try_from(count).unwrap_or(u32::MAX)) / f64::from(of)
}

/// A process with a standard deviation of 0.75 kPa around nominal: bad devices passed and good ones not passed, as counted and by
/// quadrature (global risks, JCGM 106:2012, 9; equations from memory). Returns the share undecided.
fn process(ready: &Ready, u_pa: f64, devices: u32) -> f64 {
    const SIGMA_PA: f64 = 750.0;
    let found = on_all_cores(devices, |seed| {
        let mut random = Pcg64Mcg::seed_from_u64(seed ^ 0x5eed);
        let off = Normal::new(0.0, SIGMA_PA).map_or(0.0, |process| process.sample(&mut random));
        let level = NOMINAL_PA[0] + off;
        let (_, found) = ready.run(seed, |_| [level, level - 5e3], |_| {});
        (off.abs() <= HALF_TOLERANCE_PA, said(&found.checks, QuantityName::SwitchPoint, level))
    });
    let verdict = |found: &(bool, Option<tripbench_tests::proving::Said>)| {
        found.1.as_ref().map(|said| said.check.verdict)
    };
    let passed_bad = found.iter().filter(|one| !one.0 && verdict(one) == Some(CheckVerdict::Pass)).count();
    let good_not_passed =
        found.iter().filter(|one| one.0 && verdict(one) != Some(CheckVerdict::Pass)).count();
    let undecided = found.iter().filter(|one| verdict(one) == Some(CheckVerdict::Undecided)).count();
    let standard: Vec<f64> = found
        .iter()
        .filter_map(|one| Some(one.1.as_ref()?.check.measured.as_ref()?.standard_uncertainty))
        .collect();
    let process = Process {
        mean: 0.0,
        spread: SIGMA_PA,
        uncertainty: mean(&standard).unwrap_or(f64::NAN),
        guard: u_pa,
    };
    let limits = Limits { low: Some(-HALF_TOLERANCE_PA), high: Some(HALF_TOLERANCE_PA) };
    let risks = global_risks(process, limits);
    let expected = [risks.passed_bad, risks.good_not_passed];
    println!("process of sigma 750 Pa: share found, share by quadrature, difference in standard deviations");
    for (name, seen, expected) in
        [("bad, passed", passed_bad, expected[0]), ("good, not passed", good_not_passed, expected[1])]
    {
        let (seen, n) = (share(seen, devices), f64::from(devices));
        let sigma = (expected * (1.0 - expected) / n).sqrt();
        println!(
            "  {name:<20} {:>7.3}% {:>7.3}% {:>6.2}",
            seen * 100.0,
            expected * 100.0,
            (seen - expected) / sigma
        );
    }
    share(undecided, devices)
}
