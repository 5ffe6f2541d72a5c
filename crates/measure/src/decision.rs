//! Decisions: pass only when inside by the guard band, fail only when outside by it, else undecided.

use crate::budget::MeasurementResult;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Limits of a result, SI; both ends belong to what is allowed; a missing end is no limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Limits {
    /// Lowest allowed.
    pub low: Option<f64>,
    /// Highest allowed.
    pub high: Option<f64>,
}

/// Width of the guard band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Acceptance {
    /// w = U (ILAC-G8:09/2019).
    GuardBand,
    /// w = 0.
    Simple,
}

/// What a result says of its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Inside by the guard band or more.
    Pass,
    /// Outside by the guard band or more.
    Fail,
    /// Neither.
    Undecided,
}

/// Decides a result. Anything that is not a number ends in undecided, and so do limits that leave nothing.
pub fn decide(result: &MeasurementResult, limits: Limits, acceptance: Acceptance) -> Outcome {
    let (y, u) = (result.value, result.expanded_uncertainty);
    let w = match acceptance {
        Acceptance::GuardBand => u,
        Acceptance::Simple => 0.0,
    };
    let (low, high) = (limits.low.unwrap_or(f64::NEG_INFINITY), limits.high.unwrap_or(f64::INFINITY));
    if !(u.is_finite() && u > 0.0 && y.is_finite()) || (limits.low.is_none() && limits.high.is_none()) {
        return Outcome::Undecided;
    }
    if low + w <= y && y <= high - w {
        Outcome::Pass
    } else if y < low - w || high + w < y {
        Outcome::Fail
    } else {
        Outcome::Undecided
    }
}

/// Probability that the quantity lies within its limits, given the result (JCGM 106:2012, 7).
pub fn conformance_probability(result: &MeasurementResult, limits: Limits) -> f64 {
    let low = limits.low.map_or(f64::NEG_INFINITY, |low| low - result.value);
    let high = limits.high.map_or(f64::INFINITY, |high| high - result.value);
    result.density.between(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::budget::{Contribution, combine};
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
