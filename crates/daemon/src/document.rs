//! What the API tells of rigs and runs, made from their state.

mod rig;
mod run;
mod tell;
mod tile;

pub(crate) use rig::{Doing, Placing, RigState, Round};
pub(crate) use run::RunState;
pub(crate) use tile::verdict_key;

use serde::Serialize;
use utoipa::ToSchema;

/// Why something is as it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Reason {
    /// Kind of the reason, a word of the record.
    pub kind: String,
    /// The reason, in English.
    pub text: String,
}
