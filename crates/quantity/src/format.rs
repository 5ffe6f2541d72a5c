//! Display of quantities: in the unit and sign that the site chose, with digits that the uncertainty supports.

use crate::{LevelDifference, LevelRate, PressureUnit, VacuumLevel};
use serde::{Deserialize, Serialize};

/// Sign convention of a site for vacuum levels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SignConvention {
    /// Positive below ambient: `60 kPa vacuum`.
    #[default]
    Vacuum,
    /// Negative below ambient: `-60 kPa gauge`.
    Gauge,
}

/// Unit and sign convention in which levels are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct LevelStyle {
    /// The unit.
    pub unit: PressureUnit,
    /// The sign convention.
    pub sign: SignConvention,
}

impl LevelStyle {
    /// Number of decimals for levels: 3, 1 or 0, depending on the size of the unit.
    pub fn decimals(self) -> usize {
        match self.unit.pascal() {
            one if one >= 5e4 => 3,
            one if one >= 500.0 => 1,
            _ => 0,
        }
    }

    /// A level as a number in this unit and sign convention.
    pub fn value(self, level: VacuumLevel) -> f64 {
        level.si() * self.factor() / self.unit.pascal()
    }

    /// A level as text in this sign convention, without the unit.
    pub fn number(self, level: VacuumLevel) -> String {
        self.fixed(level.si() * self.factor(), self.decimals())
    }

    /// A level as text in this sign convention, with the unit.
    pub fn level(self, level: VacuumLevel) -> String {
        format!("{} {}", self.number(level), self.unit.symbol())
    }

    /// A difference as text with its unit; the sign convention does not apply to differences.
    pub fn difference(self, difference: LevelDifference) -> String {
        format!("{} {}", self.fixed(difference.si(), self.decimals() + 1), self.unit.symbol())
    }

    /// A rate as text with its unit; positive is towards deeper in either sign convention.
    pub fn rate(self, rate: LevelRate) -> String {
        format!("{:+.*} {}/s", self.decimals(), rate.si() / self.unit.pascal(), self.unit.symbol())
    }

    fn factor(self) -> f64 {
        match self.sign {
            SignConvention::Vacuum => 1.0,
            SignConvention::Gauge => -1.0,
        }
    }

    fn fixed(self, pascal: f64, decimals: usize) -> String {
        let text = format!("{:.decimals$}", pascal / self.unit.pascal());
        let is_zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
        if is_zero { text.trim_start_matches('-').to_owned() } else { text }
    }
}

/// Number of decimals, 0 to 6, that shows `uncertainty` with two significant digits; 3 if it is not positive and finite.
pub fn significant(uncertainty: f64) -> usize {
    if !uncertainty.is_finite() || uncertainty <= 0.0 {
        return 3;
    }
    let digits = 1.0 - uncertainty.log10().floor();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to 0..=6 before")]
    let digits = digits.clamp(0.0, 6.0) as usize;
    digits
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case("kPa", SignConvention::Vacuum, "60.0 kPa")]
    #[case("kPa", SignConvention::Gauge, "-60.0 kPa")]
    #[case("mbar", SignConvention::Vacuum, "600 mbar")]
    #[case("bar", SignConvention::Gauge, "-0.600 bar")]
    #[case("inHg", SignConvention::Vacuum, "17.7 inHg")]
    #[case("mmHg", SignConvention::Vacuum, "450 mmHg")]
    #[case("psi", SignConvention::Vacuum, "8.7 psi")]
    fn levels_are_shown_as_the_site_counts(
        #[case] unit: &str,
        #[case] sign: SignConvention,
        #[case] shown: &str,
    ) {
        let style = LevelStyle { unit: PressureUnit::from_symbol(unit).expect("unit"), sign };
        assert_eq!(style.level(VacuumLevel::new(60_000.0)), shown);
    }

    #[test]
    fn minus_zero_is_shown_as_zero() {
        let style = LevelStyle { unit: PressureUnit::KILOPASCAL, sign: SignConvention::Gauge };
        assert_eq!(style.level(VacuumLevel::new(3.0)), "0.0 kPa");
    }
}
