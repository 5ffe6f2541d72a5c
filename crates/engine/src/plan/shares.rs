//! Shares of devices that a rule and a U leave undecided: closed forms.

use tripbench_device::{DecisionRule, SiteSheet};
use tripbench_measure::{Contribution, Limits, combine, conformance_probability, normal_quantile};

/// Width of the guard band by the site's rule for limits and a U, as a share of U.
pub(super) fn guard_of_u(site: &SiteSheet, limits: Limits, u: f64) -> f64 {
    match site.decision {
        DecisionRule::GuardBand => 1.0,
        DecisionRule::Simple => f64::from(u8::from(limits.simple_guard(u) > 0.0)),
        DecisionRule::HighestRisk => normal_quantile(1.0 - site.highest_risk) / normal_quantile(0.975),
    }
}

/// Share of outputs whose delay lies `off_s` beyond that of a device at nominal that a guard band leaves open, where `spare_s` more
/// are allowed.
pub(super) fn late_share(spare_s: f64, u_s: f64, off_s: f64, guard: f64) -> f64 {
    let Ok(result) = combine(off_s, 0.0, vec![Contribution::normal("all", u_s / 1.96)]) else { return 1.0 };
    1.0 - conformance_probability(&result, Limits { low: None, high: Some(spare_s - guard * u_s) })
}

/// Share of devices with a true error `off_pa` that a guard band, as a share of U, leaves undecided.
pub(super) fn undecided_share_by(t_pa: f64, u_pa: f64, off_pa: f64, guard: f64) -> f64 {
    let Ok(result) = combine(off_pa, 0.0, vec![Contribution::normal("all", u_pa / 1.96)]) else { return 1.0 };
    let within =
        |limit: f64| conformance_probability(&result, Limits { low: Some(-limit), high: Some(limit) });
    // Pass within T − w, fail beyond T + w.
    let w = guard * u_pa;
    within(t_pa + w) - if w < t_pa { within(t_pa - w) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    // For a device at nominal with U = T/3 nobody is undecided but the tails beyond 2 U: 2 (1 − Φ(3.92)).
    #[test]
    fn a_third_of_the_tolerance_leaves_nearly_nobody_undecided() {
        assert!(undecided_share_by(3.0, 1.0, 0.0, 1.0) < 1e-4);
        // At the limit itself 95 % are undecided (ILAC-G8 with w = U; value from this project's measuring notes).
        assert!((undecided_share_by(3.0, 1.0, 3.0, 1.0) - 0.95).abs() < 1e-3);
    }
}
