//! Least-squares fits: a local curve or straight line through a ramp with its covariance, and a leak with gas that still warms.

/// A level at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Seconds since the start of the run.
    pub t_s: f64,
    /// Vacuum level in pascal.
    pub level_pa: f64,
}

/// Fitted polynomial of degree one or two around a centre time.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    centre_s: f64,
    scale_s: f64,
    coefficients: [f64; 3],
    covariance: [[f64; 3]; 3],
    /// Standard deviation of the residuals, pascal.
    pub residual_pa: f64,
}

/// Merges consecutive equal values into one sample at the middle of their time: the converter was read again before its next
/// conversion, or the level moved by less than a count.
pub fn distinct(samples: &[Sample]) -> Vec<Sample> {
    let same = |a: &Sample, b: &Sample| a.level_pa.total_cmp(&b.level_pa).is_eq();
    let middle = |run: &[Sample]| {
        let (first, last) = (run.first()?, run.last()?);
        Some(Sample { t_s: f64::midpoint(first.t_s, last.t_s), ..*first })
    };
    samples.chunk_by(same).filter_map(middle).collect()
}

/// Fits a parabola around `centre_s`. The residual is taken as at least `resolution_pa`/√12.
/// `None` for fewer than six samples or for samples that do not determine a parabola.
pub fn fit_curve(samples: &[Sample], centre_s: f64, resolution_pa: f64) -> Option<Curve> {
    fit(samples, centre_s, resolution_pa, 3)
}

/// Fits a straight line around `centre_s`, as [`fit_curve`]. `None` for fewer than three samples or if all are at one time.
pub fn fit_line(samples: &[Sample], centre_s: f64, resolution_pa: f64) -> Option<Curve> {
    fit(samples, centre_s, resolution_pa, 2)
}

fn fit(samples: &[Sample], centre_s: f64, resolution_pa: f64, terms: usize) -> Option<Curve> {
    if samples.len() < if terms == 3 { 6 } else { 3 } {
        return None;
    }
    let scale_s = samples.iter().map(|sample| (sample.t_s - centre_s).abs()).fold(0.0, f64::max);
    if !(scale_s.is_finite() && scale_s > 0.0) {
        return None;
    }
    let (matrix, moments, offset_pa) = normal_equations(samples, centre_s, scale_s);
    let inverse = invert(&matrix, terms)?;
    let mut coefficients = [0.0; 3];
    for (coefficient, row) in coefficients.iter_mut().zip(&inverse) {
        *coefficient = row.iter().zip(&moments).map(|(a, b)| a * b).sum();
    }
    coefficients[0] += offset_pa;
    let mut curve = Curve { centre_s, scale_s, coefficients, covariance: inverse, residual_pa: 0.0 };
    let squares: f64 =
        samples.iter().map(|sample| (sample.level_pa - curve.level_pa(sample.t_s)).powi(2)).sum();
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    let freedom = (samples.len() - terms) as f64;
    let variance = (squares / freedom).max(resolution_pa.powi(2) / 12.0);
    curve.residual_pa = variance.sqrt();
    curve.covariance.iter_mut().flatten().for_each(|cell| *cell *= variance);
    curve.coefficients.iter().all(|coefficient| coefficient.is_finite()).then_some(curve)
}

/// Leak of a closed volume, separated from the warming of its gas towards the wall's temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settling {
    /// Rate at which the level gets deeper, pascal per second; negative for a leak.
    pub slope_pa_per_s: f64,
    /// Standard uncertainty of the slope from the scatter of the samples and from the warming, pascal per second.
    pub slope_uncertainty_pa_per_s: f64,
}

