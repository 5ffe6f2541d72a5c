//! A run as it is published to the watchers of the rig.

use std::path::PathBuf;
use std::sync::Arc;
use tripbench_record::{LoadedSheets, RunHeader, RunView};

/// A run in progress, or the last one of a rig.
#[derive(Debug, Clone)]
pub struct RunSnapshot {
    /// Data known since its start.
    pub header: Arc<RunHeader>,
    /// State from its events, without scans, marks and discarded stretches, which are in the journal.
    pub view: Arc<RunView>,
    /// Its sheets.
    pub sheets: Arc<LoadedSheets>,
    /// Its folder.
    pub folder: PathBuf,
    /// Whether record and report exist.
    pub kept: bool,
    /// The other devices of the round, if the run tests one of them again.
    pub beside: Vec<Beside>,
}

/// A device of the same round with its result in another run.
#[derive(Debug, Clone)]
pub struct Beside {
    /// Position of the device.
    pub position: u8,
    /// The run.
    pub snapshot: Arc<RunSnapshot>,
}

impl RunSnapshot {
    /// A run whose first event is known; `None` before that.
    pub(crate) fn new(view: RunView, sheets: Arc<LoadedSheets>, folder: PathBuf) -> Option<Self> {
        let header = Arc::clone(view.header.as_ref()?);
        Some(Self { header, view: Arc::new(view), sheets, folder, kept: false, beside: Vec::new() })
    }

    /// Its identifier.
    pub fn run(&self) -> &str {
        &self.header.run
    }

    /// Whether it has ended, and record and report exist.
    pub fn is_over(&self) -> bool {
        self.kept && self.view.ended.is_some()
    }

    /// The run that it continues.
    pub fn again_of(&self) -> Option<&str> {
        self.header.again.as_ref().map(|again| again.run.as_str())
    }

    /// The serial number at a position, also of a device that was tested in another run of the round.
    pub fn serial_at(&self, position: u8) -> Option<&str> {
        self.own_serial_at(position).or_else(|| {
            let beside = self.beside.iter().find(|beside| beside.position == position)?;
            beside.snapshot.own_serial_at(position)
        })
    }

    fn own_serial_at(&self, position: u8) -> Option<&str> {
        let plan = self.header.positions.iter().find(|plan| plan.number == position)?;
        Some(&plan.identity.serial)
    }

    /// Whether a serial number belongs to one of its devices, or to another device of the round.
    pub(crate) fn has(&self, serial: &str) -> bool {
        let own = self.header.positions.iter().any(|plan| plan.identity.serial == serial);
        own || self.beside.iter().any(|beside| beside.snapshot.own_serial_at(beside.position) == Some(serial))
    }

    /// Whether it has devices of `run`: it is that run, continues it, or shows devices of it.
    pub(crate) fn is_of(&self, run: &str) -> bool {
        let one = |snapshot: &Self| snapshot.run() == run || snapshot.again_of() == Some(run);
        one(self) || self.beside.iter().any(|beside| one(&beside.snapshot))
    }
}

#[cfg(test)]
mod tests;
