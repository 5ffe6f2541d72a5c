//! Decisions: pass only if inside the limits by the guard band, fail only if outside by more than it, else undecided.

use crate::budget::{Contribution, Distribution, MeasurementResult};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Limits of a result in SI units, both inclusive; `None` means no limit on that side.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Limits {
    /// Lowest allowed value.
    pub low: Option<f64>,
    /// Highest allowed value.
    pub high: Option<f64>,
}

impl Limits {
    /// Guard band of simple acceptance for an expanded uncertainty U: 0 if U is at most half of the tolerance, else U. An upper limit
    /// alone gives a tolerance that starts at 0, as for a time or a rate. A lower limit alone gives no tolerance: the guard band is
    /// then always U.
    pub fn simple_guard(self, expanded_uncertainty: f64) -> f64 {
        let half = match (self.low, self.high) {
            (low, Some(high)) => (high - low.unwrap_or(0.0)) / 2.0,
            (_, None) => 0.0,
        };
        if expanded_uncertainty <= half { 0.0 } else { expanded_uncertainty }
    }
}

/// Decision rule, which sets the guard band w.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Acceptance {
    /// w = U (ILAC-G8:09/2019).
    GuardBand,
    /// w = 0 if U is at most half of the tolerance (a capability index of at least 1, JCGM 106:2012, 7.6); else w = U.
    Simple,
    /// Keeps the risk of a wrong pass, and of a wrong fail, of this device at or below `risk` (JCGM 106:2012, 8).
    HighestRisk {
        /// Highest risk, from 0 to 0.5.
        risk: f64,
        /// Standard deviation of such devices around the middle of the two limits, as a share of half the tolerance;
        /// `None` if unknown.
        process: Option<f64>,
    },
}

/// Outcome of a decision.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Inside the limits by the guard band or more.
    Pass,
    /// Outside a limit by more than the guard band.
    Fail,
    /// Neither.
    Undecided,
}

/// Decides a result. Undecided for a value or uncertainty that is not finite, an uncertainty that is not positive, or no limits.
/// Never a pass if the low limit is above the high one.
pub fn decide(result: &MeasurementResult, limits: Limits, acceptance: Acceptance) -> Outcome {
    let (y, u) = (result.value, result.expanded_uncertainty);
    let (low, high) = (limits.low.unwrap_or(f64::NEG_INFINITY), limits.high.unwrap_or(f64::INFINITY));
    if !(u.is_finite() && u > 0.0 && y.is_finite()) || (limits.low.is_none() && limits.high.is_none()) {
        return Outcome::Undecided;
    }
    let w = match acceptance {
        Acceptance::GuardBand => u,
        Acceptance::Simple => limits.simple_guard(u),
        Acceptance::HighestRisk { risk, process } => {
            return by_risk(posterior_conformance(result, limits, process), (y, low, high), risk);
        }
    };
    if low + w <= y && y <= high - w {
        Outcome::Pass
    } else if y < low - w || high + w < y {
        Outcome::Fail
    } else {
        Outcome::Undecided
    }
}

/// Decides by the probability of conformance: pass if the risk of being outside is small enough, fail if that of being inside
/// is. Whatever the prior, a value outside never passes and a value inside never fails.
fn by_risk(conforms: f64, (y, low, high): (f64, f64, f64), risk: f64) -> Outcome {
    let inside = low <= y && y <= high;
    if !(conforms.is_finite() && (0.0..=0.5).contains(&risk)) {
        Outcome::Undecided
    } else if inside && 1.0 - conforms <= risk {
        Outcome::Pass
    } else if !inside && conforms <= risk {
        Outcome::Fail
    } else {
        Outcome::Undecided
    }
}

/// Probability that the quantity lies within its limits, given the result and a prior for such devices: normal around the middle
/// of the two limits, with a standard deviation of `process` times half the tolerance. Without `process`, or with one limit
/// alone, only the result counts.
pub fn posterior_conformance(result: &MeasurementResult, limits: Limits, process: Option<f64>) -> f64 {
    let (Some(share), Some(low), Some(high)) =
        (process.filter(|share| *share > 0.0), limits.low, limits.high)
    else {
        return conformance_probability(result, limits);
    };
    let (middle, spread) = (f64::midpoint(low, high), share * (high - low) / 2.0);
    // The true value is the measured value minus its error.
    let weigh = |error: f64| (-0.5 * ((result.value - error - middle) / spread).powi(2)).exp();
    let Some(weighted) = result.density.weighted(weigh) else {
        return conformance_probability(result, limits);
    };
    weighted.between(result.value - high, result.value - low)
}

