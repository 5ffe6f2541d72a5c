//! The engine: scripts, their static check, the plan, the steps, and the limits of a run in front of every step.
//!
//! No I/O and no clock: inputs come in with their time; commands and events are polled out. A step is an `async fn` over [`Bench`]
//! that the engine polls itself, without a runtime, and aborts by dropping it. Steps drive and mark; limits and verdicts are unknown
//! to them.

mod bench;
mod engine;
mod gas;
mod guard;
mod input_states;
mod judging;
mod plan;
mod predict;
mod recording;
mod script;
mod state;
mod steps;

pub use bench::{Bench, Break};
pub use engine::{Engine, Input, Phase, Plan};
pub use input_states::InputStates;
pub use judging::Judging;
pub use plan::{PersonAtPlugs, PlanInput, abilities, plan, predicted_open, predictions, rig_check};
pub use script::{OnFailure, Script, ScriptStep, StepKind};
pub use state::Seen;