/// Fits level = a + slope · t + b · exp(−t/τ) by least squares, with t from the first sample and a prior for `b` of zero with standard
/// deviation `warming_pa`. The scatter of a sample is taken as at least `floor_pa`. `None` for fewer than six samples, samples all at
/// one time, or a `tau_s` that is not positive.
pub fn fit_settling(samples: &[Sample], tau_s: f64, warming_pa: f64, floor_pa: f64) -> Option<Settling> {
    let (first, last) = (samples.first()?, samples.last()?);
    let long_s = last.t_s - first.t_s;
    if samples.len() < 6 || !(long_s > 0.0 && tau_s > 0.0) {
        return None;
    }
    let middle_pa = first.level_pa;
    let basis = |t_s: f64| [1.0, (t_s - first.t_s) / long_s, (-(t_s - first.t_s) / tau_s).exp()];
    let (mut matrix, mut moments) = ([[0.0; 3]; 3], [0.0; 3]);
    for sample in samples {
        let terms = basis(sample.t_s);
        for (row, term) in terms.iter().enumerate() {
            moments[row] += term * (sample.level_pa - middle_pa);
            for (cell, other) in matrix[row].iter_mut().zip(&terms) {
                *cell += term * other;
            }
        }
    }
    // The prior of the warming counts as one reading of it; the scatter is estimated from the fit without the prior.
    let scatter = |inverse: &Matrix| {
        let coefficients: Vec<f64> =
            inverse.iter().map(|row| row.iter().zip(&moments).map(|(a, b)| a * b).sum()).collect();
        let squares: f64 = samples
            .iter()
            .map(|sample| {
                let fitted: f64 = basis(sample.t_s).iter().zip(&coefficients).map(|(a, b)| a * b).sum();
                (sample.level_pa - middle_pa - fitted).powi(2)
            })
            .sum();
        #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
        let freedom = (samples.len() - 3) as f64;
        (coefficients, (squares / freedom).max(floor_pa.powi(2)))
    };
    let line = invert(&matrix, 2).map(|inverse| scatter(&inverse).1);
    let variance = invert(&matrix, 3).map_or(line?, |inverse| scatter(&inverse).1);
    matrix[2][2] += variance / warming_pa.max(1e-9).powi(2);
    let inverse = invert(&matrix, 3)?;
    let (coefficients, _) = scatter(&inverse);
    Some(Settling {
        slope_pa_per_s: coefficients[1] / long_s,
        slope_uncertainty_pa_per_s: (variance * inverse[1][1]).max(0.0).sqrt() / long_s,
    })
}

type Matrix = [[f64; 3]; 3];

/// Normal equations for times scaled to −1..1 and levels relative to the first: matrix, right-hand side and that first level.
fn normal_equations(samples: &[Sample], centre_s: f64, scale_s: f64) -> (Matrix, [f64; 3], f64) {
    let offset_pa = samples[0].level_pa;
    let (mut matrix, mut moments) = ([[0.0; 3]; 3], [0.0; 3]);
    for sample in samples {
        let x = (sample.t_s - centre_s) / scale_s;
        let powers = [1.0, x, x * x];
        for (row, power) in powers.iter().enumerate() {
            moments[row] += power * (sample.level_pa - offset_pa);
            for (cell, other) in matrix[row].iter_mut().zip(&powers) {
                *cell += power * other;
            }
        }
    }
    (matrix, moments, offset_pa)
}

/// Inverse of the leading `terms` × `terms` part by Gauss–Jordan elimination with pivoting, zero elsewhere; `None` if nearly singular.
fn invert(matrix: &Matrix, terms: usize) -> Option<Matrix> {
    let mut left = *matrix;
    let mut right = [[0.0; 3]; 3];
    right.iter_mut().enumerate().take(terms).for_each(|(index, row)| row[index] = 1.0);
    for column in 0..terms {
        let pivot =
            (column..terms).max_by(|&a, &b| left[a][column].abs().total_cmp(&left[b][column].abs()))?;
        if left[pivot][column].abs() < 1e-12 * matrix[0][0] {
            return None;
        }
        left.swap(column, pivot);
        right.swap(column, pivot);
        let divisor = left[column][column];
        for index in 0..terms {
            left[column][index] /= divisor;
            right[column][index] /= divisor;
        }
        for row in (0..terms).filter(|&row| row != column) {
            let factor = left[row][column];
            for index in 0..terms {
                left[row][index] -= factor * left[column][index];
                right[row][index] -= factor * right[column][index];
            }
        }
    }
    Some(right)
}

