//! The calibration of the reference, and its uncertainty at a level.

use tripbench_quantity::{LevelDifference, VacuumLevel};
use tripbench_sheet::{At, Date, Finding, Reader, Wording, words};

words! {
    /// What the readings were that a certificate's correction is added to.
    pub enum CertificateZero {
        /// Their zero was adjusted, or taken off, before: so it is in every run.
        Adjusted = "adjusted",
        /// As the transducer gave them, its zero error among them.
        AsFound = "as-found",
    }
}

/// The reference's calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// When.
    pub date: At<Date>,
    /// Until when it holds.
    pub due: At<Date>,
    /// Number of the certificate.
    pub certificate: At<String>,
    /// Correction added to a reading: a fixed part.
    pub correction: At<LevelDifference>,
    /// Correction added to a reading: a part of the reading.
    pub correction_slope: At<f64>,
    /// What readings it is added to.
    pub zero: CertificateZero,
    /// Expanded uncertainty of a corrected reading.
    pub expanded_uncertainty: At<LevelDifference>,
    /// Its coverage factor.
    pub coverage_factor: At<f64>,
    /// What is known of the correction's line beside that, where the certificate gives it.
    pub line: Option<LineUncertainty>,
}

/// Uncertainty of a correction's line: of its fixed part where it stands, of its slope, and how the two go together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineUncertainty {
    /// Level at which the fixed part holds.
    pub at: VacuumLevel,
    /// Standard uncertainty of the fixed part.
    pub fixed: LevelDifference,
    /// Standard uncertainty of the slope.
    pub slope: f64,
    /// Correlation of the two.
    pub correlation: f64,
}

impl LineUncertainty {
    /// Standard uncertainty of the correction at a level, pascal (GUM, JCGM 100:2008, H.3.4).
    pub fn at_level_pa(&self, level: VacuumLevel) -> f64 {
        let (fixed, away) = (self.fixed.si(), level.si() - self.at.si());
        let sloped = self.slope * away;
        (fixed.powi(2) + sloped.powi(2) + 2.0 * self.correlation * fixed * sloped).max(0.0).sqrt()
    }
}

impl Calibration {
    /// A reading whose zero is taken off, corrected, pascal. The fixed part of a correction to readings as found is their zero
    /// error, which is off already.
    pub fn corrected_pa(&self, zeroed_pa: f64) -> f64 {
        let fixed_pa = match self.zero {
            CertificateZero::Adjusted => self.correction.si(),
            CertificateZero::AsFound => 0.0,
        };
        zeroed_pa + fixed_pa + *self.correction_slope * zeroed_pa
    }

    /// Whether a zero reading is the fixed part of the correction with the other sign, though that is said to be for zeroed
    /// readings: then it would be taken off twice.
    pub fn zeroed_twice(&self, zero_pa: f64, uncertainty_pa: f64) -> bool {
        /// Share of the correction within which the two are the same.
        const ALIKE: f64 = 0.3;
        let fixed_pa = self.correction.si();
        let apart_pa = (zero_pa + fixed_pa).abs();
        self.zero == CertificateZero::Adjusted
            && fixed_pa.abs() > 2.0 * uncertainty_pa
            && apart_pa <= ALIKE * fixed_pa.abs()
    }

    /// Standard uncertainty of a corrected reading, pascal.
    pub fn standard_uncertainty_pa(&self, level: VacuumLevel) -> f64 {
        let whole = self.expanded_uncertainty.si() / *self.coverage_factor;
        whole.hypot(self.line.map_or(0.0, |line| line.at_level_pa(level)))
    }

    /// Standard uncertainty of the difference of two corrected readings, pascal: as if all of the calibration's were of its
    /// gain, and the line's slope.
    pub fn difference_uncertainty_pa(&self, first: VacuumLevel, second: VacuumLevel) -> f64 {
        let away = (first.si() - second.si()).abs();
        let whole = self.expanded_uncertainty.si() / *self.coverage_factor;
        let gain = whole * (away / first.si().abs().max(1.0)).min(1.0);
        gain.hypot(self.line.map_or(0.0, |line| line.slope * away))
    }
}

impl LineUncertainty {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let at = reader.or("at", "level at which the fixed part holds", VacuumLevel::ZERO);
        let fixed = reader.required("fixed", "standard uncertainty of the fixed part");
        let fixed = reader.tested(fixed, "zero or more", |u: &LevelDifference| u.si() >= 0.0);
        let slope = reader.required("slope", "standard uncertainty of the slope, a number");
        let slope = reader.tested(slope, "0 to 0.1", |u: &f64| (0.0..=0.1).contains(u));
        let correlation = reader.or("correlation", "correlation of the two", 0.0);
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
        let date = reader.required("date", "when it was calibrated");
        let due = reader.required("due", "until when the calibration holds");
        let certificate = reader.required("certificate", "number of the certificate");
        let correction =
            reader.or("correction_pa", "fixed part of the correction added to a reading, in pascal", 0.0);
        let slope = reader.or("correction_slope", "part of the reading that is added to it", 0.0);
        let slope = reader.tested(slope, "-0.1 to 0.1", |slope: &f64| slope.abs() <= 0.1);
        let zero = reader.optional::<CertificateZero>(
            "zero",
            "what readings the fixed part is added to: adjusted (their zero was adjusted or taken off) or as-found",
        );
        let uncertainty =
            reader.required("expanded_uncertainty", "expanded uncertainty of a corrected reading");
        let uncertainty = reader.tested(uncertainty, "more than zero", |u: &LevelDifference| u.si() > 0.0);
        let factor = reader.or("coverage_factor", "coverage factor of that uncertainty", 2.0);
        let factor = reader.tested(factor, "1 to 4", |k: &f64| (1.0..=4.0).contains(k));
        let about = "uncertainty of the correction's line, where the certificate gives it beside";
        let line = reader.optional_table("line", about, LineUncertainty::read);
        let zero = match (zero?, correction.as_ref().filter(|fixed| fixed.abs() > 0.0)) {
            (Some(zero), _) => zero.value,
            (None, None) => CertificateZero::Adjusted,
            (None, Some(fixed)) => {
                let wording = Wording::new(
                    "the correction has a fixed part, and nothing says what readings it is added to",
                    "this part",
                    "write zero = \"adjusted\" if the zero was adjusted or taken off before the certificate's readings, else zero = \"as-found\"",
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

/// The two days, where the calibration is not due before it was made.
fn in_order(reader: &Reader<'_>, date: Option<At<Date>>, due: Option<At<Date>>) -> Option<[At<Date>; 2]> {
    let (date, due) = (date?, due?);
    if date.value <= due.value {
        return Some([date, due]);
    }
    let wording = Wording::new(
        format!("the calibration is due on {}, before it was made on {}", due.value, date.value),
        "before `date`",
        format!("write a day from {} on, or the right `date`: see the certificate", date.value),
    );
    reader.finding(
        Finding::error("due-before-calibration", &due.place, wording).with(&date.place, "calibrated then"),
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
    // correction at 30 °C has u = 0.0041. "Pascal" are degrees here.
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
