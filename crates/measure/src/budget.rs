//! Uncertainty budgets: the contributions, and the 95 % half width of their combined distribution.

use crate::density::Density;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, StudentsT};
use thiserror::Error;

/// How a contribution was evaluated (GUM, JCGM 100:2008, 4.2 and 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Evaluation {
    /// Type A: from the scatter of this run.
    A,
    /// Type B: from other knowledge, such as a sheet or a certificate.
    B,
}

/// Distribution of a contribution.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Distribution {
    /// Normal.
    Normal,
    /// Rectangular: uniform within ± the half width.
    Rectangular,
    /// Numerical, from the intervals of crossings.
    Intervals,
}

/// An input quantity with its sensitivity coefficient (GUM, JCGM 100:2008, 5.1.3).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Input {
    /// Standard uncertainty of the input, in its own unit.
    pub standard_uncertainty: f64,
    /// Unit of the input.
    pub unit: String,
    /// Change of the result per change of the input, in units of the result per unit of the input.
    pub sensitivity: f64,
}

/// One line of a budget, in the unit of the result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Contribution {
    /// Name of the contribution.
    pub name: String,
    /// Type A or B.
    pub evaluation: Evaluation,
    /// Distribution.
    pub distribution: Distribution,
    /// Standard uncertainty, already multiplied by the sensitivity.
    pub standard_uncertainty: f64,
    /// Degrees of freedom; `None` if infinite (the standard uncertainty is taken as known).
    pub degrees_of_freedom: Option<f64>,
    /// Source: a key of a sheet, a certificate, this run.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub source: String,
    /// Input quantity, if its unit is not that of the result.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub input: Option<Input>,
    /// Density, for distributions without a closed form.
    #[serde(skip)]
    #[schemars(skip)]
    pub density: Option<Density>,
}

impl Contribution {
    /// Type B contribution with a normal distribution.
    pub fn normal(name: &str, standard_uncertainty: f64) -> Self {
        Self::new(name, Evaluation::B, Distribution::Normal, standard_uncertainty)
    }

    /// Type B contribution with a rectangular distribution of this half width.
    pub fn rectangular(name: &str, half_width: f64) -> Self {
        Self::new(name, Evaluation::B, Distribution::Rectangular, half_width.abs() / 3f64.sqrt())
    }

    /// Sets the source.
    #[must_use]
    pub fn of(self, source: &str) -> Self {
        Self { source: source.to_owned(), ..self }
    }

    /// Adds the input quantity in its own unit with its sensitivity. A sensitivity that is zero or not finite adds nothing.
    #[must_use]
    pub fn through(mut self, unit: &str, sensitivity: f64) -> Self {
        if sensitivity.is_normal() {
            let standard_uncertainty = self.standard_uncertainty / sensitivity.abs();
            self.input = Some(Input { standard_uncertainty, unit: unit.to_owned(), sensitivity });
        }
        self
    }

    /// Type A contribution from the density of `count` crossings; the density is centred on zero, the degrees of freedom are
    /// `count` − 1, at least 1.
    pub fn intervals(name: &str, density: &Density, count: usize) -> Self {
        let centred = density.centred();
        let mut contribution =
            Self::new(name, Evaluation::A, Distribution::Intervals, centred.standard_deviation());
        #[expect(clippy::cast_precision_loss, reason = "counts are small")]
        let freedom = count.saturating_sub(1).max(1) as f64;
        contribution.degrees_of_freedom = Some(freedom);
        contribution.density = Some(centred);
        contribution
    }

    /// Type A contribution with a normal distribution, from `count` values; the degrees of freedom are `count` − 1, at least 1.
    pub fn scatter(name: &str, count: usize, standard_uncertainty: f64) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "counts are small")]
        let freedom = count.saturating_sub(1).max(1) as f64;
        let degrees_of_freedom = Some(freedom);
        Self {
            degrees_of_freedom,
            ..Self::new(name, Evaluation::A, Distribution::Normal, standard_uncertainty)
        }
    }

    fn new(
        name: &str,
        evaluation: Evaluation,
        distribution: Distribution,
        standard_uncertainty: f64,
    ) -> Self {
        Self {
            name: name.to_owned(),
            evaluation,
            distribution,
            standard_uncertainty,
            degrees_of_freedom: None,
            source: String::new(),
            input: None,
            density: None,
        }
    }
}

