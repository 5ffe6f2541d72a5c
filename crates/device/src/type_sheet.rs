//! The type sheet: what the maker promises of a device type.

use crate::settings::Mode;
use serde_json::{Value, json};
use tripbench_quantity::{
    LevelDifference, PRESSURE_UNITS, PressureUnit, TimeSpan, Tolerance, ToleranceScale, VacuumLevel, Voltage,
};
use tripbench_sheet::{At, Field, Header, Node, Problem, Reader, Text, words};

words! {
    /// What a promised response time applies to.
    pub enum ResponseFor {
        /// Every single operation.
        EveryOperation = "every-operation",
        /// The mean of many operations.
        Mean = "mean",
    }
}

words! {
    /// How a switch output drives its line.
    pub enum OutputKind {
        /// Connects the line to the positive supply (PNP).
        Sourcing = "sourcing",
        /// Connects the line to the negative supply (NPN).
        Sinking = "sinking",
    }
}

/// Smallest step of the display in one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DisplayDigit {
    /// The unit.
    pub unit: PressureUnit,
    /// The step, more than zero.
    pub step: LevelDifference,
}

impl Field for DisplayDigit {
    fn read(node: &Node) -> Result<Self, Problem> {
        let step = LevelDifference::read(node)?;
        let text = String::read(node)?;
        let unit = text.trim_start_matches(|c: char| !c.is_alphabetic());
        let unit = PressureUnit::from_symbol(unit.trim());
        match unit {
            Some(unit) if step.si() > 0.0 => Ok(Self { unit, step }),
            _ => Err(Problem {
                rule: "out-of-range",
                message: format!("`{text}` is not a display digit"),
                help: "write the smallest step of the display with its unit, such as \"0.1 kPa\"".into(),
            }),
        }
    }
    fn schema() -> Value {
        let units: Vec<_> = PRESSURE_UNITS.iter().map(|unit| unit.symbol).collect();
        let number = r"([0-9]*\.[0-9]*[1-9][0-9]*|0*[1-9][0-9]*(\.[0-9]+)?)";
        json!({ "type": "string", "pattern": format!(r"^\s*{number}\s*({})\s*$", units.join("|")) })
    }
}

/// What the maker promises about the switching.
#[derive(Debug, Clone, PartialEq)]
pub struct Promise {
    /// Largest deviation of a level from its setting.
    pub accuracy: At<Tolerance>,
    /// Largest deviation of the hysteresis from its setting, where stated.
    pub hysteresis: Option<At<Tolerance>>,
    /// Spread of repeated switching, as a half width.
    pub repeatability: At<Tolerance>,
    /// Longest time from level to output without a selected delay.
    pub response_time: At<TimeSpan>,
    /// What the response time applies to.
    pub response_for: ResponseFor,
    /// Output delays that can be selected.
    pub delays: Vec<TimeSpan>,
}

/// Limits of the settings.
#[derive(Debug, Clone, PartialEq)]
pub struct SettingRanges {
    /// Least deep level that can be set.
    pub least_deep: At<VacuumLevel>,
    /// Deepest level that can be set.
    pub deepest: At<VacuumLevel>,
    /// Smallest margin of the resume level: resume level minus switch point.
    pub smallest_resume_margin: At<LevelDifference>,
    /// Noise that the hysteresis must exceed.
    pub noise: At<LevelDifference>,
}

/// The type sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct TypeSheet {
    /// Name, revision, state.
    pub header: Header,
    /// Full scale, the reference of %FS.
    pub full_scale: At<VacuumLevel>,
    /// Smallest display step in each unit to which the device can be set.
    pub digits: At<Vec<DisplayDigit>>,
    /// What the maker promises.
    pub promise: Promise,
    /// Limits of the settings.
    pub setting: SettingRanges,
    /// Available kinds of switch output.
    pub outputs: At<Vec<OutputKind>>,
    /// Available function modes.
    pub modes: At<Vec<Mode>>,
    /// Lowest and highest voltage of the device power.
    pub power: Option<At<[Voltage; 2]>>,
    /// Text for people on mounting: port, seal, torque, tube.
    pub mounting: Option<At<Text>>,
}

impl TypeSheet {
    /// Reads a type sheet.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let header = Header::read(reader);
        let full_scale = reader.required("full_scale", "full scale, the reference of %FS");
        let digits = reader
            .required("digits", "smallest display step in each unit, such as [\"0.1 kPa\", \"1 mbar\"]");
        let promise = reader.table("promise", "what the maker promises about the switching", Promise::read);
        let setting = reader.table("setting", "limits of the settings", SettingRanges::read);
        let outputs =
            reader.or("outputs", "kinds of switch output", vec![OutputKind::Sourcing, OutputKind::Sinking]);
        let modes = reader.or("modes", "function modes", vec![Mode::SinglePoint]);
        let power = reader.optional("power", "lowest and highest voltage of the device power");
        let mounting = reader.optional("mounting", "port, seal, torque and tube, as the maker states them");
        Some(Self {
            header: header?,
            full_scale: full_scale?,
            digits: digits?,
            promise: promise?,
            setting: setting?,
            outputs: outputs?,
            modes: modes?,
            power: power?,
            mounting: mounting?,
        })
    }

    /// Smallest display step in a unit; `None` if the device cannot be set to that unit.
    pub fn digit(&self, unit: PressureUnit) -> Option<LevelDifference> {
        self.digits.iter().find(|digit| digit.unit == unit).map(|digit| digit.step)
    }

    /// Full scale and display digit to which the tolerances refer when the device is set to `unit`.
    pub fn scale(&self, unit: PressureUnit) -> ToleranceScale {
        ToleranceScale { full_scale: self.full_scale.value, digit: self.digit(unit).unwrap_or_default() }
    }
}

impl Promise {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let accuracy =
            reader.required("accuracy", "largest deviation of a level, such as \"1 %FS + 1 digit\"");
        let hysteresis =
            reader.optional("hysteresis", "largest deviation of the hysteresis, where the maker states one");
        let repeatability =
            reader.required("repeatability", "spread of repeated switching, such as \"0.2 %FS\"");
        let response_time =
            reader.required("response_time", "longest time from level to output, no delay selected");
        let response_for = reader.or(
            "response_for",
            "what the response time applies to: every-operation or mean",
            ResponseFor::EveryOperation,
        );
        let delays = reader.or("delays", "output delays that can be selected", vec![TimeSpan::ZERO]);
        Some(Self {
            accuracy: accuracy?,
            hysteresis: hysteresis?,
            repeatability: repeatability?,
            response_time: response_time?,
            response_for: response_for?.value,
            delays: delays?.value,
        })
    }
}

impl SettingRanges {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let least_deep = reader.required("least_deep", "least deep level that can be set");
        let deepest = reader.required("deepest", "deepest level that can be set");
        let margin = reader.or(
            "smallest_resume_margin",
            "smallest margin: resume level minus switch point",
            LevelDifference::ZERO,
        );
        let noise = reader.or("noise", "noise that the hysteresis must exceed", LevelDifference::ZERO);
        Some(Self {
            least_deep: least_deep?,
            deepest: deepest?,
            smallest_resume_margin: margin?,
            noise: noise?,
        })
    }
}
