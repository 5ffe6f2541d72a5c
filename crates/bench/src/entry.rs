//! A rig of a bench, before the daemon has begun.

use crate::sheets::RigSheets;

/// A rig of a bench, with what is known of it beforehand.
#[derive(Debug)]
pub struct RigEntry {
    /// Its sheets.
    pub sheets: RigSheets,
    /// Whether it is simulated: then no device is tested.
    pub simulated: bool,
    /// Called in its runs to make them fail; `None` on a bench.
    pub probes: Option<Probes>,
}

/// What a test has called for a run: each may panic, or not come back.
#[derive(Debug, Clone, Copy)]
pub struct Probes {
    /// On the thread that makes the folder of a run, before it does.
    pub in_folder: fn(),
    /// On the run's own thread, between two steps of its work.
    pub in_run: fn(),
    /// On the thread that writes the journal, after each event.
    pub in_journal: fn(),
}
