//! Several crossings of one level, each known only as an interval: what they say together.
//!
//! The likelihood of intervals with a repeatability of its own part, `measuring.md` of this project: crossings locked to
//! the scan are then worth one, spread ones are worth more, and the edge is never counted twice.

use crate::density::Density;
use statrs::distribution::{ContinuousCDF, Normal};

/// One crossing: the level lay between `low_pa` and `high_pa` when the output changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CrossingInterval {
    /// Lower end, pascal.
    pub low_pa: f64,
    /// Upper end, pascal.
    pub high_pa: f64,
    /// Standard uncertainty of both ends from the scatter of the fit, pascal.
    pub fit_pa: f64,
}

/// What the crossings say of the level.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelPosterior {
    /// Density of the level, pascal.
    pub density: Density,
    /// Mean, pascal.
    pub mean_pa: f64,
    /// Standard deviation, pascal.
    pub standard_deviation_pa: f64,
    /// Mean repeatability of one crossing as a standard deviation, pascal.
    pub repeatability_pa: f64,
}

/// Grid points for the repeatability.
const SPREADS: i32 = 12;
/// Cells for the level.
const CELLS: i32 = 120;
/// Cells of the first look.
const COARSE_CELLS: i32 = 60;

/// Posterior of a level under a flat prior, the repeatability marginalised over a logarithmic grid up to well above both
/// the `promised_pa` standard deviation and the scatter seen. `None` for no crossings or ends that are not finite.
pub fn posterior(crossings: &[CrossingInterval], promised_pa: f64) -> Option<LevelPosterior> {
    let finite = |c: &CrossingInterval| {
        c.low_pa.is_finite() && c.high_pa.is_finite() && c.fit_pa.is_finite() && c.low_pa <= c.high_pa
    };
    if crossings.is_empty() || !crossings.iter().all(finite) {
        return None;
    }
    let low = crossings.iter().map(|c| c.low_pa).fold(f64::INFINITY, f64::min);
    let high = crossings.iter().map(|c| c.high_pa).fold(f64::NEG_INFINITY, f64::max);
    let widest = crossings.iter().map(|c| c.high_pa - c.low_pa).fold(0.0, f64::max);
    // How far the intervals are from having a point in common.
    let highest_low = crossings.iter().map(|c| c.low_pa).fold(f64::NEG_INFINITY, f64::max);
    let lowest_high = crossings.iter().map(|c| c.high_pa).fold(f64::INFINITY, f64::min);
    let scatter = (highest_low - lowest_high).max(0.0);
    let (least, most) = spreads(promised_pa, widest, scatter)?;
    let reach = 3.0 * most.min(promised_pa.max(scatter).max(widest)) + widest;
    let found = coarse(crossings, (low - reach, high + reach), (least, most));
    let (start, step) = (found.from_pa, (found.to_pa - found.from_pa) / f64::from(CELLS));
    let mut masses = vec![0.0; usize::try_from(CELLS).ok()? + 1];
    let (mut weight, mut weighted) = (0.0, 0.0);
    for spread_pa in grid(least, most, SPREADS) {
        for (mass, cell) in masses.iter_mut().zip(0..) {
            let ln = log_likelihood(crossings, start + f64::from(cell) * step, spread_pa);
            let likelihood = (ln - found.peak).exp();
            *mass += likelihood;
            weight += likelihood;
            weighted += likelihood * spread_pa;
        }
    }
    let density = Density::new(start, step, masses)?;
    let (mean_pa, standard_deviation_pa) = (density.mean(), density.standard_deviation());
    Some(LevelPosterior { density, mean_pa, standard_deviation_pa, repeatability_pa: weighted / weight })
}

/// Least and largest repeatability that is considered.
fn spreads(promised_pa: f64, widest_pa: f64, scatter_pa: f64) -> Option<(f64, f64)> {
    let scale = promised_pa.max(widest_pa * 0.05).max(scatter_pa * 0.2);
    (scale.is_finite() && scale > 0.0).then(|| (scale * 0.1, (scale * 1.5).max(scatter_pa * 1.5)))
}

fn grid(least: f64, most: f64, count: i32) -> impl Iterator<Item = f64> {
    let ratio = (most / least).ln() / f64::from(count - 1);
    (0..count).map(move |index| least * (ratio * f64::from(index)).exp())
}