/// A measurement result (VIM 2.9): an estimate with its uncertainty and budget.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasurementResult {
    /// The estimate, SI.
    pub value: f64,
    /// Combined standard uncertainty, SI.
    pub standard_uncertainty: f64,
    /// U: half width of the 95 % interval of the combined distribution, SI.
    pub expanded_uncertainty: f64,
    /// Coverage factor: expanded divided by standard uncertainty.
    pub coverage_factor: f64,
    /// Effective degrees of freedom by Welch–Satterthwaite; `None` if infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Expanded uncertainty by Welch–Satterthwaite and Student's t, for comparison, SI.
    pub welch_satterthwaite: f64,
    /// The budget.
    pub contributions: Vec<Contribution>,
    /// Density of the error of the value, centred on zero, SI.
    pub density: Density,
}

/// Reason why a budget gives no result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum NotAResult {
    /// The value, an uncertainty or their combination is not finite.
    #[error("a contribution or the value is not finite")]
    NotFinite,
    /// The uncertainty would be zero.
    #[error("the uncertainty would be zero: all contributions are zero")]
    NoUncertainty,
}

/// Combines a value with independent contributions. The resolution is always added as a contribution, so that values without
/// scatter do not give an uncertainty of zero.
///
/// # Errors
/// [`NotAResult::NotFinite`] if the value or an uncertainty is not finite, [`NotAResult::NoUncertainty`] if all are zero.
pub fn combine(
    value: f64,
    resolution: f64,
    contributions: Vec<Contribution>,
) -> Result<MeasurementResult, NotAResult> {
    let mut all = contributions;
    all.push(Contribution::rectangular("resolution", resolution / 2.0).of("rig sheet"));
    combine_whole(value, all)
}

/// Combines a value with a complete list of contributions, which includes the resolution.
///
/// # Errors
/// As for [`combine`].
pub fn combine_whole(value: f64, all: Vec<Contribution>) -> Result<MeasurementResult, NotAResult> {
    let variance: f64 = all.iter().map(|c| c.standard_uncertainty.powi(2)).sum();
    if !value.is_finite() || !variance.is_finite() {
        return Err(NotAResult::NotFinite);
    }
    if variance <= 0.0 {
        return Err(NotAResult::NoUncertainty);
    }
    let standard_uncertainty = variance.sqrt();
    let density = convolve(&all, standard_uncertainty).ok_or(NotAResult::NotFinite)?;
    let expanded_uncertainty = density.half_width(0.95);
    let degrees_of_freedom = welch_satterthwaite(&all, standard_uncertainty);
    let t = degrees_of_freedom.map_or(NORMAL_QUANTILE, student_quantile);
    Ok(MeasurementResult {
        value,
        standard_uncertainty,
        expanded_uncertainty,
        coverage_factor: expanded_uncertainty / standard_uncertainty,
        degrees_of_freedom,
        welch_satterthwaite: t * standard_uncertainty,
        contributions: all,
        density,
    })
}

/// Cells of the density per standard uncertainty.
const CELLS_PER_SIGMA: f64 = 30.0;

fn convolve(all: &[Contribution], standard_uncertainty: f64) -> Option<Density> {
    let step = standard_uncertainty / CELLS_PER_SIGMA;
    let normal = |c: &&Contribution| c.distribution == Distribution::Normal;
    let normal_variance: f64 = all.iter().filter(normal).map(|c| c.standard_uncertainty.powi(2)).sum();
    let start = Density::normal(normal_variance.sqrt().max(step), step, 9.0 * standard_uncertainty)?;
    let with_shapes = all.iter().filter_map(|c| c.density.as_ref()).fold(start, |sum, shape| sum.with(shape));
    let rectangles = all.iter().filter(|c| c.distribution == Distribution::Rectangular);
    Some(rectangles.fold(with_shapes, |sum, c| sum.with_rectangle(c.standard_uncertainty * 3f64.sqrt())))
}

/// Effective degrees of freedom (GUM G.4.1, equation G.2b).
fn welch_satterthwaite(all: &[Contribution], standard_uncertainty: f64) -> Option<f64> {
    let finite = |c: &Contribution| c.degrees_of_freedom.map(|nu| c.standard_uncertainty.powi(4) / nu);
    let denominator: f64 = all.iter().filter_map(finite).sum();
    (denominator > 0.0).then(|| standard_uncertainty.powi(4) / denominator)
}

