//! A rig of a bench, as it is given to the daemon.

use crate::sheets::RigSheets;

/// A rig of a bench, before it is served.
#[derive(Debug)]
pub struct RigEntry {
    /// Sheets of the rig.
    pub sheets: RigSheets,
    /// Whether the rig is simulated: then no device is tested.
    pub simulated: bool,
    /// Faults that a test injects into the runs of the rig; `None` on a bench.
    pub probes: Option<Probes>,
}

/// Functions that a test injects into a run: each may panic, or never return.
#[derive(Debug, Clone, Copy)]
pub struct Probes {
    /// Called on the thread that creates the folder of a run, before it does.
    pub in_folder: fn(),
    /// Called on the thread that removes the folder of a run that did not begin, before it does.
    pub in_removal: fn(),
    /// Called on the run's own thread, between two steps of its work.
    pub in_run: fn(),
    /// Called on the thread that writes the journal, after each event.
    pub in_journal: fn(),
}
