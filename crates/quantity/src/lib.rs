//! Physical quantities of the bench: newtypes over SI values, their units, parsing and display.
//!
//! No I/O and no knowledge of sheet keys: this crate knows that `18.3 inHg` is a pressure, not what it limits.

mod clock;
mod comma;
mod format;
mod kind;
mod parse;
mod tolerance;
mod unit;

pub use clock::{Mono, Span};
pub use comma::{CommaReadings, comma_readings};
pub use format::{LevelStyle, SignConvention, significant};
pub use kind::{
    AbsolutePressure, Acceleration, AirPressure, Altitude, Current, Length, LevelDifference, LevelRate, Mass,
    Quantity, Temperature, TimeSpan, VacuumLevel, Voltage, Volume,
};
pub use parse::{ParseQuantityError, one, parse_quantity};
pub use tolerance::{ParseToleranceError, Tolerance, ToleranceScale, ToleranceTerm};
pub use unit::{PRESSURE_UNITS, PressureUnit, Unit};
