//! Events: everything that happens in a run, in order. The only interface between a run and its listeners.

use crate::check::{Check, QuantityName};
use crate::halt::{Halt, SetAside, WaitReason};
use crate::identity::ClockState;
use crate::mark::{Mark, Thrown};
use crate::task::{PlannedStep, PositionPlan};
use crate::verdict::Verdict;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use tripbench_quantity::Mono;
use tripbench_rig::{CommandId, Doubt, Guide, Identification, Order, OutputImage, ReadPlan, Scan};
use tripbench_sheet::words;

/// Sequence number of an event within its run, from 0.
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
    /// Kind of a sheet.
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

/// A sheet as used in the run: full text, hash and revision.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SheetCopy {
    /// Kind of the sheet.
    pub role: SheetRole,
    /// File name, without folders.
    pub file: String,
    /// Name of the sheet.
    pub name: String,
    /// Revision of the sheet.
    pub revision: String,
    /// State of the sheet, such as `draft` or `released`.
    pub state: String,
    /// SHA-256 of the text, hexadecimal.
    pub sha256: String,
    /// The text.
    pub text: String,
}

/// Everything known when a run starts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunHeader {
    /// Identity of the run, a version 7 UUID.
    pub run: String,
    /// Name of the rig.
    pub rig: String,
    /// Number of the run in the daemon's folder of runs, from 1: later runs have larger numbers, whatever the clock says. Omitted for a run
    /// of the command.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub number: Option<u64>,
    /// Wall-clock time of the start, RFC 3339.
    pub started: String,
    /// What is known of the wall clock.
    pub clock: ClockState,
    /// Version of the program.
    pub software: String,
    /// Whether a sheet is a draft, which makes this run a trial.
    pub trial: bool,
    /// Whether the rig is known to be simulated, so that no device was tested.
    pub simulated: bool,
    /// Identification of the module, requested before the first order; omitted if it gave none or was not asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub module: Option<Identification>,
    /// Problems known before the start that did not prevent the run.
    pub warnings: Vec<String>,
    /// In a rig check: what the rig can decide.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub abilities: Vec<String>,
    /// Predicted uncertainty of each check, computed before any air flowed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub predictions: Vec<Prediction>,
    /// The earlier run that left the device undecided, if this run repeats it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub again: Option<Again>,
    /// Operators.
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
    /// Whether the module identified itself as the simulated module of this program. In a rehearsal no module is asked.
    pub fn is_at_simulator(&self) -> bool {
        self.module.as_ref().is_some_and(Identification::is_simulator)
    }

    /// Stores the identification of the module. A simulated module marks the run as simulated; nothing clears that mark.
    pub fn take_module(&mut self, module: Option<Identification>) {
        self.module = module;
        self.simulated |= self.is_at_simulator();
    }
}

/// Predicted uncertainty of a check, computed from the sheets alone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Prediction {
    /// Index of the step, from 0.
    pub step: u16,
    /// The quantity to be measured.
    pub quantity: QuantityName,
    /// Unit of its values: `Pa` or `s`.
    pub unit: String,
    /// Predicted expanded uncertainty (95 % half width).
    pub expanded_uncertainty: f64,
    /// Half of the tolerance; for a single limit half of it; for a delay the amount that changes no verdict.
    pub half_tolerance: f64,
    /// Share of devices at nominal that are left undecided, 0 to 1.
    pub undecided_at_nominal: f64,
    /// Share of devices halfway from nominal to a limit that are left undecided, 0 to 1.
    pub undecided_at_half: f64,
}

/// Predicted shares of good devices, 0 to 1, that at least one check of a run leaves undecided: at nominal, and halfway from nominal
/// to a limit. Treats the checks as independent.
pub fn undecided_share(predictions: &[Prediction]) -> [f64; 2] {
    let decided =
        |share: fn(&Prediction) -> f64| -> f64 { predictions.iter().map(|one| 1.0 - share(one)).product() };
    [1.0 - decided(|one| one.undecided_at_nominal), 1.0 - decided(|one| one.undecided_at_half)]
}

/// The earlier run of the same device that a run repeats.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Again {
    /// Identifier of the run.
    pub run: String,
    /// SHA-256 of its record, hexadecimal.
    pub sha256: String,
    /// Number of this test of the device; the first test is 1.
    pub attempt: u16,
    /// Result of the earlier run, as a sentence.
    pub found: String,
}

/// Kind and data of an event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// The run starts.
    Started(Box<RunHeader>),
    /// A scan, as raw values.
    Scan(Scan),
    /// A step begins: its index, from 0.
    StepBegan(u16),
    /// A step is complete: its index, from 0.
    StepDone(u16),
    /// A cycle of a step begins: its number, from 1, and how many there are.
    Cycle(u16, u16),
    /// A stretch of the trace is complete.
    Mark(Mark),
    /// A stretch was discarded.
    Thrown(Thrown),
    /// An order was issued.
    Ordered {
        /// Number of the command.
        id: CommandId,
        /// The order.
        order: Order,
    },
    /// An order was carried out and read back.
    Confirmed {
        /// Number of the command.
        id: CommandId,
        /// The outputs as read back.
        outputs: OutputImage,
    },
    /// Guidance to the person who operates a rig without valves.
    Guide(Guide),
    /// A question to a person.
    Asked {
        /// Number of the prompt.
        id: PromptId,
        /// The question.
        text: String,
    },
    /// An answer to a prompt.
    Answered {
        /// Number of the prompt.
        id: PromptId,
        /// The answer.
        answer: String,
        /// Who answered.
        by: String,
    },
    /// An answer was ignored because its prompt is not open.
    AnswerRefused(PromptId),
    /// The run waits.
    Waiting(WaitReason),
    /// The run continues after waiting.
    GoesOn,
    /// A position was set aside.
    SetAside(SetAside),
    /// The link is in doubt.
    Doubt(Doubt),
    /// A check was judged.
    Check(Arc<Check>),
    /// The run was stopped.
    Halted(Halt),
    /// The safe state was ordered and read back, and it lasted.
    Safe,
    /// The safe state could not be confirmed.
    NotSafe,
    /// A position's verdict.
    Verdict {
        /// The position.
        position: u8,
        /// The verdict.
        verdict: Verdict,
    },
    /// The journal was closed later, because the program ended before the run did.
    Recovered {
        /// Length of the torn tail that was cut off and kept in a file beside the journal, bytes.
        torn_bytes: u64,
    },
    /// The run is over.
    Ended {
        /// Wall-clock time, RFC 3339; `null` if unknown.
        ended: Option<String>,
    },
}

/// An event with its number and time.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Sequence number.
    pub seq: Seq,
    /// Time since the start of the clock.
    pub at: Mono,
    /// Kind and data.
    pub kind: EventKind,
}

impl EventKind {
    /// Whether listeners may see the event only once it is on the disk.
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
