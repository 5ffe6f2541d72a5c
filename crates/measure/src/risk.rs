//! Global risks of passing bad devices and of not passing good ones, for normal process and measurement (JCGM 106:2012, 9).

use crate::decision::Limits;
use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// A process of devices and its measurement, all in one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Process {
    /// Mean of the devices.
    pub mean: f64,
    /// Standard deviation of the devices.
    pub spread: f64,
    /// Standard uncertainty of a measurement.
    pub uncertainty: f64,
    /// Guard band: distance of the acceptance limits inside the tolerance limits; negative if outside.
    pub guard: f64,
}

/// Risks as shares of all devices, from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Risks {
    /// Devices inside the limits.
    pub conforming: f64,
    /// Devices outside the limits that pass (global consumer's risk).
    pub passed_bad: f64,
    /// Devices inside the limits that do not pass (global producer's risk).
    pub good_not_passed: f64,
}

/// Computes the risks by quadrature over the process: the midpoint rule out to eight standard deviations, separately below,
/// between and above the limits.
pub fn global_risks(process: Process, limits: Limits) -> Risks {
    const REACH: f64 = 8.0;
    let z = |limit: f64| ((limit - process.mean) / process.spread).clamp(-REACH, REACH);
    let low = limits.low.map_or(-REACH, z);
    let high = limits.high.map_or(REACH, z).max(low);
    let accepted = Limits {
        low: limits.low.map(|low| low + process.guard),
        high: limits.high.map(|high| high - process.guard),
    };
    let (below, inside, above) = (
        passing(process, accepted, (-REACH, low)),
        passing(process, accepted, (low, high)),
        passing(process, accepted, (high, REACH)),
    );
    let normal = Normal::standard();
    let conforming = normal.cdf(high) - normal.cdf(low);
    Risks { conforming, passed_bad: below + above, good_not_passed: conforming - inside }
}

/// Share of all devices that lie between two standard scores and pass.
fn passing(process: Process, accepted: Limits, (from, to): (f64, f64)) -> f64 {
    const CELLS: i32 = 4_000;
    let normal = Normal::standard();
    let step = (to - from) / f64::from(CELLS);
    let below = |limit: Option<f64>, truth: f64, none: f64| {
        limit.map_or(none, |limit| normal.cdf((limit - truth) / process.uncertainty))
    };
    let cell = |cell: i32| {
        let z = from + (f64::from(cell) + 0.5) * step;
        let truth = process.mean + z * process.spread;
        let passes = below(accepted.high, truth, 1.0) - below(accepted.low, truth, 0.0);
        normal.pdf(z) * step * passes.max(0.0)
    };
    (0..CELLS).map(cell).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    // JCGM 106:2012, 9.5, resistors: printed conforming 0.90, R_C 0.01, R_P 0.07 for a guard band of 0.02 (from memory; these inputs
    // reproduce them). All rows recomputed by Simpson's rule in Python.
    #[rstest]
    #[case(0.0, 0.018_942_206_717, 0.037_207_800_178)]
    #[case(0.01, 0.013_962_317_296, 0.051_457_574_439)]
    #[case(0.02, 0.009_878_291_522, 0.069_026_510_462)]
    #[case(0.03, 0.006_693_023_589, 0.090_071_052_194)]
    #[case(0.04, 0.004_334_072_222, 0.114_656_578_408)]
    #[case(-0.02, 0.031_144_552_273, 0.017_554_168_728)]
    fn the_resistors_of_jcgm_106_have_the_printed_risks(
        #[case] guard: f64,
        #[case] consumer: f64,
        #[case] producer: f64,
    ) {
        let process = Process { mean: 1_500.0, spread: 0.12, uncertainty: 0.04, guard };
        let found = global_risks(process, Limits { low: Some(1_499.8), high: Some(1_500.2) });
        assert!((found.conforming - 0.904_419_295_4).abs() < 1e-6, "{found:?}");
        assert!((found.passed_bad - consumer).abs() < 2e-7, "{found:?}");
        assert!((found.good_not_passed - producer).abs() < 2e-7, "{found:?}");
    }

    // ILAC-G8:09/2019, table of decision rules, specific risk of a result at the acceptance limit (rows from memory): guard bands of
    // 3 U, 1.5 U, U, 0.83 U and 0 leave less than 1 ppm, 0.16 %, 2.5 %, 5 % and 50 %. U with k = 2; the risks are upper bounds.
    #[rstest]
    #[case(3.0, 1e-6)]
    #[case(1.5, 0.0016)]
    #[case(1.0, 0.025)]
    #[case(0.83, 0.05)]
    #[case(0.0, 0.5)]
    fn guard_bands_leave_the_risks_of_ilac_g8(#[case] share_of_u: f64, #[case] at_most: f64) {
        let result = crate::combine(-share_of_u * 2.0, 0.0, vec![crate::Contribution::normal("all", 1.0)]);
        let limits = Limits { low: None, high: Some(0.0) };
        let risk = 1.0 - crate::conformance_probability(&result.expect("a result"), limits);
        // The density is on a grid: allow a relative error of 0.1 % and an absolute one of 1e-6.
        assert!(risk <= at_most * 1.001 + 1e-6, "{risk}");
        assert!(share_of_u > 1.6 || risk > at_most * 0.8, "{risk} is far below {at_most}");
    }
}
