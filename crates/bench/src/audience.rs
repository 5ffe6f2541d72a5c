//! Who is told of a rig: the HTTP side, or a test. The rig knows nothing else of them.

use crate::status::Status;
use std::fmt::Debug;
use std::sync::Arc;
use tripbench_record::{Event, LoadedSheets, RunView};

/// Told of everything that happens at a rig, on the rig's own threads: it must be quick, and must not ask the rig for anything.
pub trait Audience: Debug + Send + Sync {
    /// The rig has changed.
    fn status(&self, status: &Arc<Status>);

    /// A run is about to begin; the listener hears its events.
    fn run(&self, sheets: &Arc<LoadedSheets>) -> Box<dyn RunListener>;
}

/// Hears the events of one run, each once it is recorded. `view` is the run after the event; its scans are not kept.
pub trait RunListener: Send {
    /// An event.
    fn hears(&mut self, event: &Event, view: &RunView);

    /// The status of the rig is about to tell the run as it is now.
    fn before_status(&mut self, view: &RunView);
}