/// Where on the level the likelihood is, and how high.
struct Coarse {
    from_pa: f64,
    to_pa: f64,
    peak: f64,
}

/// A first look with wide cells: leaves out where the likelihood is below exp(−25) of its peak.
fn coarse(
    crossings: &[CrossingInterval],
    (low_pa, high_pa): (f64, f64),
    (least, most): (f64, f64),
) -> Coarse {
    const NEGLIGIBLE: f64 = 25.0;
    let step = (high_pa - low_pa) / f64::from(COARSE_CELLS);
    let best = |cell: i32| {
        let level_pa = low_pa + f64::from(cell) * step;
        let all =
            grid(least, most, SPREADS / 2).map(|spread_pa| log_likelihood(crossings, level_pa, spread_pa));
        all.fold(f64::MIN, f64::max)
    };
    let all: Vec<f64> = (0..=COARSE_CELLS).map(best).collect();
    let peak = all.iter().copied().fold(f64::MIN, f64::max);
    let counts = |(_, ln): &(i32, &f64)| **ln > peak - NEGLIGIBLE;
    let first = (0..).zip(&all).find(counts).map_or(0, |(cell, _)| cell);
    let last = (0..).zip(&all).filter(counts).last().map_or(COARSE_CELLS, |(cell, _)| cell);
    Coarse { from_pa: low_pa + f64::from(first - 1) * step, to_pa: low_pa + f64::from(last + 1) * step, peak }
}

/// Logarithm of the product over the crossings of the mass between their ends.
fn log_likelihood(crossings: &[CrossingInterval], level_pa: f64, spread_pa: f64) -> f64 {
    let normal = Normal::standard();
    let (mut sum, mut product) = (0.0, 1.0);
    for crossing in crossings {
        let s = spread_pa.hypot(crossing.fit_pa);
        let (low, high) = ((crossing.low_pa - level_pa) / s, (crossing.high_pa - level_pa) / s);
        if high - low < 1e-6 {
            sum -= 0.5 * low * low + s.ln();
            continue;
        }
        // In the upper tail the difference of two values near one would cancel: mirror it.
        let mass =
            if low > 0.0 { normal.cdf(-low) - normal.cdf(-high) } else { normal.cdf(high) - normal.cdf(low) };
        product *= mass.max(1e-150);
        // One logarithm for many factors; taken before they underflow.
        if product < 1e-150 {
            sum += product.ln();
            product = 1.0;
        }
    }
    sum + product.ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn interval(low_pa: f64, high_pa: f64) -> CrossingInterval {
        CrossingInterval { low_pa, high_pa, fit_pa: 0.5 }
    }

    #[test]
    fn five_crossings_locked_to_the_scan_are_worth_one() {
        let one = posterior(&[interval(0.0, 30.0)], 0.5).expect("one");
        let five = posterior(&[interval(0.0, 30.0); 5], 0.5).expect("five");
        assert!(five.standard_deviation_pa > 0.9 * 30.0 / 12f64.sqrt(), "{}", five.standard_deviation_pa);
        assert!((one.standard_deviation_pa / five.standard_deviation_pa - 1.0).abs() < 0.1);
    }

    #[test]
    fn spread_phases_narrow_the_level_to_the_intersection() {
        let all: Vec<_> = [0.0, 6.0, 12.0, 18.0, 24.0].map(|shift| interval(shift, shift + 30.0)).to_vec();
        let found = posterior(&all, 0.5).expect("posterior");
        assert!((found.mean_pa - 27.0).abs() < 0.5, "{}", found.mean_pa);
        assert!(found.standard_deviation_pa < 30.0 / 12f64.sqrt() / 3.0, "{}", found.standard_deviation_pa);
    }

    #[test]
    fn scatter_above_the_promise_widens_the_level() {
        let all: Vec<_> =
            [-200.0, 150.0, 10.0, -60.0, 120.0].map(|middle| interval(middle - 5.0, middle + 5.0)).to_vec();
        let found = posterior(&all, 5.0).expect("posterior");
        let classical = 145.0 / 5f64.sqrt();
        assert!(
            (0.8..1.8).contains(&(found.standard_deviation_pa / classical)),
            "{}",
            found.standard_deviation_pa
        );
    }

    #[test]
    fn nothing_comes_of_nothing_and_of_nan() {
        assert!(posterior(&[], 1.0).is_none());
        assert!(posterior(&[interval(f64::NAN, 1.0)], 1.0).is_none());
    }
}