impl Curve {
    /// Level at a time, pascal.
    pub fn level_pa(&self, t_s: f64) -> f64 {
        let x = (t_s - self.centre_s) / self.scale_s;
        self.coefficients[0] + x * (self.coefficients[1] + x * self.coefficients[2])
    }

    /// Slope at a time, pascal per second.
    pub fn slope_pa_per_s(&self, t_s: f64) -> f64 {
        let x = (t_s - self.centre_s) / self.scale_s;
        (self.coefficients[1] + 2.0 * x * self.coefficients[2]) / self.scale_s
    }

    /// Standard uncertainty of the level at a time from the scatter of the samples, pascal.
    pub fn level_uncertainty_pa(&self, t_s: f64) -> f64 {
        let x = (t_s - self.centre_s) / self.scale_s;
        let powers = [1.0, x, x * x];
        self.quadratic_form(&powers).max(0.0).sqrt()
    }

    /// Standard uncertainty of the slope at the centre, pascal per second.
    pub fn slope_uncertainty_pa_per_s(&self) -> f64 {
        self.covariance[1][1].max(0.0).sqrt() / self.scale_s
    }

    fn quadratic_form(&self, vector: &[f64; 3]) -> f64 {
        let rows = self.covariance.iter().zip(vector);
        rows.map(|(row, a)| a * row.iter().zip(vector).map(|(cell, b)| cell * b).sum::<f64>()).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // GUM (JCGM 100:2008) H.3, calibration of a thermometer: printed results, recomputed to full precision.
    // Here "seconds" are degrees Celsius and "pascal" are corrections in degrees Celsius.
    #[test]
    fn the_line_of_gum_h3_is_found_with_its_covariance() {
        let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
        let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
        let samples: Vec<_> = t.into_iter().zip(b).map(|(t_s, level_pa)| Sample { t_s, level_pa }).collect();
        let line = fit_line(&samples, 20.0, 0.0).expect("a line");
        assert!((line.level_pa(20.0) - -0.171_203_79).abs() < 1e-8);
        assert!((line.level_uncertainty_pa(20.0) - 0.002_877_6).abs() < 5e-8);
        assert!((line.slope_pa_per_s(20.0) - 0.002_182_7).abs() < 5e-8);
        assert!((line.slope_uncertainty_pa_per_s() - 0.000_667_94).abs() < 5e-9);
        assert!((line.residual_pa - 0.003_497_563_963_505_28).abs() < 1e-12);
        assert!((line.level_pa(30.0) - -0.149_376_812_732_477_2).abs() < 1e-12);
        assert!((line.level_uncertainty_pa(30.0) - 0.004_138_595_752_854_942).abs() < 1e-12);
    }

    // NIST StRD, linear regression, Norris (y, x): certified B0, B1, their standard deviations and the residual standard deviation.
    #[test]
    fn the_certified_line_of_norris_is_found() {
        let data = [
            (0.1, 0.2),
            (338.8, 337.4),
            (118.1, 118.2),
            (888.0, 884.6),
            (9.2, 10.1),
            (228.1, 226.5),
            (668.5, 666.3),
            (998.5, 996.3),
            (449.1, 448.6),
            (778.9, 777.0),
            (559.2, 558.2),
            (0.3, 0.4),
            (0.1, 0.6),
            (778.1, 775.5),
            (668.8, 666.9),
            (339.3, 338.0),
            (448.9, 447.5),
            (10.8, 11.6),
            (557.7, 556.0),
            (228.3, 228.1),
            (998.0, 995.8),
            (888.8, 887.6),
            (119.6, 120.2),
            (0.3, 0.3),
            (0.6, 0.3),
            (557.6, 556.8),
            (339.3, 339.1),
            (888.0, 887.2),
            (998.5, 999.0),
            (778.9, 779.0),
            (10.2, 11.1),
            (117.6, 118.3),
            (228.9, 229.2),
            (668.4, 669.1),
            (449.2, 448.9),
            (0.2, 0.5),
        ];
        let samples: Vec<_> = data.into_iter().map(|(level_pa, t_s)| Sample { t_s, level_pa }).collect();
        let line = fit_line(&samples, 0.0, 0.0).expect("a line");
        let near = |found: f64, certified: f64| assert!((found / certified - 1.0).abs() < 1e-8, "{found}");
        near(line.level_pa(0.0), -0.262_323_073_774_029);
        near(line.slope_pa_per_s(0.0), 1.002_116_818_020_45);
        near(line.level_uncertainty_pa(0.0), 0.232_818_234_301_152);
        near(line.slope_uncertainty_pa_per_s(), 0.429_796_848_199_937e-3);
        near(line.residual_pa, 0.884_796_396_144_373);
    }

    // Up and down readings of a pressure gauge (course notebook `calibration_error_analysis_pressure.ipynb` of
    // alexlib/mechanical-engineering-metrology-and-measurements; Doebelin, Measurement Systems, from memory): both lines,
    // the line through all, its residuals, and the largest difference of one point, 0.61 kPa.
    #[test]
    fn the_up_and_down_lines_of_a_pressure_gauge_are_found() {
        let up = [-1.12, 0.21, 1.18, 2.09, 3.33, 4.50, 5.26, 6.59, 7.73, 8.68, 9.80];
        let down = [-0.69, 0.42, 1.65, 2.48, 3.62, 4.71, 5.87, 6.89, 7.92, 9.10, 10.20];
        let points = |values: &[f64]| -> Vec<Sample> {
            (0..).zip(values).map(|(t, level)| Sample { t_s: f64::from(t), level_pa: *level }).collect()
        };
        let line = |samples: &[Sample]| {
            let line = fit_line(samples, 0.0, 0.0).expect("a line");
            (line.slope_pa_per_s(0.0), line.level_pa(0.0), line.residual_pa)
        };
        let near = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-10, "{found}");
        let (rising, falling) = (points(&up), points(&down));
        near(line(&rising).0, 1.082_363_636_363_636_2);
        near(line(&rising).1, -1.025_454_545_454_545);
        near(line(&falling).0, 1.082_272_727_272_727);
        near(line(&falling).1, -0.668_636_363_636_363);
        let all = line(&[rising, falling].concat());
        near(all.0, 1.082_318_181_818_181_7);
        near(all.1, -0.847_045_454_545_457);
        assert!((all.2 - 0.208).abs() < 0.0005, "{}", all.2);
        let widest = up.iter().zip(&down).map(|(up, down)| (up - down).abs()).fold(0.0, f64::max);
        assert!((widest - 0.61).abs() < 0.005);
    }

