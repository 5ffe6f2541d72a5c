//! Events: everything that happens in a run, in order. The only seam between a run and whoever looks on.

use crate::check::{Check, QuantityName};
use crate::halt::{Halt, SetAside, WaitReason};
use crate::identity::ClockState;
use crate::mark::{Mark, Thrown};
use crate::task::{PlannedStep, PositionPlan};
use crate::verdict::Verdict;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tripbench_quantity::Mono;
use tripbench_rig::{CommandId, Doubt, Guide, Identification, Order, OutputImage, ReadPlan, Scan};
use tripbench_sheet::words;

/// Number of an event within its run, from 0.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Seq(pub u64);

/// Number of a prompt within its run.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct PromptId(pub u32);

words! {
    /// Which sheet a copy is of.
    #[derive(JsonSchema)]
    pub enum SheetRole {
        /// Site sheet.
        Site = "site",
        /// Rig sheet.
        Rig = "rig",
        /// Type sheet.
        Type = "type",
        /// Settings sheet.
        Settings = "settings",
        /// Script.
        Script = "script",
    }
}

/// A sheet as it was used: its text, whole, with hash and revision.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SheetCopy {
    /// Which sheet.
    pub role: SheetRole,
    /// File name, without folders.
    pub file: String,
    /// Its name.
    pub name: String,
    /// Its revision.
    pub revision: String,
    /// Its state.
    pub state: String,
    /// SHA-256 of the text.
    pub sha256: String,
    /// The text.
    pub text: String,
}

/// What is known when a run starts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunHeader {
    /// Identity of the run, a version 7 UUID.
    pub run: String,
    /// Name of the rig.
    pub rig: String,
    /// Wall time of the start, RFC 3339.
    pub started: String,
    /// What is known of the wall clock.
    pub clock: ClockState,
    /// Version of the program.
    pub software: String,
    /// Whether a sheet is a draft: then this run is a trial.
    pub trial: bool,
    /// Whether the rig is known to be a simulated one: then no device was tested.
    pub simulated: bool,
    /// What the module said it is, asked before the first order; left out where it said nothing or was not asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub module: Option<Identification>,
    /// What was known to be not as it should be, and the run made all the same.
    pub warnings: Vec<String>,
    /// What the rig can decide, of a rig check.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub abilities: Vec<String>,
    /// What each check was foreseen to be able to tell, before any air flowed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub predictions: Vec<Prediction>,
    /// The run that this one repeats for a position, where it was left undecided.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub again: Option<Again>,
    /// Who operated.
    pub operators: Vec<String>,
    /// The sheets.
    pub sheets: Vec<SheetCopy>,
    /// The steps.
    pub steps: Vec<PlannedStep>,
    /// The positions.
    pub positions: Vec<PositionPlan>,
    /// The reads of each scan.
    #[schemars(with = "serde_json::Value")]
    pub plan: ReadPlan,
}

impl RunHeader {
    /// Whether the module said that it is the simulated one of this program. A rehearsal has no module that says anything.
    pub fn is_at_simulator(&self) -> bool {
        self.module.as_ref().is_some_and(Identification::is_simulator)
    }

    /// Takes down what the module said. Where it is the simulated one no device is tested, whatever was known before.
    pub fn take_module(&mut self, module: Option<Identification>) {
        self.module = module;
        self.simulated |= self.is_at_simulator();
    }
}

/// What a check will be able to tell, foreseen from the sheets alone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Prediction {
    /// Index of the step, from 0.
    pub step: u16,
    /// What is measured.
    pub quantity: QuantityName,
    /// Unit of its values: `Pa` or `s`.
    pub unit: String,
    /// Foreseen 95 % half width.
    pub expanded_uncertainty: f64,
    /// Half of the tolerance; of one limit half of it; of a delay what changes no verdict.
    pub half_tolerance: f64,
    /// Share of devices at nominal that are left undecided.
    pub undecided_at_nominal: f64,
    /// Share of devices whose levels lie half a tolerance away from nominal that are left undecided.
    pub undecided_at_half: f64,
}

/// Share of good devices that a run is foreseen to leave undecided, by any of its checks: at nominal, and half a tolerance away from
/// it. As if the checks were independent.
pub fn undecided_share(predictions: &[Prediction]) -> [f64; 2] {
    let decided =
        |share: fn(&Prediction) -> f64| -> f64 { predictions.iter().map(|one| 1.0 - share(one)).product() };
    [1.0 - decided(|one| one.undecided_at_nominal), 1.0 - decided(|one| one.undecided_at_half)]
}

/// An earlier run of the same device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Again {
    /// Its identifier.
    pub run: String,
    /// SHA-256 of its record, hexadecimal.
    pub sha256: String,
    /// Which test of the device this is, the first counted.
    pub attempt: u16,
    /// What it found, as a sentence.
    pub found: String,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// The run starts.
    Started(Box<RunHeader>),
    /// A scan, raw.
    Scan(Scan),
    /// A step begins.
    StepBegan(u16),
    /// A step is done.
    StepDone(u16),
    /// A ramp of a step begins: cycle and of how many.
    Cycle(u16, u16),
    /// A stretch of the trace is complete.
    Mark(Mark),
    /// A stretch was thrown away.
    Thrown(Thrown),
    /// An order went out.
    Ordered {
        /// Its number.
        id: CommandId,
        /// The order.
        order: Order,
    },
    /// An order was read back.
    Confirmed {
        /// Its number.
        id: CommandId,
        /// The outputs.
        outputs: OutputImage,
    },
    /// What a person at a rig without valves is told.
    Guide(Guide),
    /// A question to a person.
    Asked {
        /// Its number.
        id: PromptId,
        /// The question.
        text: String,
    },
    /// An answer.
    Answered {
        /// The question's number.
        id: PromptId,
        /// The answer.
        answer: String,
        /// Who.
        by: String,
    },
    /// An answer to a question that is not open: not used.
    AnswerRefused(PromptId),
    /// The run waits.
    Waiting(WaitReason),
    /// The run goes on.
    GoesOn,
    /// A position was set aside.
    SetAside(SetAside),
    /// A doubt of the link.
    Doubt(Doubt),
    /// A check was judged.
    Check(Box<Check>),
    /// A run was stopped.
    Halted(Halt),
    /// The safe state was ordered, read back and held.
    Safe,
    /// The safe state could not be confirmed.
    NotSafe,
    /// A position's verdict.
    Verdict {
        /// The position.
        position: u8,
        /// Its verdict.
        verdict: Verdict,
    },
    /// The journal was opened again after the program had ended in the run.
    Recovered {
        /// Bytes of a torn tail that were set aside.
        torn_bytes: u64,
    },
    /// The run is over.
    Ended {
        /// Wall time, RFC 3339; `null` when it is not known.
        ended: Option<String>,
    },
}

/// An event with its number and time.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Its number.
    pub seq: Seq,
    /// When.
    pub at: Mono,
    /// What.
    pub kind: EventKind,
}

impl EventKind {
    /// Whether listeners may only see it once it is on the disk.
    pub const fn is_durable(&self) -> bool {
        matches!(
            self,
            Self::Check(_)
                | Self::Halted(_)
                | Self::Safe
                | Self::NotSafe
                | Self::Verdict { .. }
                | Self::Ended { .. }
                | Self::SetAside(_)
                | Self::Recovered { .. }
        )
    }
}
