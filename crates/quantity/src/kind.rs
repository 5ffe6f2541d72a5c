//! The newtypes, one for each kind of quantity in a signature.

use crate::unit::{
    ACCELERATION_UNITS, CURRENT_UNITS, LENGTH_UNITS, MASS_UNITS, PRESSURE_UNITS, RATE_UNITS,
    TEMPERATURE_UNITS, TIME_UNITS, Unit, VOLTAGE_UNITS, VOLUME_UNITS,
};
use serde::{Deserialize, Serialize};
use std::ops::{Add, Mul, Neg, Sub};

/// A kind of quantity: stored in SI units, written with one of its units.
pub trait Quantity: Copy + Sized {
    /// Name of the kind for messages, such as "vacuum level".
    const WHAT: &'static str;
    /// Example of a value as written in a sheet.
    const EXAMPLE: &'static str;
    /// Whether a negative value may be written in a sheet.
    const SIGNED: bool;
    /// The units in which it may be written.
    fn units() -> &'static [Unit];
    /// The quantity with this SI value.
    fn from_si(si: f64) -> Self;
    /// The value in SI units.
    fn si(self) -> f64;
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $what:literal, $example:literal, $signed:literal, $units:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// Zero.
            pub const ZERO: Self = Self(0.0);
            /// The quantity with this SI value.
            pub const fn new(si: f64) -> Self {
                Self(si)
            }
            /// The value in SI units.
            pub const fn si(self) -> f64 {
                self.0
            }
        }

        impl Quantity for $name {
            const WHAT: &'static str = $what;
            const EXAMPLE: &'static str = $example;
            const SIGNED: bool = $signed;
            fn units() -> &'static [Unit] {
                $units
            }
            fn from_si(si: f64) -> Self {
                Self(si)
            }
            fn si(self) -> f64 {
                self.0
            }
        }
    };
}

quantity!(
    /// Vacuum level, in pascal: ambient pressure minus absolute pressure, positive below ambient.
    VacuumLevel, "vacuum level", "62 kPa", false, PRESSURE_UNITS
);
quantity!(
    /// Difference of two vacuum levels, in pascal, such as a hysteresis, a tolerance or an uncertainty.
    LevelDifference, "difference of vacuum levels", "1.5 kPa", false, PRESSURE_UNITS
);
quantity!(
    /// Absolute pressure, in pascal.
    AbsolutePressure, "absolute pressure", "101.3 kPa", false, PRESSURE_UNITS
);
quantity!(
    /// Pressure of compressed air above ambient, in pascal.
    AirPressure, "air pressure", "5.5 bar", false, PRESSURE_UNITS
);
quantity!(
    /// Rate of change of a vacuum level, in pascal per second, positive towards deeper.
    LevelRate, "rate of a vacuum level", "0.2 kPa/s", false, RATE_UNITS
);
quantity!(
    /// Length of time, in seconds; a net delay can be negative.
    TimeSpan, "time", "12 ms", false, TIME_UNITS
);
quantity!(
    /// Volume, in cubic metres.
    Volume, "volume", "1.2 L", false, VOLUME_UNITS
);
quantity!(
    /// Length, in metres.
    Length, "length", "4 mm", false, LENGTH_UNITS
);
quantity!(
    /// Height above sea level, in metres.
    Altitude, "height", "200 m", false, LENGTH_UNITS
);
quantity!(
    /// Electric current, in amperes.
    Current, "current", "12 mA", true, CURRENT_UNITS
);
quantity!(
    /// Voltage, in volts.
    Voltage, "voltage", "24 V", true, VOLTAGE_UNITS
);
quantity!(
    /// Thermodynamic temperature, in kelvin.
    Temperature, "temperature", "293.15 K", false, TEMPERATURE_UNITS
);
quantity!(
    /// Mass, in kilograms.
    Mass, "mass", "0.8 kg", false, MASS_UNITS
);
quantity!(
    /// Acceleration, in metres per second squared.
    Acceleration, "acceleration", "5 m/s2", false, ACCELERATION_UNITS
);

impl Sub for VacuumLevel {
    type Output = LevelDifference;
    fn sub(self, other: Self) -> LevelDifference {
        LevelDifference(self.0 - other.0)
    }
}

impl Add<LevelDifference> for VacuumLevel {
    type Output = Self;
    fn add(self, difference: LevelDifference) -> Self {
        Self(self.0 + difference.0)
    }
}

impl Sub<LevelDifference> for VacuumLevel {
    type Output = Self;
    fn sub(self, difference: LevelDifference) -> Self {
        Self(self.0 - difference.0)
    }
}

impl Add for LevelDifference {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl Neg for LevelDifference {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

impl Mul<TimeSpan> for LevelRate {
    type Output = LevelDifference;
    fn mul(self, time: TimeSpan) -> LevelDifference {
        LevelDifference(self.0 * time.0)
    }
}
