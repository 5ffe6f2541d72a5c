//! The daemon: owns the rigs of a bench, queues their runs, and tells of them over HTTP.
//!
//! Each rig has a worker thread of its own, and each run a thread beside it: a page, a report, a slow disk or another rig cannot
//! delay a scan. Listens on loopback only.

mod daemon;
mod feed;
mod first;
mod foreseen;
mod guard;
mod http;
mod keep;
mod problem;
mod pulse;
mod refusal;
mod rig;
mod runs;
mod settings;
mod sheets;
mod state;
mod supervise;
mod tell;
mod wanted;
mod worker;

pub use daemon::{Bench, Probes, RigEntry, ServeError, serve};
pub use first::{Ended, leave_safe};
pub use settings::{BenchRig, BenchSheet, Defaults};
pub use sheets::{NotPlanned, RigSheets, SheetFiles};

/// The `OpenAPI` 3.1 document of the API, pretty.
pub fn openapi() -> String {
    http::document()
}
