//! Why a run stops, waits, or continues without a position.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;
use tripbench_quantity::{AirPressure, LevelStyle, Mono, VacuumLevel};
use tripbench_rig::{Air, Doubt};

/// Why a run was stopped early.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Halt {
    /// A person stopped it.
    Operator {
        /// Name of the person or the control.
        by: String,
    },
    /// The program received a signal to end.
    Signal,
    /// The link is in doubt.
    Doubt(Doubt),
    /// The level was deeper than the limit of a run allows.
    TooDeep(#[schemars(with = "f64")] VacuumLevel),
    /// The rig was under vacuum for longer than the limit of a run allows.
    TooLongAtVacuum,
    /// The emergency stop was pressed.
    EmergencyStop,
    /// The guard door is open.
    GuardDoor,
    /// The reference is implausible.
    Reference {
        /// What is wrong.
        why: String,
    },
    /// The air pressure input is implausible.
    AirPressureInput {
        /// What is wrong.
        why: String,
    },
    /// A level was not reached in the time that the rig sheet predicts.
    NotReached {
        /// The wanted level.
        #[schemars(with = "f64")]
        wanted: VacuumLevel,
        /// The level that was reached.
        #[schemars(with = "f64")]
        reached: VacuumLevel,
        /// The ordered state of the air.
        air: Air,
    },
    /// By hand, the level repeatedly failed to move steadily.
    NotSteady,
    /// The air pressure stayed outside its window for too long.
    AirPressure {
        /// The last pressure.
        #[schemars(with = "f64")]
        pressure: AirPressure,
        /// The allowed window, lower and upper end; records of earlier versions lack it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schemars(with = "Option<(f64, f64)>")]
        window: Option<[AirPressure; 2]>,
    },
    /// Nobody answered a prompt in time, or the input ended before an answer.
    NoAnswer,
    /// A prompt was answered with no.
    Refused,
    /// The record could not be written.
    RecordLost,
    /// A step failed inside the program.
    StepFault {
        /// What is known about the failure.
        why: String,
    },
    /// Every position was set aside.
    NoPositionLeft,
    /// The program ended before the run did; set when the journal is closed later.
    Killed,
}

impl fmt::Display for Halt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let style = LevelStyle::default();
        match self {
            Self::Operator { by } => write!(f, "stopped by {by}"),
            Self::Signal => f.write_str("the program was told to end"),
            Self::Doubt(doubt) => write!(f, "{doubt}"),
            Self::TooDeep(level) => {
                write!(f, "{} is deeper than the limit of a run allows", style.level(*level))
            }
            Self::TooLongAtVacuum => f.write_str("longer under vacuum than the limit of a run allows"),
            Self::EmergencyStop => f.write_str("the emergency stop is pressed"),
            Self::GuardDoor => f.write_str("the guard door is open"),
            Self::Reference { why } => write!(f, "the reference is implausible: {why}"),
            Self::AirPressureInput { why } => write!(f, "the air pressure input is implausible: {why}"),
            Self::NotReached { wanted, reached, air } => {
                let (wanted, reached) = (style.level(*wanted), style.level(*reached));
                write!(
                    f,
                    "{wanted} was not reached in time with the air on `{air}`, only {reached}: check hoses, leaks, valves and air"
                )
            }
            Self::NotSteady => f.write_str(
                "the level did not move steadily: practise with the guide, or ask for a second pair of hands",
            ),
            Self::AirPressure { pressure, window } => {
                let bar = |pressure: AirPressure| pressure.si() / 1e5;
                let of = window.map_or_else(String::new, |[low, high]| {
                    format!(" of {:.2} to {:.2} bar", bar(low), bar(high))
                });
                write!(
                    f,
                    "the air pressure is {:.2} bar and stayed outside its window{of} for too long",
                    bar(*pressure)
                )
            }
            Self::NoAnswer => f.write_str("nobody answered the question"),
            Self::Refused => f.write_str("the question was answered with no"),
            Self::RecordLost => f.write_str("the record could not be written"),
            Self::StepFault { why } => write!(f, "a step failed inside the program: {why}"),
            Self::NoPositionLeft => f.write_str("every position was set aside"),
            Self::Killed => f.write_str("the program ended before the run did"),
        }
    }
}

/// Why a run waits, with the valves in the safe state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WaitReason {
    /// The air pressure is outside its window.
    AirPressure {
        /// The pressure.
        #[schemars(with = "f64")]
        pressure: AirPressure,
        /// The allowed window, lower and upper end.
        #[schemars(with = "(f64, f64)")]
        window: [AirPressure; 2],
    },
}

impl fmt::Display for WaitReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self::AirPressure { pressure, window: [low, high] } = self;
        let bar = |pressure: &AirPressure| pressure.si() / 1e5;
        write!(f, "air pressure {:.2} bar, needs {:.2} to {:.2} bar", bar(pressure), bar(low), bar(high))
    }
}

/// Why a position was set aside.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SetAsideReason {
    /// The plug was never connected, or was pulled.
    Unplugged,
    /// The output switched earlier in this run and then stopped switching.
    StoppedAnswering,
}

impl fmt::Display for SetAsideReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Unplugged => "not connected: check its plug",
            Self::StoppedAnswering => "stopped answering: check its plug",
        })
    }
}

/// A position taken out of a running round.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SetAside {
    /// The position.
    pub position: u8,
    /// Reason.
    pub why: SetAsideReason,
    /// Time since the start of the clock, nanoseconds.
    #[schemars(with = "u64")]
    pub at: Mono,
    /// Level at that moment, pascal.
    #[schemars(with = "f64")]
    pub level: VacuumLevel,
}