/// Improvement that would decide an undecided result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ToDecide {
    /// U that would decide the result, in its unit; `None` if the value is within U/100 of a limit.
    pub expanded_uncertainty: Option<f64>,
    /// Name of the largest contribution.
    pub contribution: String,
    /// Present standard uncertainty of that contribution.
    pub from: f64,
    /// Standard uncertainty of that contribution that would decide the result; `None` if the others alone are too large.
    pub to: Option<f64>,
    /// Number of ramps that would decide the result on this rig; `None` if no number up to 100 does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ramps: Option<u16>,
    /// Duration of a run with that number of ramps, seconds; `None` until the run is planned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub takes_s: Option<f64>,
}

/// Number of ramps that would bring U to at most 0.9 · `wanted`, given that `ramps` gave the present U: the random part shrinks
/// with 1/√n. `None` if the rest alone is too large, or if the number is above 100 or not above `ramps`.
pub fn ramps_to_decide(result: &MeasurementResult, wanted: f64, ramps: u16) -> Option<u16> {
    const SPARE: f64 = 0.9;
    const MOST: f64 = 100.0;
    let is_random = |part: &&Contribution| part.distribution == Distribution::Intervals;
    let random: f64 =
        result.contributions.iter().filter(is_random).map(|part| part.standard_uncertainty.powi(2)).sum();
    let rest = (result.standard_uncertainty.powi(2) - random).max(0.0);
    let left = (SPARE * wanted / result.coverage_factor).powi(2) - rest;
    let needed = (f64::from(ramps) * random / left).ceil();
    if !(left > 0.0 && needed <= MOST && needed > f64::from(ramps)) {
        return None;
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 1 and 100")]
    let needed = needed as u16;
    Some(needed)
}

/// Finds the largest contribution and how far it must shrink so that a result at the same value would be decided. `None` without
/// contributions.
pub fn to_decide(result: &MeasurementResult, limits: Limits) -> Option<ToDecide> {
    let away = |limit: Option<f64>| limit.map_or(f64::INFINITY, |limit| (result.value - limit).abs());
    let nearest = away(limits.low).min(away(limits.high));
    let largest = result
        .contributions
        .iter()
        .max_by(|a, b| a.standard_uncertainty.total_cmp(&b.standard_uncertainty))?;
    let wanted = nearest / result.coverage_factor;
    let rest = result.standard_uncertainty.powi(2) - largest.standard_uncertainty.powi(2);
    let left = wanted.powi(2) - rest.max(0.0);
    // A result nearer to its limit than a hundredth of U cannot be decided.
    let possible = nearest.is_finite() && nearest > result.expanded_uncertainty / 100.0;
    Some(ToDecide {
        expanded_uncertainty: possible.then_some(nearest),
        contribution: largest.name.clone(),
        from: largest.standard_uncertainty,
        to: (possible && left > 0.0).then(|| left.sqrt()),
        ramps: None,
        takes_s: None,
    })
}

/// Probability that the quantity lies within its limits, given the result (JCGM 106:2012, 7).
pub fn conformance_probability(result: &MeasurementResult, limits: Limits) -> f64 {
    let low = limits.low.map_or(f64::INFINITY, |low| result.value - low);
    let high = limits.high.map_or(f64::NEG_INFINITY, |high| result.value - high);
    result.density.between(high, low)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::budget::combine;
    use proptest::prelude::*;
    use rstest::rstest;

    fn result(value: f64, u: f64) -> MeasurementResult {
        combine(value, 0.0, vec![Contribution::normal("all", u)]).expect("a result")
    }

    // JCGM 106:2012, clause 7 (values from memory, recomputed): Zener voltage 0.92, burst pressure 0.99, oil viscosity 0.66.
    #[rstest]
    #[case(-5.47, 0.05, None, Some(-5.40), 0.919_243)]
    #[case(509.7, 8.6, Some(490.0), None, 0.989_010)]
    #[case(13.6, 1.8, Some(12.5), Some(16.3), 0.662_630)]
    fn conformance_probabilities_agree_with_jcgm_106(
        #[case] y: f64,
        #[case] u: f64,
        #[case] low: Option<f64>,
        #[case] high: Option<f64>,
        #[case] expected: f64,
    ) {
        let found = conformance_probability(&result(y, u), Limits { low, high });
        assert!((found - expected).abs() < 2e-4, "{found}");
    }

    #[rstest]
    #[case(60.0, Outcome::Pass)]
    #[case(61.0, Outcome::Undecided)]
    #[case(61.9, Outcome::Fail)]
    #[case(58.1, Outcome::Fail)]
    fn three_zones_lie_around_a_limit(#[case] y: f64, #[case] outcome: Outcome) {
        let limits = Limits { low: Some(58.8), high: Some(61.2) };
        assert_eq!(decide(&result(y, 0.25), limits, Acceptance::GuardBand), outcome);
    }

    #[test]
    fn no_limits_and_empty_limits_never_pass() {
        let free = Limits { low: None, high: None };
        let empty = Limits { low: Some(2.0), high: Some(1.0) };
        assert_eq!(decide(&result(1.5, 0.1), free, Acceptance::GuardBand), Outcome::Undecided);
        assert_ne!(decide(&result(1.5, 0.1), empty, Acceptance::Simple), Outcome::Pass);
        let nan = Limits { low: Some(f64::NAN), high: Some(2.0) };
        assert_ne!(decide(&result(1.5, 0.1), nan, Acceptance::GuardBand), Outcome::Pass);
    }

    // JCGM 106:2012, 8 (value from memory, recomputed): with a standard uncertainty of 2 % of the value, 99.9 % conformance to
    // a limit of 100 km/h needs a value of 106.5876 or more. With a normal result the guard band is z(1 − risk) u.
    #[rstest]
    #[case(106.60, Outcome::Pass)]
    #[case(106.56, Outcome::Undecided)]
    fn a_highest_risk_makes_its_own_guard_band(#[case] y: f64, #[case] outcome: Outcome) {
        let limits = Limits { low: Some(100.0), high: None };
        let rule = Acceptance::HighestRisk { risk: 0.001, process: None };
        assert_eq!(decide(&result(y, 0.02 * y), limits, rule), outcome);
    }

    // Normal prior and normal result, closed form: the posterior is normal around (y/u² + m/s²)/(1/u² + 1/s²).
    #[test]
    fn what_is_known_of_such_devices_moves_the_probability() {
        let limits = Limits { low: Some(-1.0), high: Some(1.0) };
        let found = posterior_conformance(&result(0.9, 0.3), limits, Some(0.5));
        let (precision, weighted): (f64, f64) = (1.0 / 0.09 + 1.0 / 0.25, 0.9 / 0.09);
        let (mean, sd) = (weighted / precision, (1.0 / precision).sqrt());
        let expected = conformance_probability(&result(mean, sd), limits);
        assert!((found - expected).abs() < 2e-3, "{found} instead of {expected}");
        assert!(found > conformance_probability(&result(0.9, 0.3), limits));
        let rule = Acceptance::HighestRisk { risk: 0.5, process: Some(0.01) };
        assert_ne!(decide(&result(1.1, 0.3), limits, rule), Outcome::Pass);
    }

    #[test]
    fn an_undecided_result_says_what_must_shrink() {
        let parts = vec![Contribution::normal("large", 4.0), Contribution::normal("small", 3.0)];
        let found = combine(94.0, 0.0, parts).expect("a result");
        let limits = Limits { low: None, high: Some(101.84) };
        let needed = to_decide(&found, limits).expect("a way");
        assert_eq!(needed.contribution, "large");
        // The limit is 7.84 = 1.96 · 4 away, so the combined uncertainty may be 4: √(4² − 3²) = √7 is left.
        assert!((needed.to.expect("possible") - 7f64.sqrt()).abs() < 0.02, "{needed:?}");
        let hopeless = to_decide(&found, Limits { low: None, high: Some(94.0) }).expect("an answer");
        assert_eq!((hopeless.expanded_uncertainty, hopeless.to), (None, None));
        let rest_too_large = to_decide(&found, Limits { low: None, high: Some(98.0) }).expect("an answer");
        assert!(rest_too_large.expanded_uncertainty.is_some() && rest_too_large.to.is_none());
    }

    // A random part of U = 8 from 3 ramps, plus a rest: 4 with a tenth to spare takes n = 3 σ²/((0.9·4/k)² − rest²) ramps.
    #[rstest]
    #[case(0.0, 4.0, Some(15))]
    #[case(0.6, 4.0, Some(17))]
    #[case(0.0, 7.99, Some(4))]
    #[case(0.0, 9.5, None)]
    #[case(2.0, 4.0, None)]
    #[case(0.0, 1.4, None)]
    fn how_many_ramps_would_decide(#[case] rest: f64, #[case] wanted: f64, #[case] expected: Option<u16>) {
        let density = crate::Density::normal(8.0 / 1.96, 0.05, 40.0).expect("a density");
        let parts = vec![
            Contribution::intervals("crossings", &density, 1_000_000),
            Contribution::normal("rest", rest),
        ];
        let found = combine(0.0, 0.0, parts).expect("a result");
        let (random, k) = (8.0 / 1.96, found.coverage_factor);
        let needed = (3.0 * random * random / ((0.9 * wanted / k).powi(2) - rest * rest)).ceil();
        assert!(expected.is_none_or(|expected| (needed - f64::from(expected)).abs() < 1e-9), "{needed}");
        assert_eq!(ramps_to_decide(&found, wanted, 3), expected);
    }

    // With U = 2 and limits of 10 and 20: pass from 12 to 18, fail below 8 and above 22; without a guard band the limits decide.
    #[rstest]
    #[case(12.01, Outcome::Pass, Outcome::Pass)]
    #[case(11.9, Outcome::Undecided, Outcome::Pass)]
    #[case(17.99, Outcome::Pass, Outcome::Pass)]
    #[case(18.1, Outcome::Undecided, Outcome::Pass)]
    #[case(8.1, Outcome::Undecided, Outcome::Fail)]
    #[case(7.9, Outcome::Fail, Outcome::Fail)]
    #[case(21.9, Outcome::Undecided, Outcome::Fail)]
    #[case(22.1, Outcome::Fail, Outcome::Fail)]
    #[case(10.0, Outcome::Undecided, Outcome::Pass)]
    fn guard_bands_lie_at_both_limits(#[case] y: f64, #[case] guarded: Outcome, #[case] simple: Outcome) {
        let limits = Limits { low: Some(10.0), high: Some(20.0) };
        let found = result(y, 2.0 / 1.959_964);
        assert_eq!(decide(&found, limits, Acceptance::GuardBand), guarded);
        assert_eq!(decide(&found, limits, Acceptance::Simple), simple);
    }

    // The capability index C = T/(4 u) of JCGM 106:2012, 7.6, is 1 if U = 2 u is half of the tolerance T.
    #[rstest]
    #[case(5.0, 15.0, Outcome::Pass)]
    #[case(5.0, 9.9, Outcome::Fail)]
    #[case(5.01, 15.0, Outcome::Undecided)]
    #[case(20.0, 15.0, Outcome::Undecided)]
    #[case(20.0, 9.9, Outcome::Undecided)]
    #[case(20.0, -10.1, Outcome::Fail)]
    #[case(20.0, 40.1, Outcome::Fail)]
    fn simple_acceptance_decides_only_where_the_measurement_can(
        #[case] expanded_uncertainty: f64,
        #[case] value: f64,
        #[case] expected: Outcome,
    ) {
        let found = MeasurementResult { value, expanded_uncertainty, ..result(15.0, 1.0) };
        let limits = Limits { low: Some(10.0), high: Some(20.0) };
        assert_eq!(decide(&found, limits, Acceptance::Simple), expected);
    }

    // A quantity that cannot be negative and has an upper limit of 20 has a tolerance of 20. A lower limit alone gives no tolerance.
    #[rstest]
    #[case(None, Some(20.0), 10.0, 19.9, Outcome::Pass)]
    #[case(None, Some(20.0), 10.0, 20.1, Outcome::Fail)]
    #[case(None, Some(20.0), 10.1, 19.9, Outcome::Undecided)]
    #[case(None, Some(20.0), 36.0, 36.1, Outcome::Undecided)]
    #[case(None, Some(20.0), 10.1, 30.2, Outcome::Fail)]
    #[case(Some(10.0), None, 1.0, 10.9, Outcome::Undecided)]
    #[case(Some(10.0), None, 1.0, 11.1, Outcome::Pass)]
    #[case(Some(10.0), None, 1.0, 8.9, Outcome::Fail)]
    fn simple_acceptance_at_one_limit_alone(
        #[case] low: Option<f64>,
        #[case] high: Option<f64>,
        #[case] expanded_uncertainty: f64,
        #[case] value: f64,
        #[case] expected: Outcome,
    ) {
        let found = MeasurementResult { value, expanded_uncertainty, ..result(15.0, 1.0) };
        assert_eq!(decide(&found, Limits { low, high }, Acceptance::Simple), expected);
    }

    #[rstest]
    #[case(f64::NAN, 15.0)]
    #[case(0.0, 15.0)]
    #[case(-1.0, 15.0)]
    #[case(f64::INFINITY, 15.0)]
    #[case(1.0, f64::NAN)]
    fn what_is_no_number_is_undecided(#[case] expanded_uncertainty: f64, #[case] value: f64) {
        let found = MeasurementResult { value, expanded_uncertainty, ..result(15.0, 1.0) };
        let limits = Limits { low: Some(10.0), high: Some(20.0) };
        for acceptance in [Acceptance::GuardBand, Acceptance::Simple] {
            assert_eq!(decide(&found, limits, acceptance), Outcome::Undecided);
        }
        let low = Limits { low: Some(10.0), high: None };
        assert_eq!(decide(&result(15.0, 1.0), low, Acceptance::GuardBand), Outcome::Pass);
        let high = Limits { low: None, high: Some(20.0) };
        assert_eq!(decide(&result(15.0, 1.0), high, Acceptance::GuardBand), Outcome::Pass);
    }

    // `docs/figures.md`: pass if low + w ≤ y ≤ high − w, fail only if y < low − w or y > high + w; w = 2.
    #[rstest]
    #[case(12.0, Outcome::Pass)]
    #[case(18.0, Outcome::Pass)]
    #[case(8.0, Outcome::Undecided)]
    #[case(22.0, Outcome::Undecided)]
    fn the_ends_of_the_zones_belong_to_pass_and_to_undecided(#[case] value: f64, #[case] expected: Outcome) {
        let found = MeasurementResult { value, expanded_uncertainty: 2.0, ..result(15.0, 1.0) };
        let limits = Limits { low: Some(10.0), high: Some(20.0) };
        assert_eq!(decide(&found, limits, Acceptance::GuardBand), expected);
    }

    // A risk equal to the highest risk is allowed; the limits themselves are inside.
    #[rstest]
    #[case(0.75, 15.0, 0.25, Outcome::Pass)]
    #[case(0.75, 10.0, 0.25, Outcome::Pass)]
    #[case(0.75, 20.0, 0.25, Outcome::Pass)]
    #[case(0.74, 15.0, 0.25, Outcome::Undecided)]
    #[case(0.10, 15.0, 0.25, Outcome::Undecided)]
    #[case(0.25, 9.0, 0.25, Outcome::Fail)]
    #[case(0.25, 21.0, 0.25, Outcome::Fail)]
    #[case(0.26, 21.0, 0.25, Outcome::Undecided)]
    #[case(0.90, 9.0, 0.25, Outcome::Undecided)]
    #[case(1.0, 15.0, 0.0, Outcome::Pass)]
    #[case(0.5, 15.0, 0.5, Outcome::Pass)]
    #[case(0.9, 15.0, 0.51, Outcome::Undecided)]
    #[case(1.0, 15.0, -0.01, Outcome::Undecided)]
    #[case(f64::NAN, 15.0, 0.25, Outcome::Undecided)]
    #[case(0.9, 15.0, f64::NAN, Outcome::Undecided)]
    fn a_risk_decides_only_on_its_own_side(
        #[case] conforms: f64,
        #[case] y: f64,
        #[case] risk: f64,
        #[case] expected: Outcome,
    ) {
        assert_eq!(by_risk(conforms, (y, 10.0, 20.0), risk), expected);
    }

    // Limits 10 and 14, devices around 12 with standard deviation 0.5 · 2 = 1; u = 0.6. The posterior has the mean
    // (y/0.36 + 12)/(1/0.36 + 1) and the standard deviation √(1/(1/0.36 + 1)): 13.1029 and 10.6765, 0.5145; scipy.stats.norm.
    // From the result alone: 0.7977 and 0.6306.
    #[rstest]
    #[case(13.5, Some(0.5), 0.959_383)]
    #[case(10.2, Some(0.5), 0.905_715)]
    #[case(13.5, Some(0.0), 0.797_672)]
    #[case(10.2, Some(-0.5), 0.630_559)]
    #[case(10.2, None, 0.630_559)]
    fn devices_around_the_middle_of_their_limits_conform_more_often(
        #[case] y: f64,
        #[case] process: Option<f64>,
        #[case] expected: f64,
    ) {
        let limits = Limits { low: Some(10.0), high: Some(14.0) };
        let found = posterior_conformance(&result(y, 0.6), limits, process);
        assert!((found - expected).abs() < 5e-4, "{found}");
        // With one limit there is no middle: only the result counts.
        let one = Limits { high: None, ..limits };
        assert!(
            (posterior_conformance(&result(y, 0.6), one, process)
                - conformance_probability(&result(y, 0.6), one))
            .abs()
                < 1e-12
        );
    }

    // Random part 4² = 16 from 3 ramps, k = 2, rest 0.5²: ⌈3 · 16/((0.9 · wanted/2)² − 0.25)⌉; `wanted` gives the quotient.
    #[rstest]
    #[case(99.5, Some(100))]
    #[case(100.5, None)]
    #[case(3.5, Some(4))]
    #[case(2.5, None)]
    #[case(6.3, Some(7))]
    fn as_many_ramps_as_a_hundred_and_no_fewer_than_were_made(
        #[case] quotient: f64,
        #[case] expected: Option<u16>,
    ) {
        let density = crate::Density::normal(1.0, 0.1, 9.0).expect("a density");
        let random = |u: f64| Contribution {
            standard_uncertainty: u,
            ..Contribution::intervals("crossings", &density, 3)
        };
        let found = MeasurementResult {
            standard_uncertainty: 16.25_f64.sqrt(),
            coverage_factor: 2.0,
            contributions: vec![random(7_f64.sqrt()), Contribution::normal("rest", 0.5), random(3.0)],
            ..result(0.0, 1.0)
        };
        let wanted = 2.0 / 0.9 * (48.0 / quotient + 0.25_f64).sqrt();
        assert_eq!(ramps_to_decide(&found, wanted, 3), expected);
    }

    // Risk 0.1: a normal result passes from z(0.9) = 1.2816 standard deviations inside, and fails from as much outside.
    #[rstest]
    #[case(11.3, 0.1, Outcome::Pass)]
    #[case(11.2, 0.1, Outcome::Undecided)]
    #[case(8.7, 0.1, Outcome::Fail)]
    #[case(8.8, 0.1, Outcome::Undecided)]
    #[case(11.3, 0.6, Outcome::Undecided)]
    #[case(10.1, 0.5, Outcome::Pass)]
    #[case(9.9, 0.5, Outcome::Fail)]
    fn a_risk_is_kept_both_ways(#[case] y: f64, #[case] risk: f64, #[case] outcome: Outcome) {
        let rule = Acceptance::HighestRisk { risk, process: None };
        assert_eq!(decide(&result(y, 1.0), Limits { low: Some(10.0), high: None }, rule), outcome);
        assert_eq!(decide(&result(-y, 1.0), Limits { low: None, high: Some(-10.0) }, rule), outcome);
        // The limits themselves are allowed.
        let at = Acceptance::HighestRisk { risk: 0.499, process: None };
        assert_eq!(
            decide(&result(10.0, 1.0), Limits { low: Some(10.0), high: None }, at),
            Outcome::Undecided
        );
    }

    #[test]
    fn what_is_nearer_than_a_hundredth_of_u_cannot_be_decided() {
        let found = result(10.0, 1.0);
        let at =
            |low: f64| to_decide(&found, Limits { low: Some(low), high: Some(99.0) }).expect("an answer");
        assert!(at(10.0 - 0.019).expanded_uncertainty.is_none());
        assert!((at(10.0 - 0.021).expanded_uncertainty.expect("possible") - 0.021).abs() < 1e-9);
        let one = at(9.0);
        assert!(
            (one.to.expect("possible") - 1.0 / found.coverage_factor).abs() < 1e-6
                && (one.from - 1.0).abs() < 1e-12
        );
    }

    proptest! {
        #[test]
        fn a_pass_lies_inside_by_u(y in -1e6..1e6_f64, u in 1e-3..1e5_f64, low in -1e6..1e6_f64, width in 0.0..1e6_f64) {
            let found = result(y, u);
            let limits = Limits { low: Some(low), high: Some(low + width) };
            if decide(&found, limits, Acceptance::GuardBand) == Outcome::Pass {
                prop_assert!(low + found.expanded_uncertainty <= y && y + found.expanded_uncertainty <= low + width);
            }
        }
    }
}