    // Five cycles up and down of a scale (course notebook `weight_scale_example_Wheeler.ipynb` of the same collection, which
    // transcribes Wheeler and Ganji, Introduction to Engineering Experimentation, example 2.3): the line 1.290 W − 0.374 and
    // the largest deviations of readings from it (+0.454 and −0.396 in the table).
    #[test]
    fn the_line_of_five_cycles_and_what_lies_farthest_from_it_agree_with_the_table() {
        let table: [(f64, &[f64], &[f64]); 11] = [
            (0.0, &[], &[0.02, 0.08, 0.08, -0.03, 0.06]),
            (0.5, &[0.20, 0.08, 0.17, 0.19, 0.11], &[0.52, 0.61, 0.61, 0.61, 0.45]),
            (1.0, &[0.70, 0.78, 0.64, 0.61, 0.70], &[1.07, 1.07, 1.11, 1.16, 1.11]),
            (1.5, &[1.18, 1.26, 1.25, 1.24, 1.23], &[1.57, 1.70, 1.69, 1.63, 1.57]),
            (2.0, &[1.81, 1.93, 1.81, 1.93, 1.88], &[2.22, 2.23, 2.26, 2.29, 2.26]),
            (2.5, &[2.62, 2.49, 2.46, 2.46, 2.58, 2.53], &[2.98, 2.86, 2.98, 2.98, 2.94]),
            (3.0, &[3.15, 3.18, 3.24, 3.28, 3.13], &[3.57, 3.64, 3.66, 3.55, 3.67]),
            (3.5, &[3.90, 3.84, 3.86, 3.97, 3.96], &[4.22, 4.34, 4.21, 4.22, 4.24]),
            (4.0, &[4.59, 4.71, 4.61, 4.60, 4.60], &[4.96, 5.11, 5.08, 5.03, 5.03]),
            (4.5, &[5.41, 5.35, 5.49, 5.46, 5.39], &[5.71, 5.74, 5.78, 5.87, 5.82]),
            (5.0, &[6.24, 6.27, 6.10, 6.24, 6.16], &[]),
        ];
        let samples: Vec<Sample> = table
            .iter()
            .flat_map(|(t_s, up, down)| {
                up.iter().chain(*down).map(|&level_pa| Sample { t_s: *t_s, level_pa })
            })
            .collect();
        let line = fit_line(&samples, 0.0, 0.0).expect("a line");
        assert!((line.slope_pa_per_s(0.0) - 1.290).abs() < 0.0005, "{}", line.slope_pa_per_s(0.0));
        assert!((line.level_pa(0.0) + 0.374).abs() < 0.004, "{}", line.level_pa(0.0));
        let away = samples.iter().map(|sample| sample.level_pa - line.level_pa(sample.t_s));
        let (low, high) =
            away.fold((0.0_f64, 0.0_f64), |(low, high), value| (low.min(value), high.max(value)));
        assert!((high - 0.454).abs() < 0.005 && (low + 0.396).abs() < 0.005, "{low} {high}");
    }

