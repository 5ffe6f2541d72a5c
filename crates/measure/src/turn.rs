//! The level at which a ramp reverses, from two curves fitted to noisy samples of a lagging reference.
//!
//! The smallest sample is a poor estimate: noise makes it too small; the lag and the gap between samples make it too large. The two
//! curves meet at the turn. Its time is not picked: all times are averaged, each weighted by its likelihood.

use crate::fit::Sample;

/// Prior knowledge of a turn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TurnPrior {
    /// Earliest and latest time of the turn, seconds.
    pub between_s: [f64; 2],
    /// Time constant of the reference's first-order lag, seconds.
    pub lag_s: f64,
    /// Standard deviation of the noise, pascal; `None` to estimate it from the samples.
    pub noise_pa: Option<f64>,
    /// Smallest step between sample values, pascal.
    pub resolution_pa: f64,
    /// Standard deviation of the curvature before and after the turn, pascal per second squared.
    pub bend_pa_per_s2: f64,
}

/// A fitted turn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// Level at the turn, corrected for the lag, pascal.
    pub level_pa: f64,
    /// Standard uncertainty of the level from the noise of the samples, pascal.
    pub uncertainty_pa: f64,
    /// Time of the turn, seconds.
    pub at_s: f64,
    /// Slopes before and after the turn, pascal per second.
    pub slopes_pa_per_s: [f64; 2],
    /// Standard deviation of the samples around the curves, pascal.
    pub residual_pa: f64,
    /// Degrees of freedom: number of samples minus four fitted values.
    pub freedom: f64,
}

/// Fitted terms: level, slope before and after the turn, curvature before and after it.
const TERMS: usize = 5;
/// Intervals of the grid of candidate times.
const MOMENTS: u32 = 32;
/// Greatest number of times that the grid is narrowed around the best time.
const CLOSER: u32 = 5;
/// Fewest samples required on each side.
const FEWEST: usize = 3;

/// Fits a turn. `None` if one side has fewer than three samples, or if the samples do not determine the curves.
pub fn fit_turn(samples: &[Sample], prior: TurnPrior) -> Option<Turn> {
    let [from_s, to_s] = prior.between_s;
    let before = samples.iter().filter(|sample| sample.t_s <= from_s).count();
    let after = samples.iter().filter(|sample| sample.t_s >= to_s).count();
    (before >= FEWEST && after >= FEWEST && from_s < to_s).then_some(())?;
    let scale_s = samples.iter().map(|sample| (sample.t_s - from_s).abs()).fold(0.0, f64::max);
    // Four fitted values: level, two slopes and the time. The prior constrains the curvatures.
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    let freedom = (samples.len().checked_sub(4).filter(|freedom| *freedom > 0)?) as f64;
    let floor = prior.resolution_pa / 12f64.sqrt();
    let bend = prior.bend_pa_per_s2 * scale_s * scale_s / 2.0;
    let frame = |noise_pa: f64| {
        let stiff = (noise_pa / bend).powi(2);
        Frame { samples, lag_s: prior.lag_s.max(0.0), scale_s, noise_pa, stiff }
    };
    let own_pa = |tried: &[Tried]| {
        let least = tried.iter().map(|at| at.squares).fold(f64::INFINITY, f64::min);
        (least / freedom).sqrt().max(floor)
    };
    // The weight of the curvature prior depends on the noise, and the noise is estimated from the residuals: iterate twice.
    let mut noise_pa = prior.noise_pa.unwrap_or(floor).max(floor).max(f64::MIN_POSITIVE);
    for _ in 0..2 {
        if prior.noise_pa.is_none() {
            noise_pa = own_pa(&frame(noise_pa).tried(prior.between_s));
        }
    }
    let (found, tried) = frame(noise_pa).closest(prior.between_s)?;
    Some(Turn {
        level_pa: found.level_pa,
        uncertainty_pa: found.variance.sqrt(),
        at_s: found.at_s,
        slopes_pa_per_s: found.slopes,
        residual_pa: own_pa(&tried),
        freedom,
    })
}

/// Curves fitted for one candidate time of the turn.
struct Tried {
    at_s: f64,
    /// Sum of the squared residuals.
    squares: f64,
    /// Sum of the squared residuals plus the penalty for the curvatures.
    cost: f64,
    level_pa: f64,
    /// Variance of the level for noise of unit variance.
    per_noise: f64,
    slopes: [f64; 2],
}

