//! Mean and standard deviation in two passes with compensated sums; functions of the normal and chi-square distributions.

use statrs::distribution::{ChiSquared, Continuous, ContinuousCDF, Normal};

/// Arithmetic mean; `None` for no values.
pub fn mean(values: &[f64]) -> Option<f64> {
    let first = *values.first()?;
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    let count = values.len() as f64;
    Some(first + compensated_sum(values.iter().map(|value| value - first)) / count)
}

/// Sample standard deviation with n − 1; `None` for fewer than two values.
pub fn standard_deviation(values: &[f64]) -> Option<f64> {
    let mean = mean(values).filter(|_| values.len() > 1)?;
    let squares = compensated_sum(values.iter().map(|value| (value - mean).powi(2)));
    let rest = compensated_sum(values.iter().map(|value| value - mean));
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    let count = values.len() as f64;
    Some(((squares - rest * rest / count) / (count - 1.0)).max(0.0).sqrt())
}

/// Quantile of the standard normal distribution for a probability from 0 to 1.
pub fn normal_quantile(share: f64) -> f64 {
    Normal::standard().inverse_cdf(share)
}

/// Probability that a standard normal variable is at most `value`.
pub fn normal_share(value: f64) -> f64 {
    Normal::standard().cdf(value)
}

/// 95 % confidence interval of the true standard deviation, as factors on that of `count` normal values: chi-square with n − 1
/// degrees of freedom. `None` for fewer than two values.
pub fn spread_interval(count: usize) -> Option<[f64; 2]> {
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    let freedom = count.checked_sub(1).filter(|freedom| *freedom > 0)? as f64;
    let squared = ChiSquared::new(freedom).ok()?;
    Some([0.975, 0.025].map(|share| (freedom / squared.inverse_cdf(share)).sqrt()))
}

/// Ratios of an estimated standard deviation with `freedom` degrees of freedom to the true one: the medians of nine equally
/// probable parts. All are 1 if `freedom` is not a finite positive number.
pub fn scatter_ratios(freedom: f64) -> [f64; 9] {
    let Some(squared) = ChiSquared::new(freedom).ok().filter(|_| freedom.is_finite()) else {
        return [1.0; 9];
    };
    [0.5, 1.5, 2.5, 3.5, 4.5, 5.5, 6.5, 7.5, 8.5]
        .map(|part| (squared.inverse_cdf(part / 9.0) / freedom).sqrt())
}

/// Mean of max(x, 0)² for a normal x with this mean and standard deviation `spread`.
pub fn mean_square_above_zero(mean: f64, spread: f64) -> f64 {
    if spread <= 0.0 {
        return mean.max(0.0).powi(2);
    }
    let normal = Normal::standard();
    let ratio = mean / spread;
    (mean.powi(2) + spread.powi(2)) * normal.cdf(ratio) + mean * spread * normal.pdf(ratio)
}

/// Compensated sum by Neumaier's algorithm.
fn compensated_sum(values: impl Iterator<Item = f64>) -> f64 {
    let (mut sum, mut lost) = (0.0_f64, 0.0);
    for value in values {
        let next = sum + value;
        lost += if sum.abs() >= value.abs() { sum - next + value } else { value - next + sum };
        sum = next;
    }
    sum + lost
}

#[cfg(test)]
mod tests {
    use super::*;

    // Medians of chi-square with 1, 4 and 10 degrees of freedom, 0.455, 3.357 and 9.342: the closed-form distribution function is 0.5 there.
    #[test]
    fn ratios_of_scatter_lie_around_the_median_of_chi_square() {
        for (freedom, median) in [(1.0, 0.455_f64), (4.0, 3.357), (10.0, 9.342)] {
            let found = scatter_ratios(freedom);
            assert!((found[4] - (median / freedom).sqrt()).abs() < 1e-3, "{found:?}");
            assert!(found.windows(2).all(|pair| pair[0] < pair[1]), "{found:?}");
            let squares = found.iter().map(|ratio| ratio * ratio).sum::<f64>() / 9.0;
            assert!((0.85..1.0).contains(&squares), "{squares}");
        }
        assert!(scatter_ratios(f64::INFINITY).iter().all(|ratio| (ratio - 1.0).abs() < f64::EPSILON));
    }
    use rstest::rstest;

    fn repeated(first: f64, low: f64, high: f64) -> Vec<f64> {
        std::iter::once(first).chain((0..500).flat_map(|_| [low, high])).collect()
    }

    // NIST StRD, univariate: NumAcc1 to NumAcc4, certified mean and standard deviation; at least eight digits are required.
    #[rstest]
    #[case(vec![10_000_001.0, 10_000_003.0, 10_000_002.0], 10_000_002.0, 1.0)]
    #[case(repeated(1.2, 1.1, 1.3), 1.2, 0.1)]
    #[case(repeated(1_000_000.2, 1_000_000.1, 1_000_000.3), 1_000_000.2, 0.1)]
    #[case(repeated(10_000_000.2, 10_000_000.1, 10_000_000.3), 10_000_000.2, 0.1)]
    fn certified_values_of_nist_strd_are_met(
        #[case] values: Vec<f64>,
        #[case] certified_mean: f64,
        #[case] certified_s: f64,
    ) {
        let digits = |found: f64, certified: f64| -((found - certified).abs() / certified).max(1e-16).log10();
        assert!(digits(mean(&values).expect("mean"), certified_mean) > 12.0);
        assert!(digits(standard_deviation(&values).expect("s"), certified_s) >= 8.0);
    }

