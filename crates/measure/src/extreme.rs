//! The least of several values that are each known with noise.
//!
//! The least reading is too low: among values that are nearly alike noise decides which it is. Here the values are taken to lie
//! around a mean with a spread that is not known beforehand, and what they can be is weighed with what was read of them.

use statrs::distribution::{ContinuousCDF, Normal};

/// A value with the standard uncertainty of its own noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noisy {
    /// As found.
    pub value: f64,
    /// Standard uncertainty, of this value alone.
    pub uncertainty: f64,
}

/// Steps of the spread.
const SPREADS: i32 = 14;
/// Cells over which the least is looked for.
const CELLS: i32 = 80;
/// How far from the lowest a value can be and still matter, in its own standard deviations.
const FAR: f64 = 8.0;
/// Nodes and weights for a normal mean: Gauss and Hermite, three points (Abramowitz and Stegun, 25.4.46; from memory).
const NODES: [(f64, f64); 3] =
    [(-1.732_050_807_568_877_2, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732_050_807_568_877_2, 1.0 / 6.0)];

/// Mean and standard deviation of the least of the true values. `spread` is by how much they differ at least, as a standard
/// deviation; `None` if they may be one and the same. `None` for no values, or figures that are not finite.
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

/// The greatest of the true values, as [`least_of`].
pub fn greatest_of(values: &[Noisy], spread: Option<f64>) -> Option<Noisy> {
    let mirrored: Vec<Noisy> = values.iter().map(|one| Noisy { value: -one.value, ..*one }).collect();
    least_of(&mirrored, spread).map(|one| Noisy { value: -one.value, ..one })
}

/// Spreads that are considered, each with its weight. Where the values may be one and the same, that is as likely beforehand as
/// that they are spread, and then every spread is as likely; where a spread is known, every magnitude from it on is.
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

/// The values around a mean, for one spread.
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

    /// Mean and variance of the least, where the values lie around `mean`.
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

    // What is the same in truth has its mean for its least, and that mean's uncertainty: the lowest of nine is read 1.5 u too low (the mean
    // of the lowest of nine normal values, 1.485; table of normal order statistics, from memory).
    #[test]
    fn values_that_are_one_have_their_mean_as_the_least() {
        let quantiles = [-1.485, -0.932, -0.572, -0.275, 0.0, 0.275, 0.572, 0.932, 1.485];
        let found = least_of(&noisy(&quantiles, 1.0), None).expect("a least");
        assert!(found.value > -0.8, "{found:?}");
        assert!((0.3..0.8).contains(&found.uncertainty), "{found:?}");
    }

    // The lowest of three that differ by more than their noise is as it was read; of three that may be one it is not.
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
}
