//! Recordings of other instruments: a logger's file as data, and the levels at which its signals change.
//!
//! Nothing here is a run of a rig: there is no reference with a certificate, no plan and no verdict.

mod analyse;
mod read;

pub use analyse::{Analysis, EdgeLevel, RowEdge, SignalAnalysis, analyse};
pub use read::{ColumnMap, Recording, RecordingError, SignalColumn, TimeForm};
