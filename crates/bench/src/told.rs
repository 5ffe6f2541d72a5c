//! A run as it is told to whoever watches the rig.

use std::path::PathBuf;
use std::sync::Arc;
use tripbench_record::{LoadedSheets, RunHeader, RunView};

/// A run in progress, or the last one of a rig.
#[derive(Debug, Clone)]
pub struct RunTold {
    /// What is known since its start.
    pub header: Arc<RunHeader>,
    /// What its events say; without the scans, which the journal has.
    pub view: Arc<RunView>,
    /// Its sheets.
    pub sheets: Arc<LoadedSheets>,
    /// Its folder.
    pub folder: PathBuf,
    /// Whether record and report have been made.
    pub kept: bool,
    /// The other devices of the round, where the run tests one of them again.
    pub beside: Vec<Beside>,
}

/// What came of a device of the same round in another run.
#[derive(Debug, Clone)]
pub struct Beside {
    /// Its position.
    pub position: u8,
    /// The run.
    pub told: Arc<RunTold>,
}

impl RunTold {
    /// A run, once its first event is known.
    pub(crate) fn new(view: RunView, sheets: Arc<LoadedSheets>, folder: PathBuf) -> Option<Self> {
        let header = Arc::clone(view.header.as_ref()?);
        Some(Self { header, view: Arc::new(view), sheets, folder, kept: false, beside: Vec::new() })
    }

    /// Its identifier.
    pub fn run(&self) -> &str {
        &self.header.run
    }

    /// Whether it has ended, and record and report are there.
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
            beside.told.own_serial_at(position)
        })
    }

    fn own_serial_at(&self, position: u8) -> Option<&str> {
        let plan = self.header.positions.iter().find(|plan| plan.number == position)?;
        Some(&plan.identity.serial)
    }

    /// Whether a serial number is that of one of its devices, or of one beside them.
    pub(crate) fn has(&self, serial: &str) -> bool {
        let own = self.header.positions.iter().any(|plan| plan.identity.serial == serial);
        own || self.beside.iter().any(|beside| beside.told.own_serial_at(beside.position) == Some(serial))
    }

    /// Whether its devices are those of a run: it is that run, continues it, or shows devices of it.
    pub(crate) fn is_of(&self, run: &str) -> bool {
        let one = |told: &Self| told.run() == run || told.again_of() == Some(run);
        one(self) || self.beside.iter().any(|beside| one(&beside.told))
    }
}
