//! The likelihood of interval-censored crossings over a grid of levels and of spreads.

use crate::crossing::CrossingInterval;
use crate::density::Density;
use statrs::distribution::{ContinuousCDF, Normal};

/// Grid points for the repeatability.
const SPREADS: i32 = 13;
/// Cells for the level.
const CELLS: i32 = 90;
/// Spreads of the first look.
const COARSE_SPREADS: i32 = 3;
/// Cells of the first look.
const COARSE_CELLS: i32 = 40;

/// A spread of single crossings that is considered, and its weight beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spread {
    /// Standard deviation, pascal.
    pub(crate) pa: f64,
    /// Weight.
    pub(crate) weight: f64,
}

/// Spreads that are considered for one crossing, from nearly none up to well above both the promise and the scatter seen.
/// Beforehand it is most likely about what is promised, and may be anything. Fewer than three crossings say nothing of
/// their spread: then it is what is promised. `None` without crossings, or for ends that are not finite.
pub(crate) fn spread_grid(groups: &[&[CrossingInterval]], promised_pa: f64) -> Option<Vec<Spread>> {
    const FEWEST: usize = 3;
    /// How well a promise is kept: a standard deviation of the logarithm. Judgement of this project.
    const KEPT: f64 = 0.7;
    /// Weight of any other spread.
    const ANYTHING: f64 = 0.02;
    let widest = |all: &&[CrossingInterval]| all.iter().map(|c| c.high_pa - c.low_pa).fold(0.0, f64::max);
    let narrowest_group = groups.iter().map(widest).fold(f64::INFINITY, f64::min);
    let scatter = groups.iter().map(|all| apart(all)).fold(0.0, f64::max);
    let scale = promised_pa.max(narrowest_group * 0.01).max(scatter * 0.1);
    (scale.is_finite() && scale > 0.0).then_some(())?;
    if groups.iter().map(|all| all.len()).sum::<usize>() < FEWEST {
        return Some(vec![Spread { pa: scale.max(scatter), weight: 1.0 }]);
    }
    let (least, most) = (scale * 0.15, (scale * 1.5).max(scatter * 1.5));
    let weight = |pa: f64| ANYTHING + (-0.5 * ((pa / scale).ln() / KEPT).powi(2)).exp();
    Some(grid(least, most, SPREADS).map(|pa| Spread { pa, weight: weight(pa) }).collect())
}

/// How far intervals are from having a point in common, pascal.
fn apart(crossings: &[CrossingInterval]) -> f64 {
    let highest_low = crossings.iter().map(|c| c.low_pa).fold(f64::NEG_INFINITY, f64::max);
    let lowest_high = crossings.iter().map(|c| c.high_pa).fold(f64::INFINITY, f64::min);
    (highest_low - lowest_high).max(0.0)
}

fn grid(least: f64, most: f64, count: i32) -> impl Iterator<Item = f64> {
    let ratio = (most / least).ln() / f64::from(count - 1);
    (0..count).map(move |index| least * (ratio * f64::from(index)).exp())
}

/// Likelihoods relative to the highest: a row for each spread, a cell for each level.
pub(crate) struct Table {
    start_pa: f64,
    step_pa: f64,
    rows: Vec<Vec<f64>>,
}

impl Table {
    /// Over the levels at which the likelihood is not negligible.
    pub(crate) fn of(crossings: &[CrossingInterval], promised_pa: f64, spreads: &[Spread]) -> Option<Self> {
        let finite = |c: &CrossingInterval| {
            c.low_pa.is_finite() && c.high_pa.is_finite() && c.fit_pa.is_finite() && c.low_pa <= c.high_pa
        };
        if crossings.is_empty() || !crossings.iter().all(finite) {
            return None;
        }
        let low = crossings.iter().map(|c| c.low_pa).fold(f64::INFINITY, f64::min);
        let high = crossings.iter().map(|c| c.high_pa).fold(f64::NEG_INFINITY, f64::max);
        let widest = crossings.iter().map(|c| c.high_pa - c.low_pa).fold(0.0, f64::max);
        let (least, most) = (spreads.first()?.pa, spreads.last()?.pa);
        let reach = 3.0 * most.min(promised_pa.max(apart(crossings)).max(widest)).max(least) + widest;
        let found = coarse(crossings, (low - reach, high + reach), (least, most));
        let (start_pa, step_pa) = (found.from_pa, (found.to_pa - found.from_pa) / f64::from(CELLS));
        let row = |spread: &Spread| {
            let ln = |cell| log_likelihood(crossings, start_pa + f64::from(cell) * step_pa, spread.pa);
            (0..=CELLS).map(|cell| (ln(cell) - found.peak).exp()).collect()
        };
        Some(Self { start_pa, step_pa, rows: spreads.iter().map(row).collect() })
    }

    /// Least level.
    pub(crate) const fn least_pa(&self) -> f64 {
        self.start_pa
    }

    /// Greatest level.
    pub(crate) fn most_pa(&self) -> f64 {
        self.start_pa + self.step_pa * f64::from(CELLS)
    }

    /// Posterior of the level.
    pub(crate) fn density(&self, spreads: &[Spread]) -> Option<Density> {
        let mut masses = vec![0.0; self.rows.first()?.len()];
        for (row, spread) in self.rows.iter().zip(spreads) {
            masses.iter_mut().zip(row).for_each(|(sum, mass)| *sum += mass * spread.weight);
        }
        Density::new(self.start_pa, self.step_pa, masses)
    }

    /// Mass of each spread by the crossings alone: whatever was promised.
    pub(crate) fn spread_masses(&self) -> Vec<f64> {
        self.rows.iter().map(|row| row.iter().sum::<f64>()).collect()
    }

    /// Multiplies each spread's product by its likelihood at a level, between two cells.
    pub(crate) fn multiply(&self, level_pa: f64, products: &mut [f64]) {
        let at = (level_pa - self.start_pa) / self.step_pa;
        if !(0.0..f64::from(CELLS)).contains(&at) {
            products.fill(0.0);
            return;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within the grid")]
        let cell = at as usize;
        let share = at.fract();
        for (product, row) in products.iter_mut().zip(&self.rows) {
            *product *= row[cell] + (row[cell + 1] - row[cell]) * share;
        }
    }
}

/// Mean of spreads that have these masses, pascal.
pub(crate) fn mean_spread(spreads: &[Spread], masses: impl Iterator<Item = f64>) -> f64 {
    let (mut whole, mut weighted) = (0.0, 0.0);
    for (spread, mass) in spreads.iter().zip(masses) {
        whole += mass;
        weighted += mass * spread.pa;
    }
    weighted / whole
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
        let all = grid(least, most.max(least * 1.001), COARSE_SPREADS)
            .map(|spread_pa| log_likelihood(crossings, level_pa, spread_pa));
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