    // 40 CFR 1065.644, vacuum-decay leak: 2 L from 25.3 to 50.6 kPa in 70 s at 293.15 K is 0.00030 mol/s (answer from memory,
    // recomputed 2.9657e-4 with R = 8.314472 J/(mol K), CODATA 2006, from memory). The rate is a line's slope, as in the step `leak`.
    #[test]
    fn a_leak_by_vacuum_decay_agrees_with_40_cfr_1065_644() {
        let pressure = |t_s: f64| Sample { t_s, level_pa: 25_300.0 + 25_300.0 * t_s / 70.0 };
        let line = fit_line(&[pressure(0.0), pressure(20.0), pressure(50.0), pressure(70.0)], 35.0, 0.0);
        let throughput = 2.0e-3 * line.expect("a line").slope_pa_per_s(35.0);
        assert!((throughput - 0.722_857_142_857_142_9).abs() < 1e-9, "{throughput}");
        let flow = throughput / (8.314_472 * 293.15);
        assert!((flow - 2.965_704_684_633_996e-4).abs() < 1e-12, "{flow}");
        assert!((flow - 0.000_30).abs() < 5e-6);
    }

    #[test]
    fn an_exponential_pull_is_followed_where_a_line_is_not_enough() {
        let level = |t: f64| 90e3 - 30e3 * (-t / 4.8).exp();
        let samples: Vec<_> =
            (-30..=30).map(|i| f64::from(i) * 5e-3).map(|t_s| Sample { t_s, level_pa: level(t_s) }).collect();
        let curve = fit_curve(&samples, 0.0, 0.0).expect("a curve");
        assert!((curve.level_pa(0.0) - 60e3).abs() < 0.05);
        assert!((curve.slope_pa_per_s(0.0) - 6_250.0).abs() < 2.0);
    }

