//! The type sheet: what the maker of a device type promises.

use crate::settings::Mode;
use serde_json::{Value, json};
use tripbench_quantity::{
    LevelDifference, PRESSURE_UNITS, PressureUnit, TimeSpan, Tolerance, ToleranceScale, VacuumLevel, Voltage,
};
use tripbench_sheet::{At, Field, Header, Node, Problem, Reader, Text, words};

words! {
    /// What a promised response time holds for.
    pub enum ResponseFor {
        /// Every single operation.
        EveryOperation = "every-operation",
        /// The mean of many.
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

/// One step of the display in one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DisplayDigit {
    /// The unit.
    pub unit: PressureUnit,
    /// The step.
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
                help: "write one step of the display with its unit, such as \"0.1 kPa\"".into(),
            }),
        }
    }
    fn schema() -> Value {
        let units: Vec<_> = PRESSURE_UNITS.iter().map(|unit| unit.symbol).collect();
        let number = r"([0-9]*\.[0-9]*[1-9][0-9]*|0*[1-9][0-9]*(\.[0-9]+)?)";
        json!({ "type": "string", "pattern": format!(r"^\s*{number}\s*({})\s*$", units.join("|")) })
    }
}

/// What the maker promises of the switching.
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
    /// What that holds for.
    pub response_for: ResponseFor,
    /// Output delays that can be selected.
    pub delays: Vec<TimeSpan>,
}

/// What can be set.
#[derive(Debug, Clone, PartialEq)]
pub struct SettingRanges {
    /// Least deep level.
    pub lowest: At<VacuumLevel>,
    /// Deepest level.
    pub highest: At<VacuumLevel>,
    /// Smallest distance of the resume level above the switch point.
    pub smallest_resume_margin: At<LevelDifference>,
    /// Noise that a hysteresis has to exceed.
    pub noise: At<LevelDifference>,
}

/// The type sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct TypeSheet {
    /// Name, revision, state.
    pub header: Header,
    /// Full scale, to which %FS refers.
    pub full_scale: At<VacuumLevel>,
    /// One display step in each unit that can be set.
    pub digits: At<Vec<DisplayDigit>>,
    /// What is promised.
    pub promise: Promise,
    /// What can be set.
    pub setting: SettingRanges,
    /// Kinds of switch output.
    pub outputs: At<Vec<OutputKind>>,
    /// Function modes.
    pub modes: At<Vec<Mode>>,
    /// Supply window.
    pub power: Option<At<[Voltage; 2]>>,
    /// How it is mounted, for people.
    pub mounting: Option<At<Text>>,
}

impl TypeSheet {
    /// Reads a type sheet.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let header = Header::read(reader);
        let full_scale = reader.required("full_scale", "full scale, to which %FS refers");
        let digits =
            reader.required("digits", "one display step in each unit, such as [\"0.1 kPa\", \"1 mbar\"]");
        let promise = reader.table("promise", "what the maker promises of the switching", Promise::read);
        let setting = reader.table("setting", "what can be set", SettingRanges::read);
        let outputs =
            reader.or("outputs", "kinds of switch output", vec![OutputKind::Sourcing, OutputKind::Sinking]);
        let modes = reader.or("modes", "function modes", vec![Mode::SinglePoint]);
        let power = reader.optional("power", "lowest and highest supply voltage");
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

    /// One display step in a unit, if the device can be set in it.
    pub fn digit(&self, unit: PressureUnit) -> Option<LevelDifference> {
        self.digits.iter().find(|digit| digit.unit == unit).map(|digit| digit.step)
    }

    /// What this type's tolerances refer to when it is set in `unit`.
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
            "what that holds for: every-operation or mean",
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
        let lowest = reader.required("lowest", "least deep level that can be set");
        let highest = reader.required("highest", "deepest level that can be set");
        let margin = reader.or(
            "smallest_resume_margin",
            "smallest distance of the resume level above the switch point",
            LevelDifference::ZERO,
        );
        let noise = reader.or("noise", "noise that a hysteresis has to exceed", LevelDifference::ZERO);
        Some(Self { lowest: lowest?, highest: highest?, smallest_resume_margin: margin?, noise: noise? })
    }
}