    // NIST StRD, analysis of variance, SiRstv: five instruments, five measurements each; certified sums of squares, F and residual
    // standard deviation.
    #[test]
    fn certified_values_of_sirstv_are_met() {
        let instruments = [
            [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
            [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
            [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
            [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
            [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
        ];
        let within: f64 =
            instruments.iter().map(|one| 4.0 * standard_deviation(one).expect("s").powi(2)).sum();
        let means = instruments.map(|one| mean(&one).expect("mean"));
        let between = 5.0 * 4.0 * standard_deviation(&means).expect("s").powi(2);
        assert!((between - 5.114_626_16e-2).abs() < 1e-10, "{between}");
        assert!((within - 2.166_365_60e-1).abs() < 1e-10, "{within}");
        assert!(((between / 4.0) / (within / 20.0) - 1.180_462_374_402_55).abs() < 1e-8);
        assert!(((within / 20.0).sqrt() - 0.104_076_068_334_656).abs() < 1e-10);
    }

    // 40 CFR 1065.602, examples for mean and standard deviation: 11.20 and 0.6619.
    #[test]
    fn the_examples_of_40_cfr_1065_602_are_met() {
        let values = [10.60, 11.91, 11.09];
        assert!((mean(&values).expect("mean") - 11.20).abs() < 0.005);
        assert!((standard_deviation(&values).expect("s") - 0.6619).abs() < 0.00005);
    }

    // Tables of chi-square (as in Abramowitz and Stegun, 26.8, from memory): 0.0506 and 7.378 for 2 degrees of freedom, 0.4844 and
    // 11.143 for 4, 2.700 and 19.023 for 9.
    #[rstest]
    #[case(3, [(2.0_f64 / 7.378).sqrt(), (2.0_f64 / 0.0506).sqrt()])]
    #[case(5, [(4.0_f64 / 11.143).sqrt(), (4.0_f64 / 0.4844).sqrt()])]
    #[case(10, [(9.0_f64 / 19.023).sqrt(), (9.0_f64 / 2.700).sqrt()])]
    fn the_interval_of_a_spread_is_that_of_the_tables(#[case] count: usize, #[case] table: [f64; 2]) {
        let found = spread_interval(count).expect("an interval");
        for (found, table) in found.into_iter().zip(table) {
            assert!((found / table - 1.0).abs() < 1e-3, "{found} instead of {table}");
        }
    }

    #[test]
    fn one_value_has_no_spread() {
        assert!(spread_interval(1).is_none());
    }

    #[rstest]
    #[case(0.0, 1.0, 0.5)]
    #[case(0.0, 0.0, 0.0)]
    #[case(-3.0, 0.0, 0.0)]
    #[case(3.0, 0.0, 9.0)]
    #[case(10.0, 1.0, 101.0)]
    fn the_square_above_zero_is_right_where_it_is_known(
        #[case] mean: f64,
        #[case] spread: f64,
        #[case] known: f64,
    ) {
        assert!((mean_square_above_zero(mean, spread) - known).abs() < 1e-9);
    }

    // Closed form with z = m/s: (m² + s²) Φ(z) + m s φ(z); Φ(0.5) = 0.691462461, φ(0.5) = 0.352065327 (tables of the normal
    // distribution, from memory, recomputed).
    #[rstest]
    #[case(1.0, 5.0 * 0.691_462_461_274_013 + 2.0 * 0.352_065_326_764_299_5)]
    #[case(-1.0, 5.0 * 0.308_537_538_725_987 - 2.0 * 0.352_065_326_764_299_5)]
    fn the_square_above_zero_is_the_closed_form(#[case] mean: f64, #[case] expected: f64) {
        let found = mean_square_above_zero(mean, 2.0);
        assert!((found - expected).abs() < 1e-9, "{found} instead of {expected}");
    }

    // Quantiles of the normal distribution (tables; from memory).
    #[rstest]
    #[case(0.5, 0.0)]
    #[case(0.975, 1.959_964)]
    #[case(0.158_655, -1.0)]
    fn the_quantile_is_that_of_the_tables(#[case] share: f64, #[case] quantile: f64) {
        assert!((normal_quantile(share) - quantile).abs() < 1e-5);
    }

    // A naive sum loses the small terms that the compensation keeps. The sum of 1, 1e100, 1, −1e100 is 2 (Neumaier's own example,
    // from memory).
    #[rstest]
    #[case(&[1.0, 1e100, 1.0, -1e100], 2.0)]
    #[case(&[1e100, 1.0, -1e100, 1.0], 2.0)]
    #[case(&[0.0, -1e100, 1.0, 1e100], 1.0)]
    fn what_a_sum_loses_is_given_back(#[case] values: &[f64], #[case] sum: f64) {
        assert!((compensated_sum(values.iter().copied()) - sum).abs() < f64::EPSILON);
    }

    // Above 2^53 (9.007e15) only even integers are floats: the mean of 1e16 + {0, 2, 2} is rounded from 1e16 + 4/3 to 1e16 + 2. The
    // effect on the squares is corrected: (16/9 + 4/9 + 4/9)/2 = 4/3.
    #[test]
    fn a_mean_that_is_rounded_does_not_widen_the_deviation() {
        let found = standard_deviation(&[1e16, 1e16 + 2.0, 1e16 + 2.0]).expect("s");
        assert!((found - (4.0_f64 / 3.0).sqrt()).abs() < 1e-12, "{found}");
    }

    #[test]
    fn few_values_have_a_mean_and_no_deviation() {
        assert!(
            mean(&[]).is_none() && standard_deviation(&[]).is_none() && standard_deviation(&[3.0]).is_none()
        );
        assert!(spread_interval(0).is_none() && spread_interval(2).is_some());
        assert!((mean(&[3.0]).expect("one") - 3.0).abs() < f64::EPSILON);
        // Two values: their difference divided by the square root of two.
        assert!((standard_deviation(&[3.0, 7.0]).expect("two") - 4.0 / 2_f64.sqrt()).abs() < 1e-12);
    }
}