/// Quantile 0.975 of the standard normal distribution.
const NORMAL_QUANTILE: f64 = 1.959_963_984_540_054;
/// Degrees of freedom above which the series around the normal quantile replaces the inverse, which may not terminate there.
const MANY: f64 = 1e4;

/// Quantile 0.975 of Student's t distribution. Above [`MANY`] degrees of freedom by the first terms of the Cornish–Fisher series
/// (Abramowitz and Stegun, 26.7.5; from memory), with an error below 1e-11.
fn student_quantile(freedom: f64) -> f64 {
    if freedom > MANY {
        let z = NORMAL_QUANTILE;
        let first = (z.powi(3) + z) / 4.0;
        let second = (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / 96.0;
        return z + first / freedom + second / freedom.powi(2);
    }
    StudentsT::new(0.0, 1.0, freedom.max(1.0)).map_or(f64::INFINITY, |t| t.inverse_cdf(0.975))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    // GUM (JCGM 100:2008), Table G.2, column 95 %, printed to two decimals (values from memory, recomputed).
    #[test]
    fn t_factors_agree_with_the_gum() {
        let printed = [
            (1.0, 12.71),
            (2.0, 4.30),
            (3.0, 3.18),
            (4.0, 2.78),
            (5.0, 2.57),
            (6.0, 2.45),
            (7.0, 2.36),
            (8.0, 2.31),
            (9.0, 2.26),
            (10.0, 2.23),
            (16.0, 2.12),
            (19.0, 2.09),
            (20.0, 2.09),
            (50.0, 2.01),
            (1e12, 1.960),
        ];
        for (freedom, printed) in printed {
            assert!((student_quantile(freedom) - printed).abs() <= 0.005, "{freedom}");
        }
    }

    // 40 CFR 1065.602, Table 1, column 95 %, printed to three decimals.
    #[test]
    fn t_values_agree_with_40_cfr_1065_602() {
        let printed = [
            (1.0, 12.706),
            (2.0, 4.303),
            (5.0, 2.571),
            (10.0, 2.228),
            (16.0, 2.120),
            (20.0, 2.086),
            (30.0, 2.042),
            (50.0, 2.009),
            (100.0, 1.984),
        ];
        for (freedom, printed) in printed {
            assert!((student_quantile(freedom) - printed).abs() <= 0.0005, "{freedom}");
        }
    }

    // GUM (JCGM 100:2008) H.1, end gauge: inputs multiplied by their sensitivities, in nanometres; printed u = 32 nm and effective
    // degrees of freedom 16.7, recomputed without rounding as 31.711 and 16.656.
    #[test]
    fn the_end_gauge_of_the_gum_is_found() {
        let freedom = |part: Contribution, nu: f64| Contribution { degrees_of_freedom: Some(nu), ..part };
        let length_nm = 50.000_623e6;
        let parts = vec![
            freedom(Contribution::normal("standard", 25.0), 18.0),
            freedom(Contribution::normal("difference", 9.7), 25.6),
            freedom(Contribution::normal("expansions", length_nm * 0.1 * 0.58e-6), 50.0),
            freedom(Contribution::normal("temperatures", length_nm * 11.5e-6 * 0.029), 2.0),
        ];
        let result = combine(length_nm + 215.0, 0.0, parts).expect("a result");
        assert!(
            (result.standard_uncertainty - 31.710_609_640_431_85).abs() < 1e-6,
            "{}",
            result.standard_uncertainty
        );
        let effective = result.degrees_of_freedom.expect("finite");
        assert!((effective - 16.656_062_703_003_92).abs() < 1e-6, "{effective}");
        assert!((result.value / 1e6 - 50.000_838).abs() < 5e-7);
    }

    // Trapezoid of two rectangles a and b: k = (1 - sqrt(0.05 (1 - β²))) / sqrt((1 + β²)/6) is 1.835 for β = 0.33 (closed form;
    // EA-4/02 prints 1.83, value from memory).
    #[test]
    fn the_factor_of_a_trapezoid_is_the_closed_form() {
        let beta: f64 = 0.33;
        let (a, b) = (f64::midpoint(1.0, beta), f64::midpoint(1.0, -beta));
        let parts = vec![Contribution::rectangular("a", a), Contribution::rectangular("b", b)];
        let result = combine(0.0, 0.0, parts).expect("a result");
        assert!((result.coverage_factor - 1.835).abs() < 0.004, "{}", result.coverage_factor);
    }

    // A budget in which the only Type A contribution is tiny can have millions of effective degrees of freedom.
    #[test]
    fn t_factors_end_and_fall_to_the_normal_one_for_any_degrees_of_freedom() {
        let series: Vec<f64> =
            (0..=90).map(|step| student_quantile(10_f64.powf(f64::from(step) / 5.0))).collect();
        assert!(series.windows(2).all(|pair| pair[1] <= pair[0] + 1e-9), "{series:?}");
        assert!((series[90] - NORMAL_QUANTILE).abs() < 1e-12);
        // The series agrees with the inverse.
        let inverse = StudentsT::new(0.0, 1.0, 2.0 * MANY).expect("a distribution").inverse_cdf(0.975);
        assert!((student_quantile(2.0 * MANY) - inverse).abs() < 1e-9);
    }

    // Quantiles of Student's t by quadrature of the density with 40 digits (mpmath.quad and findroot).
    #[rstest]
    #[case(10_001.0, 1.960_201_216_164_641)]
    #[case(12_000.0, 1.960_161_693_411_41)]
    #[case(20_000.0, 1.960_082_605_158_135)]
    #[case(100_000.0, 1.959_987_707_534_61)]
    fn t_factors_of_many_degrees_of_freedom_have_ten_digits(#[case] freedom: f64, #[case] factor: f64) {
        let found = student_quantile(freedom);
        assert!((found - factor).abs() < 1e-11, "{found}");
    }

    // Closed forms: 95 % of a rectangle lie within 0.95 √3 standard deviations, 95 % of a normal distribution within 1.959964.
    #[rstest]
    fn the_unit_of_a_budget_does_not_change_its_factor(#[values(1e-6, 0.02, 1.0, 500.0, 1e6)] unit: f64) {
        let factor = |part: Contribution| combine_whole(0.0, vec![part]).expect("a result").coverage_factor;
        let rectangle = factor(Contribution::rectangular("a", unit));
        // The convolution of a lone rectangle starts from a normal density with a standard deviation of one cell.
        assert!((rectangle - 0.95 * 3_f64.sqrt()).abs() < 2e-3, "{rectangle}");
        let normal = factor(Contribution::normal("a", unit));
        assert!((normal - 1.959_964).abs() < 3e-4, "{normal}");
    }

    #[test]
    fn a_budget_without_scatter_has_no_end_of_freedom() {
        let found = combine(0.0, 0.0, vec![Contribution::normal("a", 3.0)]).expect("a result");
        assert_eq!(found.degrees_of_freedom, None);
        assert!((found.welch_satterthwaite - 3.0 * 1.959_963_984_540_054).abs() < 1e-12);
    }

    #[test]
    fn why_there_is_no_result_is_told() {
        let part = |u: f64| vec![Contribution::normal("a", u)];
        assert_eq!(combine_whole(1.0, part(0.0)), Err(NotAResult::NoUncertainty));
        assert_eq!(combine_whole(f64::NAN, part(1.0)), Err(NotAResult::NotFinite));
        assert_eq!(combine_whole(1.0, part(f64::NAN)), Err(NotAResult::NotFinite));
        assert_eq!(combine_whole(1.0, part(f64::INFINITY)), Err(NotAResult::NotFinite));
    }

    // A resolution of 6 is a rectangle of ± 3 with variance 3; with a standard uncertainty of 4 the result is √(3 + 16).
    #[test]
    fn a_resolution_counts_half_to_each_side() {
        let found = combine(0.0, 6.0, vec![Contribution::normal("a", 4.0)]).expect("a result");
        assert!((found.standard_uncertainty - 19_f64.sqrt()).abs() < 1e-12);
        let last = found.contributions.last().expect("the resolution");
        assert_eq!((last.name.as_str(), last.source.as_str()), ("resolution", "rig sheet"));
        assert_eq!(last.distribution, Distribution::Rectangular);
    }

    // GUM G.4.1: relative contributions of 0.25, 0.57 and 0.82 % with n = 10, 5, 15 give 1.03 % and ν = 19.0 (values from memory,
    // recomputed: 1.0294658809, 18.9987423143).
    #[test]
    fn degrees_of_freedom_agree_with_the_gum_example() {
        let parts = [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]
            .map(|(u, nu)| Contribution { degrees_of_freedom: Some(nu), ..Contribution::normal("part", u) });
        let result = combine(0.0, 0.0, parts.to_vec()).expect("a result");
        assert!((result.standard_uncertainty - 1.029_465_880_9).abs() < 1e-9);
        assert!((result.degrees_of_freedom.expect("finite") - 18.998_742_314_3).abs() < 1e-6);
    }

    // 95 % half width over standard uncertainty: one rectangle 1.645, two equal ones 1.902, normal 1.960 (closed forms).
    #[rstest]
    #[case(vec![Contribution::rectangular("a", 3.0)], 1.645)]
    #[case(vec![Contribution::rectangular("a", 3.0), Contribution::rectangular("b", 3.0)], 1.902)]
    #[case(vec![Contribution::normal("a", 3.0)], 1.960)]
    fn half_widths_agree_with_closed_forms(#[case] parts: Vec<Contribution>, #[case] factor: f64) {
        let result = combine(0.0, 0.0, parts).expect("a result");
        assert!((result.coverage_factor - factor).abs() < 0.003, "{}", result.coverage_factor);
    }

    #[rstest]
    #[case(f64::NAN, 1.0, 1.0)]
    #[case(1.0, f64::INFINITY, 1.0)]
    #[case(1.0, f64::NAN, 1.0)]
    #[case(1.0, 0.0, 0.0)]
    fn what_is_not_finite_or_certain_is_no_result(
        #[case] value: f64,
        #[case] u: f64,
        #[case] resolution: f64,
    ) {
        assert!(combine(value, resolution, vec![Contribution::normal("a", u)]).is_err());
    }

    #[test]
    fn constants_leave_the_resolution() {
        let result = combine(5.0, 12.0, vec![Contribution::normal("nothing", 0.0)]).expect("a result");
        assert!((result.standard_uncertainty - 12.0 / 12f64.sqrt()).abs() < 1e-12);
    }

    // A rectangle of ± 6 Pa with a sensitivity of −2 Pa/s: the input is ± 3 s.
    #[test]
    fn an_input_is_told_in_its_own_unit() {
        let part = Contribution::rectangular("delay", -6.0).of("sheet").through("s", -2.0);
        let input = part.input.expect("an input");
        assert!((part.standard_uncertainty - 6.0 / 3_f64.sqrt()).abs() < 1e-12);
        assert!((input.standard_uncertainty - 3.0 / 3_f64.sqrt()).abs() < 1e-12);
        assert!((input.sensitivity + 2.0).abs() < 1e-12 && input.unit == "s" && part.source == "sheet");
        assert!(Contribution::normal("a", 1.0).through("s", 0.0).input.is_none());
    }

    #[rstest]
    #[case(0, 1.0)]
    #[case(1, 1.0)]
    #[case(2, 1.0)]
    #[case(5, 4.0)]
    fn so_many_values_have_one_freedom_less(#[case] count: usize, #[case] freedom: f64) {
        assert_eq!(Contribution::scatter("a", count, 2.0).degrees_of_freedom, Some(freedom));
        let density = Density::new(10.0, 2.0, vec![1.0, 2.0, 5.0]).expect("a density");
        let part = Contribution::intervals("a", &density, count);
        assert_eq!(part.degrees_of_freedom, Some(freedom));
        assert!((part.standard_uncertainty - 2_f64.sqrt()).abs() < 1e-12);
        assert!(part.density.expect("its own").mean().abs() < 1e-12 && part.evaluation == Evaluation::A);
    }

    // An asymmetric density with variance 2 and a rectangle with variance 3: the variances add.
    #[test]
    fn shapes_and_rectangles_are_summed() {
        let density = Density::new(10.0, 2.0, vec![1.0, 2.0, 5.0]).expect("a density");
        let parts = vec![Contribution::intervals("a", &density, 3), Contribution::rectangular("b", 3.0)];
        let found = combine_whole(7.0, parts).expect("a result");
        assert!((found.standard_uncertainty - 5_f64.sqrt()).abs() < 1e-12);
        // Mass is uniform within a cell: cells of 2 add the variance 1/3.
        assert!((found.density.standard_deviation() - (5.0_f64 + 1.0 / 3.0).sqrt()).abs() < 0.01);
        assert!(
            (found.coverage_factor * found.standard_uncertainty - found.expanded_uncertainty).abs() < 1e-12
        );
        // Effective degrees of freedom: 25/(4/2).
        assert!((found.degrees_of_freedom.expect("some") - 12.5).abs() < 1e-9);
        assert!((found.welch_satterthwaite / (5_f64.sqrt() * student_quantile(12.5)) - 1.0).abs() < 1e-9);
        assert!(combine_whole(7.0, Vec::new()).is_err());
    }
}
