//! The documents of rigs and runs in the API, made from their state.

mod reason;
mod rig;
mod run;
mod tell;
mod tile;

pub(crate) use rig::{Doing, Placing, RigState, Round};
pub(crate) use run::{RunState, StartedRun, Tile, VerdictWord};
pub(crate) use tell::beside;
pub(crate) use tile::verdict_key;