    // Closed form: a leak of 20 Pa/s while 300 Pa of warming decay with a time constant of 1 s.
    #[test]
    fn a_leak_is_told_from_gas_that_still_warms() {
        let level = |t_s: f64| 70_000.0 - 20.0 * t_s + 300.0 * (-t_s).exp();
        let samples: Vec<Sample> =
            (0..800).map(|i| f64::from(i) * 5e-3).map(|t_s| Sample { t_s, level_pa: level(t_s) }).collect();
        let found = fit_settling(&samples, 1.0, 300.0, 20.0).expect("a rate");
        assert!((found.slope_pa_per_s + 20.0).abs() < 0.5, "{found:?}");
        // A straight line mistakes the warming for a leak.
        let line = fit_line(&samples, 2.0, 0.0).expect("a line").slope_pa_per_s(2.0);
        assert!((line + 20.0).abs() > 20.0, "{line}");
        // Without warming the result is the slope of a straight line with its uncertainty.
        let rested: Vec<Sample> = samples
            .iter()
            .map(|sample| Sample { level_pa: 70_000.0 - 20.0 * sample.t_s, ..*sample })
            .collect();
        let found = fit_settling(&rested, 1.0, 1e-6, 20.0).expect("a rate");
        let line_u = 20.0 / (800.0_f64 / 12.0).sqrt() / 4.0;
        assert!((found.slope_uncertainty_pa_per_s / line_u - 1.0).abs() < 0.01, "{found:?} {line_u}");
    }

    fn samples(points: &[(f64, f64)]) -> Vec<Sample> {
        points.iter().map(|&(t_s, level_pa)| Sample { t_s, level_pa }).collect()
    }

