//! The rigs of a bench: an owner and a worker for each, its runs and their records.
//!
//! Knows no HTTP: the listener of a rig is an [`Audience`]. Each rig has an owner's thread and a worker's thread, and each run has a thread
//! beside them: a page, a report, a slow disk or another rig cannot delay a scan.

mod audience;
mod begin;
mod bench;
mod calendar;
mod chain;
#[cfg(test)]
mod demo;
mod disk_times;
mod drawn;
mod entry;
mod first;
mod follow;
mod heartbeat;
mod index;
mod keep;
mod listing;
mod not_planned;
mod owner;
mod phase;
mod pin;
mod plan;
mod plugs;
mod refusal;
mod rig;
mod round;
mod run_entry;
mod runs;
mod settings;
mod sheet_preview;
mod sheets;
mod sight;
mod snapshot;
mod status;
mod supervise;
mod waiting;
mod watch_sheets;
mod worker;

pub use audience::{Audience, RunListener};
pub use begin::{Devices, NotStarted, Start, Started};
pub use bench::{Bench, BenchError};
pub use chain::chain;
pub use disk_times::DiskTimes;
pub use drawn::{DrawnRig, Letter};
pub use entry::{Probes, RigEntry};
pub use first::{Ended, leave_safe};
pub use listing::place_before;
pub use not_planned::NotPlanned;
pub use owner::DeviceCheck;
pub use phase::{Active, Fault, Phase, Rest};
pub use refusal::Refusal;
pub use rig::Rig;
pub use round::{Place, Placing, Round};
pub use run_entry::{EntryPosition, RunEntry};
pub use runs::genuine::{Changed, Genuine};
pub use runs::{Runs, RunsError};
pub use settings::{BenchRig, BenchSheet, Defaults};
pub use sheet_preview::{SheetNames, SheetPreview};
pub use sheets::{Given, RigSheets, SheetFiles};
pub use snapshot::{Beside, RunSnapshot};
pub use status::{MOST_NEVER_BEGAN, NeverBegan, NoVerdict, OwedRun, Status, Waiting};
pub use waiting::Press;
