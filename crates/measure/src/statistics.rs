//! Mean and standard deviation, by two passes with compensation.

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

/// Sum after Neumaier.
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
    use rstest::rstest;

    fn repeated(first: f64, low: f64, high: f64) -> Vec<f64> {
        std::iter::once(first).chain((0..500).flat_map(|_| [low, high])).collect()
    }

    // NIST StRD, univariate: NumAcc1 to NumAcc4, certified mean and standard deviation; at least eight digits asked for.
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
}
