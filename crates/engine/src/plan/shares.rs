//! Shares of devices left undecided by a decision rule and a U: closed forms.

use tripbench_device::{DecisionRule, SiteSheet};
use tripbench_measure::{
    Contribution, Limits, combine, conformance_probability, mean, normal_quantile, normal_share,
    scatter_ratios,
};

/// Width of the guard band under the site's rule for given limits and U, as a share of U.
pub(super) fn guard_of_u(site: &SiteSheet, limits: Limits, u: f64) -> f64 {
    match site.decision {
        DecisionRule::GuardBand => 1.0,
        DecisionRule::Simple => f64::from(u8::from(limits.simple_guard(u) > 0.0)),
        DecisionRule::HighestRisk => normal_quantile(1.0 - site.highest_risk) / normal_quantile(0.975),
    }
}

/// Share of outputs, as late as promised on average, that a guard band of `guard_s` leaves undecided, where `spare_s` more is allowed
/// and the errors are those of a result with U.
pub(super) fn late_share(spare_s: f64, u_s: f64, guard_s: f64) -> f64 {
    normal_share((guard_s - spare_s) * 1.96 / u_s)
}

/// Mean of [`late_share`] over the values at which a level and a hysteresis may be found, pascal inside their limits, and over the U
/// that a few ramps may find where `u_s` is right. `spare_s` returns the time that both leave to the output, seconds.
pub(super) fn late_share_over(
    levels: [f64; 9],
    hystereses: [f64; 9],
    [u_s, freedom]: [f64; 2],
    spare_s: impl Fn(f64, f64) -> f64,
) -> f64 {
    let found_u = scatter_ratios(freedom).map(|ratio| ratio * u_s);
    let spare_s = &spare_s;
    let spares = levels.iter().flat_map(|level| hystereses.map(|hysteresis| spare_s(*level, hysteresis)));
    let shares: Vec<f64> =
        spares.flat_map(|spare_s| found_u.map(|found_s| late_share(spare_s, u_s, found_s))).collect();
    mean(&shares).unwrap_or(1.0)
}

/// Errors of results with a U: the middles of nine equally likely parts of a normal density.
pub(super) fn errors(u: f64) -> [f64; 9] {
    [0.5, 1.5, 2.5, 3.5, 4.5, 5.5, 6.5, 7.5, 8.5].map(|part| normal_quantile(part / 9.0) * u / 1.96)
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

    // For a device at nominal with U = T/3, only the tails beyond 2 U are undecided: 2 (1 − Φ(3.92)).
    #[test]
    fn a_third_of_the_tolerance_leaves_nearly_nobody_undecided() {
        assert!(undecided_share_by(3.0, 1.0, 0.0, 1.0) < 1e-4);
        // At the limit itself 95 % are undecided (ILAC-G8 with w = U): 2 Φ(1.96) − 1.
        assert!((undecided_share_by(3.0, 1.0, 3.0, 1.0) - 0.95).abs() < 1e-3);
    }

    // With U = 1.96 the errors have a standard deviation of 1; that of the middles of nine parts is slightly less. The middle one is
    // 0.
    #[test]
    fn errors_are_spread_as_u_says() {
        let found = errors(1.96);
        let sum: f64 = found.iter().sum();
        let squares: f64 = found.iter().map(|error| error * error).sum();
        assert!(sum.abs() < 1e-9 && found[4].abs() < 1e-9, "{found:?}");
        assert!((0.9..1.0).contains(&(squares / 9.0).sqrt()), "{found:?}");
    }

    // One in forty lies beyond 1.96 standard deviations: a spare of two U leaves U for the guard and U for the error.
    #[test]
    fn a_spare_of_two_u_leaves_one_in_forty_open() {
        assert!((late_share(2.0, 1.0, 1.0) - 0.025).abs() < 1e-3);
        assert!((late_share(4.0, 2.0, 2.0) - 0.025).abs() < 1e-3);
        assert!((late_share(1.0, 1.0, 0.0) - 0.025).abs() < 1e-3);
        assert!((late_share(1.0, 1.0, 1.0) - 0.5).abs() < 1e-3);
    }
}