    #[track_caller]
    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{found} instead of {expected}");
    }

    const BENT: [(f64, f64); 9] = [
        (0.0, 10.0),
        (0.1, 14.0),
        (0.2, 19.0),
        (0.35, 27.0),
        (0.4, 28.0),
        (0.5, 36.0),
        (0.65, 47.0),
        (0.7, 51.0),
        (0.8, 58.0),
    ];

    // Recomputed with numpy.linalg.lstsq: least squares over 1, x, x² with x = t − 0.3, covariance s² (XᵀX)⁻¹.
    #[test]
    fn a_curve_and_its_uncertainty_agree_with_another_library() {
        let curve = fit_curve(&samples(&BENT), 0.3, 0.0).expect("a curve");
        near(curve.level_pa(0.3), 23.719_857_825_875_017);
        near(curve.slope_pa_per_s(0.3), 54.592_563_789_411_45);
        near(curve.level_uncertainty_pa(0.3), 0.377_062_466_202_256_2);
        near(curve.level_pa(0.8), 58.577_765_850_826_694);
        near(curve.slope_pa_per_s(0.8), 84.839_068_310_395_25);
        near(curve.level_uncertainty_pa(0.8), 0.607_350_847_219_806_4);
        near(curve.slope_uncertainty_pa_per_s(), 1.323_374_869_999_92);
        near(curve.residual_pa, 0.769_810_108_209_220_7);
    }

    // The fit of an exact parabola has no residuals: the residual is then the resolution divided by √12.
    #[test]
    fn an_exact_parabola_leaves_the_resolution_open() {
        let exact: Vec<(f64, f64)> =
            (0..6).map(f64::from).map(|t| (t, 100.0 - 7.0 * t + 2.0 * t * t)).collect();
        let curve = fit_curve(&samples(&exact), 1.0, 12.0).expect("a curve");
        near(curve.level_pa(2.5), 100.0 - 17.5 + 12.5);
        near(curve.slope_pa_per_s(2.5), 3.0);
        near(curve.residual_pa, 12.0 / 12_f64.sqrt());
        assert!(fit_curve(&samples(&exact[..5]), 1.0, 12.0).is_none());
        assert!(fit_line(&samples(&exact[..3]), 1.0, 12.0).is_some());
        assert!(fit_line(&samples(&exact[..2]), 1.0, 12.0).is_none());
    }

    #[test]
    fn three_moments_alone_make_a_curve_and_two_make_none() {
        let at = |times: [f64; 6]| samples(&times.map(|t| (t, t * t)));
        assert!(fit_curve(&at([0.0, 0.0, 1.0, 1.0, 2.0, 2.0]), 1.0, 0.1).is_some());
        assert!(fit_curve(&at([0.0, 0.0, 0.0, 2.0, 2.0, 2.0]), 1.0, 0.1).is_none());
        let not_a_number = samples(&[(0.0, 1.0), (1.0, f64::NAN), (2.0, 3.0)]);
        assert!(fit_line(&not_a_number, 1.0, 0.1).is_none());
        let no_time = samples(&[(0.0, 1.0), (f64::INFINITY, 2.0), (2.0, 3.0)]);
        assert!(fit_line(&no_time, 1.0, 0.1).is_none());
    }

    #[test]
    fn values_that_repeat_are_one_at_the_middle_of_their_time() {
        let read = samples(&[(0.0, 5.0), (1.0, 5.0), (4.0, 5.0), (5.0, 7.0), (6.0, 5.0), (8.0, 5.0)]);
        assert_eq!(distinct(&read), samples(&[(2.0, 5.0), (5.0, 7.0), (7.0, 5.0)]));
    }

    // Recomputed with numpy.linalg.lstsq and inv: rows [1, t, exp(−t/0.6)] divided by the scatter of the fit without the prior, and one
    // row [0, 0, 1/warming] for the prior.
    #[rstest::rstest]
    #[case(0.0, 40.0, 0.0, -8.695_917_166_168_265, 7.007_872_854_819_793)]
    #[case(0.0, 40.0, 15.0, -54.152_732_736_367_31, 17.790_594_814_891_65)]
    #[case(1_048_576.0, 40.0, 15.0, -54.152_732_736_367_31, 17.790_594_814_891_65)]
    #[case(3.0, 400.0, 0.0, 1.225_678_427_480_289_7, 7.340_388_286_953_903)]
    fn a_settling_level_agrees_with_another_library(
        #[case] start_s: f64,
        #[case] warming_pa: f64,
        #[case] floor_pa: f64,
        #[case] slope: f64,
        #[case] uncertainty: f64,
    ) {
        let levels = [500.0, 430.0, 395.0, 360.0, 340.0, 338.0, 322.0, 318.0];
        let read: Vec<(f64, f64)> =
            (0..).zip(levels).map(|(index, level)| (start_s + 0.25 * f64::from(index), level)).collect();
        let found = fit_settling(&samples(&read), 0.6, warming_pa, floor_pa).expect("a rate");
        assert!((found.slope_pa_per_s - slope).abs() < 1e-6, "{found:?}");
        assert!((found.slope_uncertainty_pa_per_s - uncertainty).abs() < 1e-6, "{found:?}");
        assert!(fit_settling(&samples(&read[..6]), 0.6, warming_pa, floor_pa).is_some());
        assert!(fit_settling(&samples(&read[..5]), 0.6, warming_pa, floor_pa).is_none());
        assert!(fit_settling(&samples(&read), 0.0, warming_pa, floor_pa).is_none());
        assert!(fit_settling(&samples(&[read[0]; 8]), 0.6, warming_pa, floor_pa).is_none());
    }

    // A time constant far longer than the observation makes the warming indistinguishable from a line: the line's scatter counts.
    #[test]
    fn warming_that_looks_like_a_line_leaves_the_line() {
        let read: Vec<(f64, f64)> =
            (0..8).map(f64::from).map(|t| (t, 100.0 - 3.0 * t + if t > 3.5 { 0.5 } else { -0.5 })).collect();
        let line = fit_line(&samples(&read), 3.5, 0.0).expect("a line");
        let found = fit_settling(&samples(&read), 1e9, 1e-9, 0.0).expect("a rate");
        assert!((found.slope_pa_per_s - line.slope_pa_per_s(3.5)).abs() < 1e-4, "{found:?}");
        // The scatter has one degree of freedom less than that of the line.
        let expected = line.slope_uncertainty_pa_per_s() * (6.0_f64 / 5.0).sqrt();
        assert!((found.slope_uncertainty_pa_per_s / expected - 1.0).abs() < 1e-4, "{found:?} {expected}");
    }

    #[test]
    fn too_few_or_coinciding_samples_give_no_curve() {
        let one = Sample { t_s: 1.0, level_pa: 5.0 };
        assert!(fit_line(&[one; 10], 1.0, 0.1).is_none());
        assert!(fit_curve(&[one; 2], 0.0, 0.1).is_none());
        assert_eq!(distinct(&[one; 10]).len(), 1);
    }
}
