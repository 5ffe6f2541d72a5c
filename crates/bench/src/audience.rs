//! Listeners of a rig: the HTTP side, or a test. The rig knows nothing else about them.

use crate::status::Status;
use std::fmt::Debug;
use std::sync::Arc;
use tripbench_record::{Event, LoadedSheets, RunView};

/// Hears of every change of a rig. It is called on the rig's own threads: it must be quick, and must not ask the rig for anything.
pub trait Audience: Debug + Send + Sync {
    /// The status of the rig changed.
    fn status(&self, status: &Arc<Status>);

    /// A run is about to begin; the returned listener hears its events.
    fn run(&self, sheets: &Arc<LoadedSheets>) -> Box<dyn RunListener>;
}

/// Hears the events of one run, each after it is recorded. `view` is the state of the run after the event; it keeps no scans, no marks and
/// no discarded stretches.
pub trait RunListener: Send {
    /// An event was recorded.
    fn hears(&mut self, event: &Event, view: &RunView);

    /// The status of the rig is about to be published with the present state of the run.
    fn before_status(&mut self, view: &RunView);
}