/// Average over all candidate times, each weighted by its likelihood.
struct Weighed {
    level_pa: f64,
    variance: f64,
    at_s: f64,
    at_u_s: f64,
    slopes: [f64; 2],
}

fn weighed(tried: &[Tried], noise_variance: f64) -> Option<Weighed> {
    let best = tried.iter().min_by(|a, b| a.cost.total_cmp(&b.cost))?;
    let weight = |at: &Tried| (-0.5 * (at.cost - best.cost) / noise_variance.max(f64::MIN_POSITIVE)).exp();
    let whole: f64 = tried.iter().map(weight).sum();
    let mean =
        |value: &dyn Fn(&Tried) -> f64| tried.iter().map(|at| weight(at) * value(at)).sum::<f64>() / whole;
    let (level_pa, at_s) = (mean(&|at| at.level_pa), mean(&|at| at.at_s));
    let variance = mean(&|at| at.per_noise * noise_variance + (at.level_pa - level_pa).powi(2));
    let at_u_s = mean(&|at| (at.at_s - at_s).powi(2)).max(0.0).sqrt();
    let found = Weighed { level_pa, variance, at_s, at_u_s, slopes: best.slopes };
    (found.level_pa.is_finite() && found.variance.is_finite()).then_some(found)
}

/// Samples and constants of one fit.
struct Frame<'s> {
    samples: &'s [Sample],
    lag_s: f64,
    scale_s: f64,
    noise_pa: f64,
    /// Penalty per squared curvature term, on the scale of a squared residual.
    stiff: f64,
}

impl Frame<'_> {
    /// Narrows the grid of candidate times until its step is small compared with the uncertainty of the time.
    fn closest(&self, [from_s, to_s]: [f64; 2]) -> Option<(Weighed, Vec<Tried>)> {
        let variance = self.noise_pa.powi(2);
        let (mut range, mut tried) = ([from_s, to_s], self.tried([from_s, to_s]));
        for _ in 0..CLOSER {
            let step_s = (range[1] - range[0]) / f64::from(MOMENTS);
            let found = weighed(&tried, variance)?;
            if found.at_u_s > 2.0 * step_s {
                break;
            }
            range = [(found.at_s - 3.0 * step_s).max(from_s), (found.at_s + 3.0 * step_s).min(to_s)];
            tried = self.tried(range);
        }
        Some((weighed(&tried, variance)?, tried))
    }

    fn tried(&self, [from_s, to_s]: [f64; 2]) -> Vec<Tried> {
        let step_s = (to_s - from_s) / f64::from(MOMENTS);
        (0..=MOMENTS).filter_map(|index| self.at(from_s + f64::from(index) * step_s)).collect()
    }

    /// Value of each term at a sample: before the turn a lagged line; after it the first-order response to the new slope, while the
    /// response to the old slope decays.
    fn parts(&self, since_s: f64) -> [f64; TERMS] {
        let (x, lag) = (since_s / self.scale_s, self.lag_s / self.scale_s);
        if x < 0.0 {
            return [1.0, x - lag, 0.0, (x - lag).powi(2), 0.0];
        }
        let left = if lag > 0.0 { lag * (-x / lag).exp() } else { 0.0 };
        let gone = x - lag + left;
        [1.0, -left, gone, 0.0, gone * gone]
    }

    fn at(&self, at_s: f64) -> Option<Tried> {
        let offset_pa = self.samples.first()?.level_pa;
        let (mut matrix, mut moments) = ([[0.0; TERMS]; TERMS], [0.0; TERMS]);
        for sample in self.samples {
            let parts = self.parts(sample.t_s - at_s);
            for (row, part) in parts.iter().enumerate() {
                moments[row] += part * (sample.level_pa - offset_pa);
                matrix[row].iter_mut().zip(&parts).for_each(|(cell, other)| *cell += part * other);
            }
        }
        matrix.iter_mut().enumerate().skip(3).for_each(|(bend, row)| row[bend] += self.stiff);
        let inverse = inverse(matrix)?;
        let mut values = [0.0; TERMS];
        for (value, row) in values.iter_mut().zip(&inverse) {
            *value = row.iter().zip(&moments).map(|(a, b)| a * b).sum();
        }
        let left = |sample: &Sample| {
            let parts = self.parts(sample.t_s - at_s);
            let fitted: f64 = parts.iter().zip(&values).map(|(part, value)| part * value).sum();
            (sample.level_pa - offset_pa - fitted).powi(2)
        };
        let squares: f64 = self.samples.iter().map(left).sum();
        let bends: f64 = values[3..].iter().map(|bend| bend * bend).sum();
        Some(Tried {
            at_s,
            squares,
            cost: squares + self.stiff * bends,
            level_pa: offset_pa + values[0],
            per_noise: inverse[0][0],
            slopes: [values[1] / self.scale_s, values[2] / self.scale_s],
        })
    }
}

