//! Least and greatest of several values that are each known with noise.
//!
//! The least reading is biased low: among nearly equal values noise decides which is the least. Here the true values are modelled
//! as normal around a common mean with an unknown spread, and the least is averaged over their posterior.

use statrs::distribution::{ContinuousCDF, Normal};

/// A value with the standard uncertainty of its own noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noisy {
    /// Observed value.
    pub value: f64,
    /// Standard uncertainty, independent of the other values.
    pub uncertainty: f64,
}

/// Steps of the spread grid.
const SPREADS: i32 = 14;
/// Cells for the distribution of the least.
const CELLS: i32 = 80;
/// Standard deviations beyond which the tail of a value is neglected.
const FAR: f64 = 8.0;
/// Nodes and weights of three-point Gauss–Hermite quadrature over a normal mean (Abramowitz and Stegun, 25.4.46; from memory).
const NODES: [(f64, f64); 3] =
    [(-1.732_050_807_568_877_2, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732_050_807_568_877_2, 1.0 / 6.0)];

/// Posterior mean and standard deviation of the least of the true values. `spread` is the least standard deviation of the true
/// values; `None` if they may be equal. Returns `None` without values, for values that are not finite, or for a negative uncertainty.
pub fn least_of(values: &[Noisy], spread: Option<f64>) -> Option<Noisy> {
    let finite = |one: &Noisy| one.value.is_finite() && one.uncertainty.is_finite() && one.uncertainty >= 0.0;
    let first = *values.first().filter(|_| values.iter().all(finite))?;
    if values.len() == 1 {
        return Some(first);
    }
    let offset = first.value;
    let centred: Vec<Noisy> = values.iter().map(|one| Noisy { value: one.value - offset, ..*one }).collect();
    let (mut whole, mut sum, mut squares) = (0.0, 0.0, 0.0);
    let parts: Vec<(f64, Around)> =
        spreads(&centred, spread).map(|(tau, weight)| (weight, Around::of(&centred, tau))).collect();
    let peak = parts.iter().map(|(_, part)| part.ln_evidence).fold(f64::NEG_INFINITY, f64::max);
    for (weight, part) in &parts {
        let weight = weight * (part.ln_evidence - peak).exp();
        for (node, share) in NODES {
            let (mean, variance) = part.least(&centred, part.mean + node * part.mean_u);
            whole += weight * share;
            sum += weight * share * mean;
            squares += weight * share * (variance + mean * mean);
        }
    }
    let mean = sum / whole;
    let uncertainty = (squares / whole - mean * mean).max(0.0).sqrt();
    (mean.is_finite() && uncertainty.is_finite()).then_some(Noisy { value: offset + mean, uncertainty })
}

/// Posterior mean and standard deviation of the greatest of the true values, as [`least_of`].
pub fn greatest_of(values: &[Noisy], spread: Option<f64>) -> Option<Noisy> {
    let mirrored: Vec<Noisy> = values.iter().map(|one| Noisy { value: -one.value, ..*one }).collect();
    least_of(&mirrored, spread).map(|one| Noisy { value: -one.value, ..one })
}

/// Candidate spreads with their prior weights. If the values may be equal, half of the weight is on a spread of zero and the other
/// half is uniform over the spreads; if a least spread is known, the weight is uniform in the logarithm from there on.
fn spreads(values: &[Noisy], known: Option<f64>) -> impl Iterator<Item = (f64, f64)> {
    let least = values.iter().map(|one| one.value).fold(f64::INFINITY, f64::min);
    let most = values.iter().map(|one| one.value).fold(f64::NEG_INFINITY, f64::max);
    let noise = values.iter().map(|one| one.uncertainty).fold(0.0, f64::max);
    let scale = (most - least).max(noise).max(f64::MIN_POSITIVE);
    let from = known.unwrap_or(0.0).max(scale * 0.03);
    let to = (scale * 3.0).max(from * 3.0);
    let step = (to / from).ln() / f64::from(SPREADS);
    let grid = (0..=SPREADS).map(move |index| from * (step * f64::from(index)).exp());
    let one = known.is_none().then_some((0.0, to - from));
    let weight = move |tau: f64| if known.is_some() { step } else { tau * step };
    one.into_iter().chain(grid.map(move |tau| (tau, weight(tau))))
}

