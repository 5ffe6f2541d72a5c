//! The likelihood of interval-censored crossings on a grid of levels and spreads (repeatabilities as standard deviations).

use crate::crossing::CrossingInterval;
use crate::density::Density;
use crate::statistics::mean;
use statrs::distribution::{ContinuousCDF, Normal};

/// Grid points for the spread.
const SPREADS: i32 = 13;
/// One value for each spread, then zeros: of a fixed, even length, so that the compiler can vectorize loops over it.
pub(crate) type PerSpread = [f64; 14];
const _: () = assert!(SPREADS as usize <= size_of::<PerSpread>() / size_of::<f64>());
/// Cells for the level.
const CELLS: i32 = 90;
/// Grid points for the spread in the coarse pass.
const COARSE_SPREADS: i32 = 3;
/// Cells for the level in the coarse pass.
const COARSE_CELLS: i32 = 40;

/// A candidate repeatability of one crossing with its prior weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spread {
    /// Standard deviation, pascal.
    pub(crate) pa: f64,
    /// Prior weight, not normalized.
    pub(crate) weight: f64,
}

/// Candidate repeatabilities, from well below to well above the promised value and the observed scatter. The prior prefers
/// values near the promise and excludes none. Fewer than three crossings cannot estimate it: the grid then has one value, the
/// largest of promise, distance of the intervals and a hundredth of their width. `None` without crossings or for infinite ends.
pub(crate) fn spread_grid(groups: &[&[CrossingInterval]], promised_pa: f64) -> Option<Vec<Spread>> {
    const FEWEST: usize = 3;
    /// Standard deviation of the logarithm of spread over promise. Judgement of this project.
    const KEPT: f64 = 0.7;
    /// Weight of every spread, however far from the promise. Judgement of this project.
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

/// Greatest distance between two of the intervals, pascal; 0 if all have a point in common.
fn apart(crossings: &[CrossingInterval]) -> f64 {
    let highest_low = crossings.iter().map(|c| c.low_pa).fold(f64::NEG_INFINITY, f64::max);
    let lowest_high = crossings.iter().map(|c| c.high_pa).fold(f64::INFINITY, f64::min);
    (highest_low - lowest_high).max(0.0)
}

/// Pooled standard deviation of the middles of the crossings around the mean of their group, pascal; 0 if no group has two.
pub(crate) fn scatter(groups: &[&[CrossingInterval]]) -> f64 {
    let (mut squares, mut freedom) = (0.0, 0.0);
    for group in groups {
        let middles: Vec<f64> = group.iter().map(|c| f64::midpoint(c.low_pa, c.high_pa)).collect();
        let Some(mean) = mean(&middles) else { continue };
        squares += middles.iter().map(|middle| (middle - mean).powi(2)).sum::<f64>();
        #[expect(clippy::cast_precision_loss, reason = "a step has few crossings")]
        let own = (middles.len() - 1) as f64;
        freedom += own;
    }
    if freedom > 0.0 { (squares / freedom).sqrt() } else { 0.0 }
}

fn grid(least: f64, most: f64, count: i32) -> impl Iterator<Item = f64> {
    let ratio = (most / least).ln() / f64::from(count - 1);
    (0..count).map(move |index| least * (ratio * f64::from(index)).exp())
}

/// Likelihoods relative to the greatest, stored level by level, so that those of all spreads at one level are adjacent.
pub(crate) struct Table {
    start_pa: f64,
    step_pa: f64,
    levels: Vec<PerSpread>,
}

/// Natural logarithm below the peak from which a likelihood is negligible.
const NEGLIGIBLE_LN: f64 = 25.0;

impl Table {
    /// Tabulates the levels at which the likelihood is not negligible, out to three times the likely spread or the distance or width of
    /// the crossings. `None` without crossings or spreads, or for ends that are not finite or not in order.
    pub(crate) fn of(crossings: &[CrossingInterval], likely_pa: f64, spreads: &[Spread]) -> Option<Self> {
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
        let fit = crossings.iter().map(|c| c.fit_pa).fold(0.0, f64::max);
        let likely_pa = likely_pa.max(apart(crossings)).max(widest);
        let reach = 3.0 * most.min(likely_pa).max(least).hypot(fit) + widest;
        let found = coarse(crossings, (low - reach, high + reach), (least, most));
        let (start_pa, step_pa) = (found.from_pa, (found.to_pa - found.from_pa) / f64::from(CELLS));
        let middle_pa = crossings.iter().map(|c| f64::midpoint(c.low_pa, c.high_pa)).sum::<f64>();
        #[expect(clippy::cast_precision_loss, reason = "a step has few crossings")]
        let middle = (middle_pa / crossings.len() as f64 - start_pa) / step_pa;
        #[expect(clippy::cast_possible_truncation, reason = "within the grid")]
        let middle = middle.clamp(0.0, f64::from(CELLS)) as i32;
        let mut table = Self { start_pa, step_pa, levels: vec![PerSpread::default(); CELLS as usize + 1] };
        for (index, spread) in spreads.iter().enumerate() {
            let of = Scattered::new(crossings, spread.pa);
            for (cell, ln) in around(middle, |cell| of.log_likelihood(start_pa + f64::from(cell) * step_pa)) {
                #[expect(clippy::cast_sign_loss, reason = "cells are counted from 0")]
                let cell = cell as usize;
                table.levels[cell][index] = (ln - found.peak).exp();
            }
        }
        Some(table)
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
        let weighted =
            |all: &PerSpread| all.iter().zip(spreads).map(|(mass, spread)| mass * spread.weight).sum();
        Density::new(self.start_pa, self.step_pa, self.levels.iter().map(weighted).collect())
    }

    /// Mass of each spread from the crossings alone, without its prior weight.
    pub(crate) fn spread_masses(&self) -> PerSpread {
        let mut masses = PerSpread::default();
        for all in &self.levels {
            masses.iter_mut().zip(all).for_each(|(sum, mass)| *sum += mass);
        }
        masses
    }

    /// Multiplies each spread's product by its likelihood at a level, interpolated linearly; `false` if the level is outside the table.
    pub(crate) fn multiply(&self, level_pa: f64, products: &mut PerSpread) -> bool {
        let at = (level_pa - self.start_pa) / self.step_pa;
        if !(0.0..f64::from(CELLS)).contains(&at) {
            return false;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within the grid")]
        let cell = at as usize;
        #[expect(clippy::cast_precision_loss, reason = "within the grid")]
        let share = at - cell as f64;
        let [here, next] = [&self.levels[cell], &self.levels[cell + 1]];
        for ((product, here), next) in products.iter_mut().zip(here).zip(next) {
            *product *= here + (next - here) * share;
        }
        true
    }
}

/// Mean of the spreads weighted with these masses, pascal.
pub(crate) fn mean_spread(spreads: &[Spread], masses: impl Iterator<Item = f64>) -> f64 {
    let (mut whole, mut weighted) = (0.0, 0.0);
    for (spread, mass) in spreads.iter().zip(masses) {
        whole += mass;
        weighted += mass * spread.pa;
    }
    weighted / whole
}

/// Range of levels with a likelihood that is not negligible, and the logarithm of its peak.
struct Coarse {
    from_pa: f64,
    to_pa: f64,
    peak: f64,
}

/// Coarse pass with wide cells: leaves out levels with a likelihood below exp(−25) of its peak.
fn coarse(
    crossings: &[CrossingInterval],
    (low_pa, high_pa): (f64, f64),
    (least, most): (f64, f64),
) -> Coarse {
    let step = (high_pa - low_pa) / f64::from(COARSE_CELLS);
    let spreads = grid(least, most.max(least * 1.001), COARSE_SPREADS);
    let all: Vec<Scattered> = spreads.map(|spread_pa| Scattered::new(crossings, spread_pa)).collect();
    let best = |cell: i32| {
        let level_pa = low_pa + f64::from(cell) * step;
        all.iter().map(|of| of.log_likelihood(level_pa)).fold(f64::MIN, f64::max)
    };
    let all: Vec<f64> = (0..=COARSE_CELLS).map(best).collect();
    let peak = all.iter().copied().fold(f64::MIN, f64::max);
    let counts = |(_, ln): &(i32, &f64)| **ln > peak - NEGLIGIBLE_LN;
    let first = (0..).zip(&all).find(counts).map_or(0, |(cell, _)| cell);
    let last = (0..).zip(&all).filter(counts).last().map_or(COARSE_CELLS, |(cell, _)| cell);
    Coarse { from_pa: low_pa + f64::from(first - 1) * step, to_pa: low_pa + f64::from(last + 1) * step, peak }
}

/// Width below which an interval is treated as a point, pascal.
const POINT_PA: f64 = 1e-6;
/// Width in standard deviations below which the difference of two values of the distribution function would cancel.
const NARROW: f64 = 1e-6;

/// Cells with their log-likelihoods, from a middle cell outwards on both sides until they are negligible. Crossings that agree have one
/// peak, which is found from any starting cell. If they disagree, a second peak may be missed, but then a larger spread of the grid,
/// which reaches 1.5 times their scatter, outweighs both.
fn around(middle: i32, ln: impl Fn(i32) -> f64) -> Vec<(i32, f64)> {
    let mut found = Vec::new();
    let mut peak = f64::MIN;
    for (first, step) in [(middle, 1), (middle - 1, -1)] {
        let mut cell = first;
        while (0..=CELLS).contains(&cell) {
            let ln = ln(cell);
            peak = peak.max(ln);
            found.push((cell, ln));
            if ln < peak - NEGLIGIBLE_LN {
                break;
            }
            cell += step;
        }
    }
    found
}

/// Crossings: low end, high end, standard deviation of repeatability and fit together, pascal.
struct Scattered(Vec<[f64; 3]>);

/// Mass of the standard normal distribution from `low` to `high`. A tail that would be lost in the rounding of the difference is not
/// computed.
fn mass(low: f64, high: f64) -> f64 {
    /// Φ(−x) is below half the spacing of double precision below 1 from here on.
    const END: f64 = 8.5;
    /// Difference of the squares of two positive arguments a and b from which Φ(−b) < Φ(−a) · 2⁻⁵⁴: Φ(−b)/Φ(−a) < exp(−(b² − a²)/2).
    const LOST: f64 = 76.0;
    let normal = Normal::standard();
    // In the upper tail the difference of two values near one would cancel: mirror it.
    let (near, far) = if low > 0.0 { (low, high) } else { (-high, -low) };
    if near > 0.0 {
        let far_mass = if far * far - near * near > LOST { 0.0 } else { normal.cdf(-far) };
        return normal.cdf(-near) - far_mass;
    }
    let above = if high > END { 1.0 } else { normal.cdf(high) };
    let below = if low < -END { 0.0 } else { normal.cdf(low) };
    above - below
}

impl Scattered {
    /// Combines a common spread with the fit uncertainty of each crossing.
    fn new(crossings: &[CrossingInterval], spread_pa: f64) -> Self {
        Self(crossings.iter().map(|c| [c.low_pa, c.high_pa, spread_pa.hypot(c.fit_pa)]).collect())
    }

    /// Log-likelihood of a level: the sum over the crossings of the logarithm of the probability between their ends.
    fn log_likelihood(&self, level_pa: f64) -> f64 {
        let (mut sum, mut product) = (0.0, 1.0);
        for &[low_pa, high_pa, s] in &self.0 {
            let (low, high) = ((low_pa - level_pa) / s, (high_pa - level_pa) / s);
            // A point contributes its density; an interval that is narrow compared with the spread its density times its width.
            if high_pa - low_pa < POINT_PA {
                sum -= 0.5 * low * low + s.ln();
                continue;
            }
            if high - low < NARROW {
                let middle = f64::midpoint(low, high);
                sum += (high - low).ln() - 0.5 * (middle * middle + std::f64::consts::TAU.ln());
                continue;
            }
            product *= mass(low, high).max(1e-150);
            // One logarithm for many factors, taken before their product underflows.
            if product < 1e-150 {
                sum += product.ln();
                product = 1.0;
            }
        }
        sum + product.ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    proptest! {
        #[test]
        fn a_mass_is_the_difference_to_the_last_bit(low in -45.0..45.0_f64, width in prop_oneof![0.0..1.0_f64, 0.0..90.0]) {
            let (high, normal) = (low + width, Normal::standard());
            let plain = if low > 0.0 { normal.cdf(-low) - normal.cdf(-high) } else { normal.cdf(high) - normal.cdf(low) };
            prop_assert_eq!(mass(low, high).to_bits(), plain.to_bits());
        }
    }

    #[track_caller]
    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{found} instead of {expected}");
    }

    /// Crossings with these ends and no fit uncertainty.
    fn between(ends_pa: &[(f64, f64)]) -> Vec<CrossingInterval> {
        ends_pa.iter().map(|&(low_pa, high_pa)| CrossingInterval { low_pa, high_pa, fit_pa: 0.0 }).collect()
    }

    fn log_likelihood(crossings: &[CrossingInterval], level_pa: f64, spread_pa: f64) -> f64 {
        Scattered::new(crossings, spread_pa).log_likelihood(level_pa)
    }

    const THREE: [(f64, f64); 3] = [(0.0, 4.0), (1.0, 5.0), (2.0, 6.0)];
    const APART: [(f64, f64); 3] = [(0.0, 1.0), (101.0, 102.0), (50.0, 51.0)];

    // From 0.15 of the scale to 1.5 of the scale or of the scatter. The scale is the largest of: the promise, a hundredth of the width
    // (of the group with the narrowest intervals), a tenth of the scatter. Weights are 0.02 + exp(−(ln(pa/scale)/0.7)²/2): 0.0454 at
    // 0.15, 0.8656 at 1.5 and 0.0206 at 15 times the scale.
    #[rstest]
    #[case(&[&THREE[..]], 10.0, [1.5, 22.5_f64.sqrt(), 15.0], 0.865_559_199_6)]
    #[case(&[&[(0.0, 400.0), (0.0, 300.0)][..], &[(0.0, 900.0)]], 1.0, [0.6, 3.6_f64.sqrt(), 6.0], 0.865_559_199_6)]
    #[case(&[&APART[..]], 1.0, [1.5, 15.0, 150.0], 0.020_562_454_7)]
    #[case(&[&THREE[..], &APART, &THREE], 1.0, [1.5, 15.0, 150.0], 0.020_562_454_7)]
    fn spreads_reach_from_next_to_nothing_to_above_promise_and_scatter(
        #[case] groups: &[&[(f64, f64)]],
        #[case] promised_pa: f64,
        #[case] pascals: [f64; 3],
        #[case] last_weight: f64,
    ) {
        let groups: Vec<_> = groups.iter().map(|ends_pa| between(ends_pa)).collect();
        let groups: Vec<&[CrossingInterval]> = groups.iter().map(Vec::as_slice).collect();
        let found = spread_grid(&groups, promised_pa).expect("a grid");
        assert_eq!(found.len(), 13);
        for (index, pascal) in [0, 6, 12].into_iter().zip(pascals) {
            near(found[index].pa, pascal);
        }
        near(found[0].weight, 0.045_412_489_134);
        near(found[12].weight, last_weight);
    }

    #[test]
    fn a_spread_as_promised_has_the_most_weight() {
        let found = spread_grid(&[&between(&THREE)], 10.0).expect("a grid");
        let most = found.iter().max_by(|a, b| a.weight.total_cmp(&b.weight)).expect("one");
        // The eleventh of thirteen: 1.5 · 10^(10/12) = 10.22; (ln 1.022)/0.7 = 0.0310.
        near(most.pa, 1.5 * 10_f64.powf(10.0 / 12.0));
        near(most.weight, 1.019_519_573_637_4);
    }

    // Two crossings cannot estimate their spread: it is the largest of promise, distance of the intervals and a hundredth of their width.
    #[rstest]
    #[case(&[(0.0, 1.0), (101.0, 102.0)], 5.0, 100.0)]
    #[case(&[(0.0, 1.0), (101.0, 102.0)], 500.0, 500.0)]
    #[case(&[(0.0, 400.0)], 1.0, 4.0)]
    fn few_crossings_have_the_spread_that_is_promised(
        #[case] ends_pa: &[(f64, f64)],
        #[case] promised_pa: f64,
        #[case] spread_pa: f64,
    ) {
        let found = spread_grid(&[&between(ends_pa)], promised_pa).expect("a grid");
        assert_eq!(found, [Spread { pa: spread_pa, weight: 1.0 }]);
    }

    #[rstest]
    #[case(&[(0.0, 0.0)], 0.0)]
    #[case(&[(0.0, 1.0)], f64::INFINITY)]
    #[case(&[], 1.0)]
    fn no_scale_makes_no_spreads(#[case] ends_pa: &[(f64, f64)], #[case] promised_pa: f64) {
        let crossings = between(ends_pa);
        let groups: &[&[CrossingInterval]] = if crossings.is_empty() { &[] } else { &[&crossings] };
        assert_eq!(spread_grid(groups, promised_pa), None);
    }

    #[test]
    fn a_grid_goes_by_a_factor() {
        let found: Vec<f64> = grid(2.0, 162.0, 5).collect();
        for (found, expected) in found.iter().zip([2.0, 6.0, 18.0, 54.0, 162.0]) {
            near(*found, expected);
        }
        assert_eq!(found.len(), 5);
    }

    // scipy.stats.norm: the sum of ln(cdf(high) − cdf(low)), with sf above the level; s = √(spread² + fit²).
    #[rstest]
    #[case(115.0, 4.0, -0.224_794_667_651_213_06)]
    #[case(90.0, 4.0, -12.283_146_832_392_434)]
    #[case(160.0, 4.0, -39.417_694_442_700_395)]
    #[case(70.0, 12.0, -12.029_223_198_583_42)]
    #[case(60.0, 3.0, -100.849_311_574_841_34)]
    fn the_likelihood_is_the_mass_between_the_ends(
        #[case] level_pa: f64,
        #[case] spread_pa: f64,
        #[case] expected: f64,
    ) {
        let crossings = [
            CrossingInterval { low_pa: 100.0, high_pa: 130.0, fit_pa: 3.0 },
            CrossingInterval { low_pa: 110.0, high_pa: 128.0, fit_pa: 4.0 },
        ];
        near(log_likelihood(&crossings, level_pa, spread_pa), expected);
    }

    // s = √(3² + 4²) = 5: a crossing without width gives −((20 − 14)/5)²/2 − ln 5, one that is 10 Pa wide ln(Φ(1) − Φ(−1)).
    #[test]
    fn a_crossing_without_width_has_the_density_of_its_level() {
        let narrow = CrossingInterval { low_pa: 20.0, high_pa: 20.0, fit_pa: 4.0 };
        let wide = CrossingInterval { low_pa: 9.0, high_pa: 19.0, fit_pa: 4.0 };
        let alone = -0.72 - 5_f64.ln();
        near(log_likelihood(&[narrow], 14.0, 3.0), alone);
        near(log_likelihood(&[narrow, narrow], 14.0, 3.0), 2.0 * alone);
        near(log_likelihood(&[narrow, wide], 14.0, 3.0), alone + 0.682_689_492_137_085_9_f64.ln());
        near(log_likelihood(&[], 14.0, 3.0), 0.0);
    }

    // A vanishing mass is taken as 1e-150; a hundred such factors and a hundred of Φ(1) − Φ(−1) do not underflow.
    #[test]
    fn a_product_of_many_small_masses_does_not_underflow() {
        let far = between(&[(1e6, 1e6 + 1.0); 100]);
        near(log_likelihood(&far, 0.0, 1.0), 100.0 * 1e-150_f64.ln());
        let both = [far, between(&[(-1.0, 1.0); 100])].concat();
        let expected = 100.0 * (1e-150_f64.ln() + 0.682_689_492_137_085_9_f64.ln());
        near(log_likelihood(&both, 0.0, 1.0), expected);
    }

    #[rstest]
    #[case(&[(0.0, 10.0), (4.0, 12.0)], 0.0)]
    #[case(&[(0.0, 10.0), (13.0, 20.0), (12.0, 30.0)], 3.0)]
    #[case(&[(13.0, 20.0), (0.0, 10.0)], 3.0)]
    fn intervals_are_apart_by_what_lies_between_them(#[case] ends_pa: &[(f64, f64)], #[case] pascal: f64) {
        near(apart(&between(ends_pa)), pascal);
    }

    // Cells of 5 Pa. With spreads of 2, 4 and 8 Pa the peak is ln(Φ(1) − Φ(−1)) at 1100 Pa. At 55 Pa from it
    // ln(Φ(57/8) − Φ(53/8)) is −24.8, at 60 Pa it is −29.2: the range ends one cell beyond 55 Pa.
    #[test]
    fn the_first_look_ends_a_cell_beyond_what_counts() {
        let found = coarse(&between(&[(1_098.0, 1_102.0)]), (1_000.0, 1_200.0), (2.0, 8.0));
        near(found.from_pa, 1_040.0);
        near(found.to_pa, 1_160.0);
        near(found.peak, 0.682_689_492_137_085_9_f64.ln());
        // Least and greatest spread may be equal.
        let found = coarse(&between(&[(1_098.0, 1_102.0)]), (1_000.0, 1_200.0), (2.0, 2.0));
        near(found.from_pa, 1_080.0);
        near(found.to_pa, 1_120.0);
    }

    // The reach is one width plus three times the greatest spread, limited to the largest of likely spread, distance and width of the
    // crossings, but at least the least spread; a cell, a fortieth of the range, is added on each side. First case: 3 · 4 + 10 = 22.
    #[rstest]
    #[case(2.0, &[(0.0, 10.0)], (0.5, 4.0), (-22.0 - 1.35, 32.0 + 1.35))]
    #[case(2.0, &[(0.0, 10.0), (2.0, 6.0)], (0.5, 40.0), (-40.0 - 2.25, 50.0 + 2.25))]
    #[case(15.0, &[(0.0, 10.0), (2.0, 6.0)], (0.5, 40.0), (-55.0 - 3.0, 65.0 + 3.0))]
    #[case(2.0, &[(0.0, 10.0), (32.0, 42.0)], (0.5, 40.0), (-76.0 - 4.85, 118.0 + 4.85))]
    #[case(2.0, &[(0.0, 10.0), (2.0, 6.0)], (20.0, 40.0), (-70.0 - 3.75, 80.0 + 3.75))]
    fn a_table_reaches_as_far_as_the_spreads(
        #[case] likely_pa: f64,
        #[case] ends_pa: &[(f64, f64)],
        #[case] ends: (f64, f64),
        #[case] levels_pa: (f64, f64),
    ) {
        let spreads = [ends.0, ends.1].map(|pa| Spread { pa, weight: 1.0 });
        let table = Table::of(&between(ends_pa), likely_pa, &spreads).expect("a table");
        near(table.least_pa(), levels_pa.0);
        near(table.most_pa(), levels_pa.1);
    }

    // Middles 1, 3 (mean 2) and 11, 14, 14 (mean 13): the square root of (2 + 6)/(1 + 2).
    #[rstest]
    #[case(&[&[(0.0, 2.0), (2.0, 4.0)][..], &[(11.0, 11.0), (13.0, 15.0), (14.0, 14.0)], &[(0.0, 9.0)]], 1.632_993_161_855_452)]
    #[case(&[&[(0.0, 2.0)][..], &[(11.0, 11.0)]], 0.0)]
    #[case(&[&[][..]], 0.0)]
    fn scatter_is_around_the_middle_of_each_group(#[case] groups: &[&[(f64, f64)]], #[case] pascal: f64) {
        let groups: Vec<_> = groups.iter().map(|ends_pa| between(ends_pa)).collect();
        near(scatter(&groups.iter().map(Vec::as_slice).collect::<Vec<_>>()), pascal);
    }

    fn per_spread<const COUNT: usize>(values: [f64; COUNT]) -> PerSpread {
        std::array::from_fn(|index| values.get(index).copied().unwrap_or(0.0))
    }

    // Five crossings between 0 and 10 Pa with a spread of 3 Pa, relative to the middle, z = distance from it / 3 Pa:
    // ((Φ(z + 5/3) − Φ(z − 5/3))/(Φ(5/3) − Φ(−5/3)))^5; scipy.stats.norm.
    #[test]
    fn a_table_is_relative_to_its_peak() {
        let spreads = [Spread { pa: 3.0, weight: 1.0 }];
        let table = Table::of(&between(&[(0.0, 10.0); 5]), 3.0, &spreads).expect("a table");
        let at = |level_pa: f64| {
            let mut products = per_spread([2.0]);
            assert!(table.multiply(level_pa, &mut products));
            products[0] / 2.0
        };
        near(at(5.0), 1.0);
        for (level_pa, expected) in [(2.0, 0.375_900_5), (8.0, 0.375_900_5), (0.0, 0.051_420_6)] {
            assert!((at(level_pa) / expected - 1.0).abs() < 0.01, "{level_pa}: {}", at(level_pa));
        }
    }

    // A log-likelihood −(cell − peak)²/(2 width²) is 25 below its peak at 7.07 widths: the first cell beyond is the last evaluated.
    #[rstest]
    #[case(40, 40.0, 2.0, [25, 55])]
    #[case(40, 40.0, 0.2, [38, 42])]
    #[case(40, 60.0, 1.0, [39, 68])]
    #[case(40, 10.0, 1.0, [2, 41])]
    #[case(0, 3.0, 100.0, [0, 90])]
    #[case(90, 89.0, 0.5, [85, 90])]
    fn a_row_is_filled_as_far_as_it_counts(
        #[case] middle: i32,
        #[case] peak: f64,
        #[case] width: f64,
        #[case] ends: [i32; 2],
    ) {
        let ln = |cell: i32| -0.5 * ((f64::from(cell) - peak) / width).powi(2);
        let mut cells: Vec<i32> = around(middle, ln).into_iter().map(|(cell, _)| cell).collect();
        cells.sort_unstable();
        assert_eq!([cells[0], cells[cells.len() - 1]], ends);
        assert_eq!(cells, (ends[0]..=ends[1]).collect::<Vec<_>>());
    }

    #[rstest]
    #[case(&[])]
    #[case(&[(2.0, 1.0)])]
    #[case(&[(0.0, 1.0), (0.0, f64::INFINITY)])]
    #[case(&[(f64::NEG_INFINITY, 1.0)])]
    fn ends_that_are_no_interval_make_no_table(#[case] ends_pa: &[(f64, f64)]) {
        let spreads = [Spread { pa: 3.0, weight: 1.0 }];
        assert!(Table::of(&between(ends_pa), 3.0, &spreads).is_none());
        let unknown = CrossingInterval { low_pa: 0.0, high_pa: 1.0, fit_pa: f64::NAN };
        assert!(Table::of(&[unknown], 3.0, &spreads).is_none());
        assert!(Table::of(&between(&[(1.0, 1.0)]), 3.0, &spreads).is_some());
        assert!(Table::of(&between(&[(0.0, 1.0)]), 3.0, &[]).is_none());
    }

    // Likelihoods index² and 2 on cells of 2 Pa from 10 Pa: at 16.5 Pa, a quarter of the way from 3² to 4², 10.75.
    #[test]
    fn a_likelihood_is_read_between_two_cells() {
        let levels = (0..=CELLS).map(|index| per_spread([f64::from(index * index), 2.0])).collect();
        let table = Table { start_pa: 10.0, step_pa: 2.0, levels };
        near(table.most_pa(), 190.0);
        for (level_pa, expected) in
            [(16.5, [3.0 * 10.75, 10.0]), (10.0, [0.0, 10.0]), (189.0, [3.0 * 8_010.5, 10.0])]
        {
            let mut products = per_spread([3.0, 5.0]);
            assert!(table.multiply(level_pa, &mut products));
            near(products[0], expected[0]);
            near(products[1], expected[1]);
        }
        for level_pa in [9.9, 190.0, f64::NAN] {
            assert!(!table.multiply(level_pa, &mut per_spread([3.0, 5.0])), "{level_pa}");
        }
    }

    // Masses 1 · (1, 0, 1) + 2 · (0, 1, 2) at 10, 12, 14 Pa: mean (10 + 24 + 70)/8 = 13.
    #[test]
    fn rows_are_summed_by_the_weight_of_their_spread() {
        let levels = [[1.0, 0.0], [0.0, 1.0], [1.0, 2.0]].map(per_spread).to_vec();
        let table = Table { start_pa: 10.0, step_pa: 2.0, levels };
        let spreads = [Spread { pa: 2.0, weight: 1.0 }, Spread { pa: 8.0, weight: 2.0 }];
        near(table.density(&spreads).expect("a density").mean(), 13.0);
        let masses = table.spread_masses();
        near(masses[0], 2.0);
        near(masses[1], 3.0);
        near(masses[2..].iter().sum(), 0.0);
        // (3 · 2 + 1 · 8)/4.
        near(mean_spread(&spreads, [3.0, 1.0].into_iter()), 3.5);
    }
}
