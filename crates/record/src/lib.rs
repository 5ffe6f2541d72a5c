//! A run as data: its plan, its events, its results, and the formats in which they are stored.
//!
//! Bytes in and out, never files: the journal writer lives in the runner. Nothing here drives a rig or judges a value.

mod alike;
mod answer;
mod canonical;
mod check;
mod event;
mod finite;
mod halt;
mod identity;
pub mod journal;
mod mark;
mod motion;
mod record;
mod task;
mod trace;
mod verdict;
mod view;

pub use alike::same_but_for_rounding;
pub use answer::Answer;
pub use canonical::{canonical_json, sha256_hex};
pub use check::{
    Check, CheckVerdict, CrossingRecord, LimitsRecord, Measured, QuantityName, Role, SURELY_IN_U,
};
pub use event::{
    Again, Event, EventKind, Prediction, PromptId, RunHeader, Seq, SheetCopy, SheetRole, undecided_share,
};
pub use halt::{Halt, SetAside, SetAsideReason, WaitReason};
pub use identity::{ClockState, Identity, IdentityHow, check_character, own_number};
pub use mark::{Mark, Segment, Thrown};
pub use motion::{Motion, Way};
pub use record::{FORMAT, PositionRecord, Record, Software, TraceRecord, VERSION};
pub use task::{
    AirSavingTask, Cycles, DeviceOutput, Drive, LeakTask, LoadedSheets, PlannedStep, PositionPlan,
    ResponseTask, StepTask, SwitchPointsTask, Task,
};
pub use trace::{Trace, TraceError};
pub use verdict::{Verdict, promised_all_judged};
pub use view::{Progress, RunView, StepState};