/// Posterior of the common mean for one spread.
struct Around {
    tau: f64,
    mean: f64,
    mean_u: f64,
    ln_evidence: f64,
}

impl Around {
    fn of(values: &[Noisy], tau: f64) -> Self {
        let variance = |one: &Noisy| (one.uncertainty.powi(2) + tau * tau).max(1e-18);
        let weights: f64 = values.iter().map(|one| 1.0 / variance(one)).sum();
        let mean = values.iter().map(|one| one.value / variance(one)).sum::<f64>() / weights;
        let ln: f64 = values
            .iter()
            .map(|one| -0.5 * ((one.value - mean).powi(2) / variance(one) + variance(one).ln()))
            .sum();
        Self { tau, mean, mean_u: weights.sqrt().recip(), ln_evidence: ln - 0.5 * weights.ln() }
    }

    /// Mean and variance of the least of the true values, given their common mean.
    fn least(&self, values: &[Noisy], mean: f64) -> (f64, f64) {
        let posterior = |one: &Noisy| {
            let (own, around) = (one.uncertainty.powi(2), self.tau * self.tau);
            let share = if own + around > 0.0 { around / (own + around) } else { 1.0 };
            (mean + share * (one.value - mean), (own * share).sqrt())
        };
        let all: Vec<(f64, f64)> = values.iter().map(posterior).collect();
        let highest = all.iter().map(|(at, u)| at + FAR * u).fold(f64::INFINITY, f64::min);
        let near: Vec<(f64, f64)> = all.into_iter().filter(|(at, u)| at - FAR * u <= highest).collect();
        let lowest = near.iter().map(|(at, u)| at - FAR * u).fold(f64::INFINITY, f64::min);
        let step = (highest - lowest) / f64::from(CELLS);
        if step <= 0.0 {
            return (highest, 0.0);
        }
        let (normal, mut above) = (Normal::standard(), 1.0);
        let (mut sum, mut squares) = (0.0, 0.0);
        for cell in 1..=CELLS {
            let x = lowest + f64::from(cell) * step;
            let beyond = |(at, u): &(f64, f64)| {
                if *u > 0.0 { normal.cdf((at - x) / u) } else { f64::from(u8::from(*at > x)) }
            };
            let next = if cell == CELLS { 0.0 } else { near.iter().map(beyond).product::<f64>() };
            let (mass, middle) = (above - next, x - step / 2.0 - lowest);
            sum += mass * middle;
            squares += mass * middle * middle;
            above = next;
        }
        (lowest + sum, (squares - sum * sum).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn noisy(values: &[f64], uncertainty: f64) -> Vec<Noisy> {
        values.iter().map(|value| Noisy { value: *value, uncertainty }).collect()
    }

    #[test]
    fn values_far_apart_leave_the_lowest_as_it_was_read() {
        let found = least_of(&noisy(&[500.0, 300.0, 900.0], 2.0), None).expect("a least");
        assert!((found.value - 300.0).abs() < 0.2 && (found.uncertainty - 2.0).abs() < 0.2, "{found:?}");
        let found = greatest_of(&noisy(&[500.0, 300.0, 900.0], 2.0), None).expect("a greatest");
        assert!((found.value - 900.0).abs() < 0.2, "{found:?}");
    }

    // The least of equal true values is their mean, with the uncertainty of the mean, although the least of nine readings is on average
    // 1.485 u below it (table of normal order statistics, from memory).
    #[test]
    fn values_that_are_one_have_their_mean_as_the_least() {
        let quantiles = [-1.485, -0.932, -0.572, -0.275, 0.0, 0.275, 0.572, 0.932, 1.485];
        let found = least_of(&noisy(&quantiles, 1.0), None).expect("a least");
        assert!(found.value > -0.8, "{found:?}");
        assert!((0.3..0.8).contains(&found.uncertainty), "{found:?}");
    }

    // If the values are known to differ by more than their noise, the least is near the least reading; if they may be equal it is not.
    #[test]
    fn a_spread_that_is_known_is_believed() {
        let values = noisy(&[0.0, 10.0, 25.0], 15.0);
        let [one, spread] = [None, Some(100.0)].map(|known| least_of(&values, known).expect("a least").value);
        assert!(one > 2.0 && spread < one - 3.0, "{one} {spread}");
    }

    #[rstest]
    #[case(&[])]
    #[case(&[f64::NAN, 1.0])]
    fn nothing_comes_of_nothing_and_of_nan(#[case] values: &[f64]) {
        assert_eq!(least_of(&noisy(values, 1.0), None), None);
    }

    #[test]
    fn values_without_noise_are_believed() {
        let found = least_of(&noisy(&[3.0, 1.0, 2.0], 0.0), None).expect("a least");
        assert!((found.value - 1.0).abs() < 1e-6 && found.uncertainty < 0.1, "{found:?}");
    }

    #[track_caller]
    fn within(found: f64, expected: f64, by: f64) {
        assert!((found - expected).abs() <= by, "{found} instead of {expected}");
    }

    // Two values: for each spread Clark's closed form for the least of two normal quantities (Operations Research 9, 1961), weighted by
    // the likelihood of the spread; for a spread of zero the weighted mean.
    #[rstest]
    #[case(&[(5.0, 2.0), (9.0, 3.0)], None, 5.763_72, 1.834_20)]
    #[case(&[(5.0, 2.0), (9.0, 3.0)], Some(4.0), 4.925_24, 1.870_31)]
    #[case(&[(9.0, 3.0), (5.0, 2.0)], Some(4.0), 4.925_24, 1.870_31)]
    #[case(&[(1_005.0, 2.0), (1_009.0, 3.0)], Some(4.0), 1_004.925_24, 1.870_31)]
    #[case(&[(5.0, 2.0), (5.0, 2.0)], None, 4.701_71, 1.524_01)]
    #[case(&[(5.0, 2.0), (5.0, 2.0)], Some(10.0), 3.882_76, 1.646_98)]
    fn the_least_of_two_agrees_with_clark(
        #[case] values: &[(f64, f64)],
        #[case] spread: Option<f64>,
        #[case] value: f64,
        #[case] uncertainty: f64,
    ) {
        let noisy = |sign: f64| -> Vec<Noisy> {
            values.iter().map(|&(value, uncertainty)| Noisy { value: sign * value, uncertainty }).collect()
        };
        let found = least_of(&noisy(1.0), spread).expect("a least");
        within(found.value, value, 0.01);
        within(found.uncertainty, uncertainty, 0.01);
        let found = greatest_of(&noisy(-1.0), spread).expect("a greatest");
        within(found.value, -value, 0.01);
        within(found.uncertainty, uncertainty, 0.01);
    }

    #[test]
    fn one_value_alone_is_the_least() {
        assert_eq!(least_of(&noisy(&[7.0], 2.0), Some(5.0)), Some(Noisy { value: 7.0, uncertainty: 2.0 }));
        assert_eq!(least_of(&[Noisy { value: 7.0, uncertainty: -2.0 }], None), None);
        assert_eq!(least_of(&[Noisy { value: 7.0, uncertainty: f64::INFINITY }], None), None);
        assert_eq!(
            least_of(
                &[Noisy { value: f64::INFINITY, uncertainty: 1.0 }, Noisy { value: 1.0, uncertainty: 1.0 }],
                None
            ),
            None
        );
    }

    // Values 10 apart: from 0.03 · 10 to 3 · 10 in 14 steps of ln(100)/14. A spread of zero has the weight of the whole range.
    #[rstest]
    #[case(&[0.0, 4.0, 10.0], 2.0, None, 0.3, 30.0)]
    #[case(&[7.0, 7.0], 50.0, None, 1.5, 150.0)]
    #[case(&[0.0, 10.0], 2.0, Some(0.1), 0.3, 30.0)]
    #[case(&[0.0, 10.0], 2.0, Some(2.0), 2.0, 30.0)]
    #[case(&[0.0, 10.0], 2.0, Some(20.0), 20.0, 60.0)]
    fn spreads_reach_from_next_to_nothing_to_three_times_what_is_seen(
        #[case] values: &[f64],
        #[case] uncertainty: f64,
        #[case] known: Option<f64>,
        #[case] from: f64,
        #[case] to: f64,
    ) {
        let mut found: Vec<(f64, f64)> = spreads(&noisy(values, uncertainty), known).collect();
        let step = (to / from).ln() / 14.0;
        if known.is_none() {
            let (one, weight) = found.remove(0);
            within(one, 0.0, 0.0);
            within(weight, to - from, 1e-9);
        }
        assert_eq!(found.len(), 15);
        for (index, tau) in [(0, from), (7, (from * to).sqrt()), (14, to)] {
            within(found[index].0, tau, 1e-9);
            within(found[index].1, if known.is_none() { tau * step } else { step }, 1e-9);
        }
    }

    // Variances 2² + 1.5² = 6.25 and 1 + 1.5² = 3.25: weights 0.16 and 0.307692, mean (0.16 · 20 + 0.307692 · 30)/0.467692 = 26.578947.
    // Log-evidence −½ (6.578947²/6.25 + ln 6.25 + 3.421053²/3.25 + ln 3.25) − ½ ln 0.467692 = −6.3888.
    #[test]
    fn values_around_a_mean_have_the_evidence_of_the_closed_form() {
        let values = [Noisy { value: 20.0, uncertainty: 2.0 }, Noisy { value: 30.0, uncertainty: 1.0 }];
        let found = Around::of(&values, 1.5);
        within(found.tau, 1.5, 0.0);
        within(found.mean, 26.578_947_368_421_05, 1e-9);
        within(found.mean_u, 1.462_244_129_664_004_5, 1e-9);
        within(found.ln_evidence, -6.388_803_794_040_089, 1e-9);
    }

    // With mean 10 and spread 4, a reading of 20 ± 3 has the posterior mean 10 + 0.64 · 10 = 16.4 and uncertainty √(9 · 0.64) = 2.4.
    // Mean and variance of the least of two such values by Clark 1961: mean m1 Φ(−α) + m2 Φ(α) − a φ(α), a² = 2 · 2.4²,
    // α = (m1 − m2)/a.
    #[rstest]
    #[case([20.0, 16.0], 13.398_062, 4.433_331)]
    #[case([20.0, 20.0], 15.045_946, 3.926_535)]
    #[case([11.0, 10.0], 8.941_944, 3.963_362)]
    #[case([10.0, 60.0], 10.0, 5.76)]
    fn the_least_around_a_mean_is_that_of_clark(
        #[case] values: [f64; 2],
        #[case] mean: f64,
        #[case] variance: f64,
    ) {
        let around = Around { tau: 4.0, mean: 0.0, mean_u: 1.0, ln_evidence: 0.0 };
        let found = around.least(&noisy(&values, 3.0), 10.0);
        within(found.0, mean, 3e-3);
        within(found.1, variance, 0.03);
    }

    // A spread of 1e6 leaves the values unchanged. The least of normal quantities (12, 2.4), (13, 1) and (15, 3): scipy.integrate.quad of
    // x and x² times the density of the least.
    #[test]
    fn the_least_of_three_agrees_with_quadrature() {
        let values =
            [(12.0, 2.4), (13.0, 1.0), (15.0, 3.0)].map(|(value, uncertainty)| Noisy { value, uncertainty });
        let around = Around { tau: 1e6, mean: 0.0, mean_u: 1.0, ln_evidence: 0.0 };
        let found = around.least(&values, 0.0);
        within(found.0, 11.131_968, 2e-3);
        within(found.1, 3.115_270, 0.02);
    }

    // Exact values 3 and 5, and one of 5 ± 2: the least is 3, or the noisy value if it is below 3. With z = (3 − 5)/2 the mean is
    // 3 − 2 (φ(1) − Φ(−1)) = 3 − 2 · 0.0833155.
    #[test]
    fn a_value_without_noise_stands_beside_a_noisy_one() {
        let values =
            [(3.0, 0.0), (5.0, 2.0), (5.0, 0.0)].map(|(value, uncertainty)| Noisy { value, uncertainty });
        let around = Around { tau: 1e6, mean: 0.0, mean_u: 1.0, ln_evidence: 0.0 };
        let found = around.least(&values, 0.0);
        // The mass at 3 counts at the middle of its cell, 14/160 below 3.
        within(found.0, 3.0 - 2.0 * 0.083_315_470_587_1, 0.0875);
        // Neither noise nor spread: the least reading, unchanged.
        let around = Around { tau: 0.0, mean: 0.0, mean_u: 1.0, ln_evidence: 0.0 };
        let found = around.least(&noisy(&[4.0, 3.0], 0.0), 100.0);
        within(found.0, 3.0, 1e-12);
        within(found.1, 0.0, 1e-12);
    }
}