/// Inverse of a positive definite matrix by Gauss–Jordan elimination; `None` if it is nearly singular.
fn inverse(mut left: [[f64; TERMS]; TERMS]) -> Option<[[f64; TERMS]; TERMS]> {
    let largest = (0..TERMS).map(|index| left[index][index]).fold(0.0, f64::max);
    let mut right = [[0.0; TERMS]; TERMS];
    right.iter_mut().enumerate().for_each(|(index, row)| row[index] = 1.0);
    for column in 0..TERMS {
        let pivot =
            (column..TERMS).max_by(|&a, &b| left[a][column].abs().total_cmp(&left[b][column].abs()))?;
        if left[pivot][column].abs() < 1e-13 * largest {
            return None;
        }
        left.swap(column, pivot);
        right.swap(column, pivot);
        let divisor = left[column][column];
        left[column].iter_mut().for_each(|cell| *cell /= divisor);
        right[column].iter_mut().for_each(|cell| *cell /= divisor);
        for row in (0..TERMS).filter(|&row| row != column) {
            let factor = left[row][column];
            for index in 0..TERMS {
                left[row][index] -= factor * left[column][index];
                right[row][index] -= factor * right[column][index];
            }
        }
    }
    Some(right)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::normal_quantile;
    use rstest::rstest;

    /// First-order response to a level that falls and rises again, in closed form.
    fn lagged(t_s: f64, turn_s: f64, level_pa: f64, [falls, rises]: [f64; 2], lag_s: f64) -> f64 {
        let x = t_s - turn_s;
        if x < 0.0 {
            return level_pa + falls * (x - lag_s);
        }
        let left = if lag_s > 0.0 { lag_s * (-x / lag_s).exp() } else { 0.0 };
        level_pa + rises * (x - lag_s) + (rises - falls) * left
    }

    fn samples(scan_s: f64, phase: f64, level: impl Fn(f64) -> f64) -> Vec<Sample> {
        let count = (0.6 / scan_s).ceil();
        let mut t_s = -0.3 + phase * scan_s;
        let mut all = Vec::new();
        while t_s < -0.3 + count * scan_s {
            all.push(Sample { t_s, level_pa: level(t_s) });
            t_s += scan_s;
        }
        all
    }

    #[rstest]
    fn a_turn_without_noise_is_found_between_the_samples(
        #[values(2e-3, 5e-3, 20e-3)] scan_s: f64,
        #[values(0.0, 2e-3, 20e-3)] lag_s: f64,
        #[values([-200.0, 9_000.0], [-9_000.0, 9_000.0], [-3_000.0, 700.0])] slopes: [f64; 2],
        #[values(0.1, 0.6)] phase: f64,
    ) {
        let turn_s = 0.013;
        let all = samples(scan_s, phase, |t_s| lagged(t_s, turn_s, 64_000.0, slopes, lag_s));
        let prior = TurnPrior {
            between_s: [-0.02, 0.08],
            lag_s,
            noise_pa: None,
            resolution_pa: 0.1,
            bend_pa_per_s2: 5e3,
        };
        let found = fit_turn(&all, prior).expect("a turn");
        assert!((found.level_pa - 64_000.0).abs() < 3.0, "{found:?}");
        assert!((found.at_s - turn_s).abs() < 1e-3, "{found:?}");
    }

    /// Pseudo-random standard normal value for an integer.
    fn normal(number: u32) -> f64 {
        let mixed = number.wrapping_mul(0x9E37_79B9) ^ (number >> 5).wrapping_mul(0x85EB_CA6B);
        let mixed = (mixed ^ (mixed >> 15)).wrapping_mul(0x2C1B_3C6D);
        normal_quantile((f64::from(mixed ^ (mixed >> 13)) + 0.5) / 4_294_967_296.0)
    }

    #[rstest]
    fn noise_moves_the_turn_by_as_much_as_is_said(
        #[values(20.0, 60.0, 200.0)] noise_pa: f64,
        #[values(5e-3, 20e-3, 40e-3)] scan_s: f64,
        #[values([-200.0, 9_000.0], [-9_000.0, 9_000.0], [-9_000.0, 3_000.0])] slopes: [f64; 2],
    ) {
        let (mut held, mut bias, mut u) = (0, 0.0, 0.0);
        for draw in 0..200_u32 {
            let turn_s = 0.05 * f64::from(draw) / 200.0;
            let mut all = samples(scan_s, 0.0, |t_s| lagged(t_s, turn_s, 64_000.0, slopes, 2e-3));
            (0..).zip(&mut all).for_each(|(index, sample)| {
                sample.level_pa += noise_pa * normal(draw * 1_009 + index * 7);
            });
            let prior = TurnPrior {
                between_s: [-0.02, 0.08],
                lag_s: 2e-3,
                noise_pa: None,
                resolution_pa: 6.0,
                bend_pa_per_s2: 5e3,
            };
            let found = fit_turn(&all, prior).expect("a turn");
            held += u32::from((found.level_pa - 64_000.0).abs() <= 2.0 * found.uncertainty_pa);
            bias += (found.level_pa - 64_000.0) / 200.0;
            u += found.uncertainty_pa / 200.0;
        }
        assert!(held >= 182, "within 2 u: {held} of 200; bias {bias:.1} Pa, u {u:.1} Pa");
        assert!(bias.abs() < 0.4 * u, "bias {bias:.1} Pa, u {u:.1} Pa");
        assert!(u < noise_pa, "u {u:.1} Pa");
    }

    #[test]
    fn too_few_samples_on_one_side_show_no_turn() {
        let all = samples(5e-3, 0.0, |t_s| lagged(t_s, 0.0, 64_000.0, [-100.0, 900.0], 0.0));
        let prior = TurnPrior {
            between_s: [-0.02, 0.5],
            lag_s: 0.0,
            noise_pa: None,
            resolution_pa: 1.0,
            bend_pa_per_s2: 5e3,
        };
        assert_eq!(fit_turn(&all, prior), None);
    }

    #[track_caller]
    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{found} instead of {expected}");
    }

    #[track_caller]
    fn within(found: f64, expected: f64, by: f64) {
        assert!((found - expected).abs() <= by, "{found} instead of {expected}");
    }

    /// Nine samples around a turn.
    fn nine() -> Vec<Sample> {
        let points = [
            (-0.4, 140.0),
            (-0.3, 118.0),
            (-0.2, 95.0),
            (-0.1, 68.0),
            (0.05, 55.0),
            (0.1, 62.0),
            (0.2, 84.0),
            (0.3, 103.0),
            (0.4, 131.0),
        ];
        points.map(|(t_s, level_pa)| Sample { t_s, level_pa }).to_vec()
    }

    fn frame(samples: &[Sample], lag_s: f64, stiff: f64) -> Frame<'_> {
        Frame { samples, lag_s, scale_s: 0.5, noise_pa: 3.0, stiff }
    }

    // In units of 0.5 s, with a lag of 0.06: 0.2 s before the turn x = −0.4, and x − 0.06 = −0.46. 0.1 s after the turn the old slope
    // still contributes 0.06 exp(−0.2/0.06) = 0.0021404, and the new slope 0.2 − 0.06 + 0.0021404.
    #[rstest]
    #[case(0.03, -0.2, [1.0, -0.46, 0.0, 0.2116, 0.0])]
    #[case(0.03, 0.1, [1.0, -0.002_140_439_600_835_143_4, 0.142_140_439_600_835_17, 0.0, 0.020_203_904_569_918_67])]
    #[case(0.03, 0.0, [1.0, -0.06, 0.0, 0.0, 0.0])]
    #[case(0.0, 0.1, [1.0, 0.0, 0.2, 0.0, 0.04])]
    #[case(0.0, 0.0, [1.0, 0.0, 0.0, 0.0, 0.0])]
    fn the_terms_are_those_of_a_lagged_turn(
        #[case] lag_s: f64,
        #[case] since_s: f64,
        #[case] expected: [f64; TERMS],
    ) {
        let found = frame(&[], lag_s, 1.0).parts(since_s);
        for (found, expected) in found.into_iter().zip(expected) {
            near(found, expected);
        }
    }

    // Rows of the terms above and two rows for the curvature prior, solved with numpy.linalg.inv of the normal equations: squares, cost,
    // level, variance of the level for noise of unit variance, slopes.
    #[rstest]
    #[case(0.02, 0.03, 2.5, [120.284_738_243_225, 121.339_851_203_245_63, 46.284_594_605_436_75, 0.443_160_747_663_224_1, -200.879_980_330_881_4, 239.442_448_713_147])]
    #[case(0.02, 0.0, 2.5, [47.744_641_384_309_45, 47.825_824_389_814_78, 44.569_011_763_027_12, 0.469_465_067_627_107_05, -226.641_702_399_142_87, 220.837_849_589_426_44])]
    #[case(-0.05, 0.03, 0.4, [99.194_343_505_470_64, 107.256_771_089_650_07, 42.403_173_053_403_48, 0.553_207_291_729_937_9, -270.181_547_216_874_26, 194.046_966_566_679_86])]
    fn the_curves_at_one_moment_agree_with_another_library(
        #[case] at_s: f64,
        #[case] lag_s: f64,
        #[case] stiff: f64,
        #[case] expected: [f64; 6],
    ) {
        let all = nine();
        let found = frame(&all, lag_s, stiff).at(at_s).expect("curves");
        let [before, after] = found.slopes;
        let found = [found.squares, found.cost, found.level_pa, found.per_noise, before, after];
        for (found, expected) in found.into_iter().zip(expected) {
            near(found, expected);
        }
    }

    #[test]
    fn moments_are_tried_evenly_from_end_to_end() {
        let all = nine();
        let found = frame(&all, 0.0, 1.0).tried([-0.08, 0.08]);
        assert_eq!(found.len(), 33);
        for (index, at) in (0..).map(f64::from).zip(&found) {
            near(at.at_s, -0.08 + 0.005 * index);
        }
    }

    fn one(cost: f64, level_pa: f64, at_s: f64, per_noise: f64) -> Tried {
        Tried { at_s, squares: cost, cost, level_pa, per_noise, slopes: [-cost, cost] }
    }

    // With a noise variance of 4, a cost that is 8 ln 3 higher has a third of the weight: weights ¾ and ¼. Level ¾ · 10 + ¼ · 14 = 11;
    // time 2 with variance ¾ · 1 + ¼ · 9; variance of the level ¾ (0.5 · 4 + 1) + ¼ (0.9 · 4 + 9).
    #[test]
    fn moments_are_weighed_by_their_likelihood() {
        let tried = [one(7.0 + 8.0 * 3_f64.ln(), 14.0, 5.0, 0.9), one(7.0, 10.0, 1.0, 0.5)];
        let found = weighed(&tried, 4.0).expect("a turn");
        near(found.level_pa, 11.0);
        near(found.at_s, 2.0);
        near(found.at_u_s, 3_f64.sqrt());
        near(found.variance, 5.4);
        near(found.slopes[1], 7.0);
        // Without noise only the best time counts.
        let found = weighed(&tried, 0.0).expect("a turn");
        near(found.level_pa, 10.0);
        near(found.variance, 0.0);
        assert!(weighed(&[], 4.0).is_none());
        assert!(weighed(&[one(7.0, f64::NAN, 1.0, 0.5)], 4.0).is_none());
        assert!(weighed(&[one(7.0, 10.0, 1.0, f64::INFINITY)], 4.0).is_none());
    }

    // Closed forms: the matrix with 2 on its diagonal and −1 beside it has the inverse min(i, j) (6 − max(i, j))/6; the inverse of a
    // permutation is its transpose.
    #[test]
    fn inverses_are_those_of_the_closed_forms() {
        let index = [1.0, 2.0, 3.0, 4.0, 5.0_f64];
        let beside = |i: f64, j: f64| match (i - j).abs() {
            0.0 => 2.0,
            1.0 => -1.0,
            _ => 0.0,
        };
        let found = inverse(index.map(|i| index.map(|j| beside(i, j)))).expect("an inverse");
        for (row, i) in found.iter().zip(index) {
            for (cell, j) in row.iter().zip(index) {
                near(*cell, i.min(j) * (6.0 - i.max(j)) / 6.0);
            }
        }
        let cycle = |from: usize, to: usize| if to == (from + 2) % TERMS { 3.0 } else { 0.0 };
        let mut matrix = [[0.0; TERMS]; TERMS];
        let mut turned = matrix;
        for from in 0..TERMS {
            for to in 0..TERMS {
                matrix[from][to] = cycle(from, to);
                turned[to][from] = cycle(from, to) / 9.0;
            }
        }
        let found = inverse(matrix).expect("an inverse");
        found.iter().flatten().zip(turned.iter().flatten()).for_each(|(found, turned)| near(*found, *turned));
    }

    #[rstest]
    #[case(1e-12, true)]
    #[case(1e-14, false)]
    #[case(0.0, false)]
    fn a_matrix_that_is_next_to_singular_has_no_inverse(#[case] least: f64, #[case] has: bool) {
        for scale in [1e-6, 1.0, 1e6] {
            let mut matrix = [[0.0; TERMS]; TERMS];
            for (index, value) in [0.5, 1.0, 0.25, least, 0.125].into_iter().enumerate() {
                matrix[index][index] = value * scale;
            }
            assert_eq!(inverse(matrix).is_some(), has, "{scale}");
        }
    }

    // The definition evaluated in numpy at 4001 times instead of on a narrowed grid: level, its uncertainty, time, residual. Unknown noise
    // is estimated in two iterations; with a resolution of 30 Pa it is 30/√12.
    #[rstest]
    #[case(0.03, Some(3.0), 0.5, [45.853_5, 4.600_7, -0.040_21, 1.256])]
    #[case(0.03, Some(12.0), 0.5, [49.430, 14.045, -0.006_12, 1.283])]
    #[case(0.03, Some(0.3), 0.5, [44.219_9, 0.433_6, -0.046_50, 1.256])]
    #[case(0.03, None, 0.5, [44.469_7, 1.838_3, -0.045_80, 1.256])]
    #[case(0.0, None, 30.0, [50.510, 11.090, -0.002_17, 8.660])]
    #[case(-1.0, None, 30.0, [50.510, 11.090, -0.002_17, 8.660])]
    fn a_turn_agrees_with_many_moments(
        #[case] lag_s: f64,
        #[case] noise_pa: Option<f64>,
        #[case] resolution_pa: f64,
        #[case] expected: [f64; 4],
    ) {
        let prior =
            TurnPrior { between_s: [-0.1, 0.1], lag_s, noise_pa, resolution_pa, bend_pa_per_s2: 2_000.0 };
        let found = fit_turn(&nine(), prior).expect("a turn");
        let [level_pa, uncertainty_pa, at_s, residual_pa] = expected;
        // Where both ends of the grid have weight, it counts one interval of 32 too many.
        within(found.level_pa, level_pa, 0.03 * uncertainty_pa);
        within(found.uncertainty_pa, uncertainty_pa, 0.03 * uncertainty_pa);
        within(found.at_s, at_s, 1e-3);
        within(found.residual_pa, residual_pa, 0.03 * residual_pa);
        near(found.freedom, 5.0);
    }

    // Three samples up to −0.1 s and three from 0.1 s on suffice; samples exactly at these times count.
    #[test]
    fn three_samples_on_each_side_are_enough() {
        let prior = TurnPrior {
            between_s: [-0.1, 0.1],
            lag_s: 0.0,
            noise_pa: Some(1.0),
            resolution_pa: 0.5,
            bend_pa_per_s2: 2_000.0,
        };
        let all = nine();
        let six: Vec<Sample> = [1, 2, 3, 5, 6, 7].map(|index| all[index]).to_vec();
        let found = fit_turn(&six, prior).expect("a turn");
        near(found.freedom, 2.0);
        assert_eq!(fit_turn(&six[1..], prior), None);
        assert_eq!(fit_turn(&six[..5], prior), None);
        assert_eq!(fit_turn(&six, TurnPrior { between_s: [0.0, 0.0], ..prior }), None);
        assert_eq!(fit_turn(&six, TurnPrior { between_s: [0.05, -0.05], ..prior }), None);
    }

    // Level + slope · (t − turn) on each side, without noise.
    #[test]
    fn the_slopes_are_those_of_both_lines() {
        let all = samples(10e-3, 0.4, |t_s| lagged(t_s, 0.03, 64_000.0, [-3_000.0, 700.0], 0.0));
        let prior = TurnPrior {
            between_s: [-0.02, 0.08],
            lag_s: 0.0,
            noise_pa: None,
            resolution_pa: 0.1,
            bend_pa_per_s2: 1.0,
        };
        let found = fit_turn(&all, prior).expect("a turn");
        within(found.slopes_pa_per_s[0], -3_000.0, 3.0);
        within(found.slopes_pa_per_s[1], 700.0, 3.0);
    }
}
