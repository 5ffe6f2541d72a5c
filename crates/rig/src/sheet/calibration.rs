//! The calibration of the reference and its uncertainty at a level.

use tripbench_quantity::{LevelDifference, VacuumLevel};
use tripbench_sheet::{At, Date, Finding, Reader, Wording, words};

words! {
    /// Readings to which the correction of a certificate applies.
    pub enum CertificateZero {
        /// Readings whose zero was adjusted or subtracted before, as in every run.
        Adjusted = "adjusted",
        /// Readings as the transducer gave them, including its zero error.
        AsFound = "as-found",
    }
}

/// The calibration of the reference.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Date of the calibration.
    pub date: At<Date>,
    /// Date on which the next calibration is due.
    pub due: At<Date>,
    /// Number of the certificate.
    pub certificate: At<String>,
    /// Fixed part of the correction that is added to a reading.
    pub correction: At<LevelDifference>,
    /// Slope of the correction: the part per unit of the reading.
    pub correction_slope: At<f64>,
    /// Readings to which the correction applies.
    pub zero: CertificateZero,
    /// Expanded uncertainty of a corrected reading.
    pub expanded_uncertainty: At<LevelDifference>,
    /// Its coverage factor.
    pub coverage_factor: At<f64>,
    /// Uncertainty of the correction line, in addition to that, if the certificate gives it.
    pub line: Option<LineUncertainty>,
}

/// Uncertainty of a correction line: of its fixed part, of its slope, and their correlation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineUncertainty {
    /// Level at which the fixed part is given.
    pub at: VacuumLevel,
    /// Standard uncertainty of the fixed part.
    pub fixed: LevelDifference,
    /// Standard uncertainty of the slope.
    pub slope: f64,
    /// Correlation coefficient of fixed part and slope, −1 to 1.
    pub correlation: f64,
}

impl LineUncertainty {
    /// Standard uncertainty of the correction at a level, in pascals (GUM, JCGM 100:2008, H.3.4).
    pub fn at_level_pa(&self, level: VacuumLevel) -> f64 {
        let (fixed, away) = (self.fixed.si(), level.si() - self.at.si());
        let sloped = self.slope * away;
        (fixed.powi(2) + sloped.powi(2) + 2.0 * self.correlation * fixed * sloped).max(0.0).sqrt()
    }
}

impl Calibration {
    /// Corrects a reading whose zero was subtracted, in pascals. For a correction of readings as found, the fixed part is their zero
    /// error, which is already subtracted.
    pub fn corrected_pa(&self, zeroed_pa: f64) -> f64 {
        let fixed_pa = match self.zero {
            CertificateZero::Adjusted => self.correction.si(),
            CertificateZero::AsFound => 0.0,
        };
        zeroed_pa + fixed_pa + *self.correction_slope * zeroed_pa
    }

    /// Whether a zero reading equals the fixed part of the correction with the opposite sign, although the correction is declared
    /// for zeroed readings: the zero error would then be subtracted twice.
    pub fn zeroed_twice(&self, zero_pa: f64, uncertainty_pa: f64) -> bool {
        /// Largest difference at which the two count as equal, as a share of the fixed part.
        const ALIKE: f64 = 0.3;
        let fixed_pa = self.correction.si();
        let apart_pa = (zero_pa + fixed_pa).abs();
        self.zero == CertificateZero::Adjusted
            && fixed_pa.abs() > 2.0 * uncertainty_pa
            && apart_pa <= ALIKE * fixed_pa.abs()
    }

    /// Standard uncertainty of a corrected reading, in pascals.
    pub fn standard_uncertainty_pa(&self, level: VacuumLevel) -> f64 {
        let whole = self.expanded_uncertainty.si() / *self.coverage_factor;
        whole.hypot(self.line.map_or(0.0, |line| line.at_level_pa(level)))
    }

    /// Standard uncertainty of the difference of two corrected readings, in pascals. All uncertainty of the calibration counts as
    /// uncertainty of its gain, in addition to that of the slope of the correction line.
    pub fn difference_uncertainty_pa(&self, first: VacuumLevel, second: VacuumLevel) -> f64 {
        let away = (first.si() - second.si()).abs();
        let whole = self.expanded_uncertainty.si() / *self.coverage_factor;
        let gain = whole * (away / first.si().abs().max(1.0)).min(1.0);
        gain.hypot(self.line.map_or(0.0, |line| line.slope * away))
    }
}

impl LineUncertainty {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let at = reader.or("at", "level at which the fixed part is given", VacuumLevel::ZERO);
        let fixed = reader.required("fixed", "standard uncertainty of the fixed part");
        let fixed = reader.tested(fixed, "zero or more", |u: &LevelDifference| u.si() >= 0.0);
        let slope = reader.required("slope", "standard uncertainty of the slope, a number");
        let slope = reader.tested(slope, "0 to 0.1", |u: &f64| (0.0..=0.1).contains(u));
        let correlation = reader.or("correlation", "correlation coefficient of fixed part and slope", 0.0);
        let correlation = reader.tested(correlation, "-1 to 1", |r: &f64| (-1.0..=1.0).contains(r));
        Some(Self {
            at: at?.value,
            fixed: fixed?.value,
            slope: slope?.value,
            correlation: correlation?.value,
        })
    }
}

