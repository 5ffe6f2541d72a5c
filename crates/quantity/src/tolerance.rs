//! Composite tolerances as in data sheets: `2 %FS + 1 digit`.

use crate::comma::comma_error;
use crate::parse::{corrected, parse_quantity, split_number};
use crate::{LevelDifference, ParseQuantityError, VacuumLevel};
use serde::{Deserialize, Serialize};
use std::fmt;
use thiserror::Error;

/// One term of a tolerance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ToleranceTerm {
    /// Percent of full scale.
    FullScale(f64),
    /// Percent of the reading.
    Reading(f64),
    /// Number of display digits.
    Digits(f64),
    /// A fixed difference.
    Absolute(LevelDifference),
}

/// Quantities that the relative terms of a tolerance refer to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToleranceScale {
    /// The device's full scale.
    pub full_scale: VacuumLevel,
    /// One display digit in the unit to which the device is set.
    pub digit: LevelDifference,
}

/// A symmetric tolerance: plus or minus the sum of its terms.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Tolerance {
    terms: Vec<ToleranceTerm>,
    text: String,
}

/// Error of parsing a tolerance.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ParseToleranceError {
    /// A term has an unknown form.
    #[error(
        "`{term}` is not part of a tolerance; expected terms such as `2 %FS`, `0.5 %reading`, `1 digit`, `0.3 kPa`, joined by `+`"
    )]
    Term {
        /// The term as written.
        term: String,
    },
    /// A term looks like a pressure but cannot be parsed as one.
    #[error(transparent)]
    Quantity(#[from] ParseQuantityError),
}

impl Tolerance {
    /// Parses a tolerance: terms joined by `+`, with an optional leading `±` or `+-`.
    ///
    /// # Errors
    /// If a term is not a percentage of full scale, a percentage of the reading, a number of digits or a pressure, or is negative.
    ///
    /// ```
    /// use tripbench_quantity::{LevelDifference, Tolerance, ToleranceScale, VacuumLevel};
    /// let tolerance = Tolerance::parse("2 %FS + 1 digit").unwrap();
    /// let scale = ToleranceScale { full_scale: VacuumLevel::new(100e3), digit: LevelDifference::new(100.0) };
    /// assert_eq!(tolerance.half_width(VacuumLevel::new(60e3), scale).si(), 2_100.0);
    /// ```
    pub fn parse(text: &str) -> Result<Self, ParseToleranceError> {
        let body = text.trim().trim_start_matches('±').trim_start_matches("+-");
        let terms = body.split('+').map(|term| parse_term(term.trim())).collect::<Result<_, _>>()?;
        Ok(Self { terms, text: text.trim().to_owned() })
    }

    /// Half width of the tolerance at a reading, in pascal.
    pub fn half_width(&self, reading: VacuumLevel, scale: ToleranceScale) -> LevelDifference {
        let pascal = self.terms.iter().map(|term| match *term {
            ToleranceTerm::FullScale(percent) => percent / 100.0 * scale.full_scale.si(),
            ToleranceTerm::Reading(percent) => percent / 100.0 * reading.si(),
            ToleranceTerm::Digits(count) => count * scale.digit.si(),
            ToleranceTerm::Absolute(difference) => difference.si(),
        });
        LevelDifference::new(pascal.sum())
    }
}

fn parse_term(term: &str) -> Result<ToleranceTerm, ParseToleranceError> {
    let unknown = || ParseToleranceError::Term { term: term.to_owned() };
    let (number, rest) = split_number(term);
    if let Some(error) = comma_error(term, written).filter(|_| rest.starts_with([',', '.'])) {
        return Err(error.into());
    }
    let value: f64 = number.parse().map_err(|_| unknown())?;
    if !value.is_finite() || value < 0.0 {
        return Err(unknown());
    }
    match rest.trim() {
        "%FS" | "% FS" => Ok(ToleranceTerm::FullScale(value)),
        "%reading" | "% reading" => Ok(ToleranceTerm::Reading(value)),
        "digit" | "digits" => Ok(ToleranceTerm::Digits(value)),
        other if other.contains('%') || other.is_empty() => Err(unknown()),
        _ => Ok(ToleranceTerm::Absolute(parse_quantity(term)?)),
    }
}

/// A reading of a term with a comma as it is written, or what is wrong with it.
fn written(reading: &str) -> Result<String, String> {
    let with_unit = corrected::<LevelDifference>(reading);
    let reading = with_unit.as_deref().unwrap_or(reading);
    parse_term(reading).map(|_| format!("`{reading}`")).map_err(|error| error.to_string())
}

impl fmt::Display for Tolerance {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl TryFrom<String> for Tolerance {
    type Error = ParseToleranceError;
    fn try_from(text: String) -> Result<Self, Self::Error> {
        Self::parse(&text)
    }
}

impl From<Tolerance> for String {
    fn from(tolerance: Tolerance) -> Self {
        tolerance.text
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    const SCALE: ToleranceScale =
        ToleranceScale { full_scale: VacuumLevel::new(101_300.0), digit: LevelDifference::new(100.0) };

    #[rstest]
    #[case("2 %FS", 2_026.0)]
    #[case("2 %FS + 1 digit", 2_126.0)]
    #[case("±0.5 %reading + 2 digits", 500.0)]
    #[case("0.3 kPa", 300.0)]
    fn half_widths_are_sums_of_their_terms(#[case] text: &str, #[case] pascal: f64) {
        let tolerance = Tolerance::parse(text).expect(text);
        assert!((tolerance.half_width(VacuumLevel::new(60e3), SCALE).si() - pascal).abs() < 1e-9);
    }

    #[rstest]
    #[case("2 %")]
    #[case("2 %fs")]
    #[case("two digits")]
    #[case("-1 %FS")]
    #[case("1 %FS +")]
    #[case("1")]
    fn loose_terms_are_refused(#[case] text: &str) {
        assert!(Tolerance::parse(text).is_err());
    }

    #[rstest]
    #[case("0,5 %FS", "write `0.5 %FS`, found `0,5 %FS`")]
    #[case("2 %FS + 0,5 digit", "write `0.5 digit`, found `0,5 digit`")]
    #[case("±1,5 %reading", "write `1.5 %reading`")]
    #[case("0,3 kPa + 1 digit", "write `0.3 kPa`")]
    #[case("0,3kpa", "write `0.3 kPa`")]
    #[case("1,000 Pa", "write `1.000 Pa`, or `1000 Pa` if the comma separates thousands")]
    #[case("0,5 %fs", "found `0,5 %fs`; `0.5 %fs` is not part of a tolerance")]
    fn a_term_with_a_comma_is_corrected(#[case] text: &str, #[case] says: &str) {
        let error = Tolerance::parse(text).expect_err(text).to_string();
        assert!(error.contains("the decimal sign is a point") && error.contains(says), "{error}");
    }
}
