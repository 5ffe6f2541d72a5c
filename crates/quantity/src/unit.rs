//! Units: symbol and factor to SI. The factors are exact by definition, not rounded table values.
//!
//! They are defined here because `uom` has about seven digits of them, its parser does not know `inHg`, and the exact
//! definitions take only a dozen lines.

use serde::{Deserialize, Serialize};

/// A unit: its symbol and its factor to SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// The symbol as written in sheets and shown on pages.
    pub symbol: &'static str,
    /// SI value of one unit.
    pub factor: f64,
}

const fn unit(symbol: &'static str, factor: f64) -> Unit {
    Unit { symbol, factor }
}

/// Pascal in one conventional inch of mercury (NIST SP 811, conventional value, exact by convention).
const INCH_OF_MERCURY: f64 = 3_386.388_640_341;
/// Pascal in one conventional millimetre of mercury (NIST SP 811, exact by convention).
const MILLIMETRE_OF_MERCURY: f64 = 133.322_387_415;
/// Pascal in one torr: 101 325 / 760 by definition.
const TORR: f64 = 101_325.0 / 760.0;
/// Pascal in one pound-force per square inch: 8 896 443 230 521 / 1 290 320 000, exact by definition.
const PSI: f64 = 8_896_443_230_521.0 / 1_290_320_000.0;

/// Every unit in which a pressure or a vacuum level may be written.
pub const PRESSURE_UNITS: &[Unit] = &[
    unit("kPa", 1e3),
    unit("mbar", 1e2),
    unit("bar", 1e5),
    unit("Pa", 1.0),
    unit("hPa", 1e2),
    unit("MPa", 1e6),
    unit("psi", PSI),
    unit("inHg", INCH_OF_MERCURY),
    unit("mmHg", MILLIMETRE_OF_MERCURY),
    unit("Torr", TORR),
];

pub(crate) const RATE_UNITS: &[Unit] = &[
    unit("kPa/s", 1e3),
    unit("mbar/s", 1e2),
    unit("Pa/s", 1.0),
    unit("kPa/min", 1e3 / 60.0),
    unit("mbar/min", 1e2 / 60.0),
    unit("inHg/s", INCH_OF_MERCURY),
    unit("inHg/min", INCH_OF_MERCURY / 60.0),
];
pub(crate) const TIME_UNITS: &[Unit] =
    &[unit("ms", 1e-3), unit("s", 1.0), unit("min", 60.0), unit("us", 1e-6), unit("h", 3600.0)];
pub(crate) const VOLUME_UNITS: &[Unit] =
    &[unit("L", 1e-3), unit("mL", 1e-6), unit("cm3", 1e-6), unit("m3", 1.0)];
pub(crate) const LENGTH_UNITS: &[Unit] = &[unit("mm", 1e-3), unit("m", 1.0), unit("cm", 1e-2)];
pub(crate) const CURRENT_UNITS: &[Unit] = &[unit("mA", 1e-3), unit("A", 1.0)];
pub(crate) const VOLTAGE_UNITS: &[Unit] = &[unit("V", 1.0), unit("mV", 1e-3)];
pub(crate) const TEMPERATURE_UNITS: &[Unit] = &[unit("K", 1.0)];
pub(crate) const MASS_UNITS: &[Unit] = &[unit("kg", 1.0), unit("g", 1e-3)];
pub(crate) const ACCELERATION_UNITS: &[Unit] = &[unit("m/s2", 1.0)];

/// A pressure unit, as shown by a device or chosen by a site.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct PressureUnit(usize);

impl PressureUnit {
    /// Kilopascal, the default.
    pub const KILOPASCAL: Self = Self(0);

    /// The unit with this symbol; `None` if it is not one of [`PRESSURE_UNITS`].
    pub fn from_symbol(symbol: &str) -> Option<Self> {
        PRESSURE_UNITS.iter().position(|unit| unit.symbol == symbol).map(Self)
    }

    /// The symbol as written.
    pub fn symbol(self) -> &'static str {
        PRESSURE_UNITS[self.0].symbol
    }

    /// One unit, in pascal.
    pub fn pascal(self) -> f64 {
        PRESSURE_UNITS[self.0].factor
    }
}

impl Default for PressureUnit {
    fn default() -> Self {
        Self::KILOPASCAL
    }
}

impl TryFrom<String> for PressureUnit {
    type Error = String;
    fn try_from(symbol: String) -> Result<Self, Self::Error> {
        Self::from_symbol(&symbol).ok_or_else(|| format!("`{symbol}` is not a pressure unit"))
    }
}

impl From<PressureUnit> for String {
    fn from(unit: PressureUnit) -> Self {
        unit.symbol().to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    // NIST SP 811 (2008), Appendix B.8: printed values, to half a unit of the last printed digit.
    #[rstest]
    #[case("bar", 1.0e5, 0.0)]
    #[case("mbar", 1.0e2, 0.0)]
    #[case("Torr", 1.333_224e2, 5e-5)]
    #[case("mmHg", 1.333_224e2, 5e-5)]
    #[case("inHg", 3.386_389e3, 5e-4)]
    #[case("psi", 6.894_757e3, 5e-4)]
    fn factors_agree_with_nist_sp_811(#[case] symbol: &str, #[case] printed: f64, #[case] tolerance: f64) {
        let unit = PressureUnit::from_symbol(symbol).expect("known unit");
        assert!((unit.pascal() - printed).abs() <= tolerance, "{symbol}: {}", unit.pascal());
    }

    // Derived from the exact definitions: 1 atm = 29.921255579748475 inHg; 60 kPa = 17.717989980606056 inHg,
    // 450.0369455073938 mmHg, 8.702264263812554 psi. Pint 0.25.3 gives the same within 2e-12.
    #[rstest]
    #[case("inHg", 101_325.0, 29.921_255_579_748_475)]
    #[case("inHg", 60_000.0, 17.717_989_980_606_056)]
    #[case("mmHg", 60_000.0, 450.036_945_507_393_8)]
    #[case("psi", 60_000.0, 8.702_264_263_812_554)]
    fn conversions_agree_with_exact_definitions(
        #[case] symbol: &str,
        #[case] pascal: f64,
        #[case] expected: f64,
    ) {
        let unit = PressureUnit::from_symbol(symbol).expect("known unit");
        assert!((pascal / unit.pascal() / expected - 1.0).abs() < 1e-12);
    }
}