impl Calibration {
    pub(super) fn read(reader: &Reader<'_>) -> Option<Self> {
        let date = reader.required("date", "date of the calibration");
        let due = reader.required("due", "date on which the next calibration is due");
        let certificate = reader.required("certificate", "number of the certificate");
        let correction =
            reader.or("correction_pa", "fixed part of the correction added to a reading, in pascal", 0.0);
        let slope =
            reader.or("correction_slope", "slope of the correction: the part per unit of the reading", 0.0);
        let slope = reader.tested(slope, "-0.1 to 0.1", |slope: &f64| slope.abs() <= 0.1);
        let zero = reader.optional::<CertificateZero>(
            "zero",
            "readings to which the fixed part applies: adjusted (zero adjusted or subtracted before) or as-found",
        );
        let uncertainty =
            reader.required("expanded_uncertainty", "expanded uncertainty of a corrected reading");
        let uncertainty = reader.tested(uncertainty, "more than zero", |u: &LevelDifference| u.si() > 0.0);
        let factor = reader.or("coverage_factor", "coverage factor of that uncertainty", 2.0);
        let factor = reader.tested(factor, "1 to 4", |k: &f64| (1.0..=4.0).contains(k));
        let about = "uncertainty of the correction line, if the certificate gives it separately";
        let line = reader.optional_table("line", about, LineUncertainty::read);
        let zero = match (zero?, correction.as_ref().filter(|fixed| fixed.abs() > 0.0)) {
            (Some(zero), _) => zero.value,
            (None, None) => CertificateZero::Adjusted,
            (None, Some(fixed)) => {
                let wording = Wording::new(
                    "the correction has a fixed part, but no `zero` to tell which readings it applies to",
                    "this part",
                    "write zero = \"adjusted\" if the zero was adjusted or subtracted before the readings, otherwise zero = \"as-found\"",
                );
                reader.finding(Finding::error("zero-not-said", &fixed.place, wording));
                return None;
            }
        };
        let [date, due] = in_order(reader, date, due)?;
        Some(Self {
            date,
            due,
            certificate: certificate?,
            correction: correction?.map(LevelDifference::new),
            correction_slope: slope?,
            zero,
            expanded_uncertainty: uncertainty?,
            coverage_factor: factor?,
            line: line?,
        })
    }
}

/// Both dates; adds a finding and returns `None` if the calibration is due before it was made.
fn in_order(reader: &Reader<'_>, date: Option<At<Date>>, due: Option<At<Date>>) -> Option<[At<Date>; 2]> {
    let (date, due) = (date?, due?);
    if date.value <= due.value {
        return Some([date, due]);
    }
    let wording = Wording::new(
        format!("the calibration is due on {}, before it was made on {}", due.value, date.value),
        "before `date`",
        format!("write {} or a later date, or correct `date`: see the certificate", date.value),
    );
    reader.finding(
        Finding::error("due-before-calibration", &due.place, wording)
            .with(&date.place, "date of the calibration"),
    );
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use tripbench_sheet::{Findings, Source, read_sheet};

    #[rstest]
    #[case::a_year("2026-03-12", "2027-03-12", true)]
    #[case::a_day("2026-12-31", "2027-01-01", true)]
    #[case::the_same_day("2026-03-12", "2026-03-12", true)]
    #[case::a_day_before("2026-03-12", "2026-03-11", false)]
    #[case::swapped("2027-03-12", "2026-03-12", false)]
    #[case::a_wrong_year("2026-03-12", "2017-03-12", false)]
    fn a_calibration_is_not_due_before_it_was_made(
        #[case] date: &str,
        #[case] due: &str,
        #[case] good: bool,
    ) {
        let text =
            format!("date = {date}\ndue = {due}\ncertificate = \"C\"\nexpanded_uncertainty = \"0.25 kPa\"");
        let findings = Findings::new();
        let read = read_sheet(&Source::new("calibration", &text), &findings, Calibration::read);
        let rules: Vec<&str> = findings.into_sorted().iter().map(|finding| finding.rule).collect();
        assert_eq!((read.is_some(), rules.is_empty()), (good, good), "{rules:?}");
        assert!(good || rules == ["due-before-calibration"], "{rules:?}");
    }

    // GUM (JCGM 100:2008) H.3, calibration of a thermometer: s(y1) = 0.0029, s(y2) = 0.00067, r = -0.930, at 20 °C; the
    // correction at 30 °C has u = 0.0041. Here the unit is °C instead of pascal.
    #[test]
    fn the_line_of_gum_h3_has_the_printed_uncertainty_at_30_degrees() {
        let line = LineUncertainty {
            at: VacuumLevel::new(20.0),
            fixed: LevelDifference::new(0.002_877_6),
            slope: 0.000_667_94,
            correlation: -0.930_429_603,
        };
        let found = line.at_level_pa(VacuumLevel::new(30.0));
        assert!((found - 0.004_138_6).abs() < 1e-6, "{found}");
    }
}
