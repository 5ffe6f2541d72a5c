//! A run that is requested, and what was known of the rig at that moment.

use crate::plan::OwnSheets;
use crate::plugs::Plugs;
use crate::round::Place;
use crate::snapshot::Beside;
use std::path::PathBuf;
use tripbench_quantity::Mono;
use tripbench_runner::Prepared;

/// A run that waits for its rig.
#[derive(Debug)]
pub(crate) struct Job {
    pub(crate) prepared: Prepared,
    /// Name of its script.
    pub(crate) script: String,
    /// The earlier run and position that it tests again.
    pub(crate) again: Option<Repeat>,
    /// The rig's own sheets from which it was planned.
    pub(crate) own: OwnSheets,
    /// What was known when it was requested.
    pub(crate) press: Press,
}

impl Job {
    /// Its identifier.
    pub(crate) fn run(&self) -> &str {
        &self.prepared.header.run
    }

    /// Positions where devices take part.
    pub(crate) fn positions(&self) -> Vec<u8> {
        self.prepared.task.positions.iter().map(|position| position.number).collect()
    }

    /// What must still be as it was when the run was requested.
    pub(crate) fn claim(&self) -> Claim {
        let device = |plan: &tripbench_record::PositionPlan| (plan.number, plan.identity.serial.clone());
        Claim {
            run: self.run().to_owned(),
            press: self.press.clone(),
            devices: self.prepared.task.positions.iter().map(device).collect(),
        }
    }
}

/// What was known of a rig at the moment when a run was requested.
#[derive(Debug, Clone)]
pub struct Press {
    /// That moment, by the rig's clock.
    pub(crate) at: Mono,
    /// The plugs, by position.
    pub(crate) plugs: Plugs,
    /// The mounted devices.
    pub(crate) places: Vec<Place>,
}

/// The devices that a run is to test: they must still be there when it begins.
#[derive(Debug, Clone)]
pub(crate) struct Claim {
    /// The run.
    pub(crate) run: String,
    /// What was known when it was requested.
    pub(crate) press: Press,
    /// Serial numbers by position.
    pub(crate) devices: Vec<(u8, String)>,
}

/// A retest of a position of an earlier run.
#[derive(Debug)]
pub(crate) struct Repeat {
    /// The earlier run.
    pub(crate) run: String,
    /// Folder of the earlier run.
    pub(crate) folder: PathBuf,
    pub(crate) position: u8,
    /// Whether the operator confirmed that the device is still the same.
    pub(crate) confirmed: bool,
    /// The other devices of the round, with their results.
    pub(crate) beside: Vec<Beside>,
}

/// What the requester of a run has seen of the rig.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seen {
    /// Revision of the mounted round, if the run tests that round.
    pub(crate) revision: Option<u64>,
    /// Revision of the mounted round, if the run does not test that round.
    pub(crate) round: Option<u64>,
    /// Number of presses of STOP TEST.
    pub(crate) stops: u64,
    /// Whether the run may begin by itself after another run.
    pub(crate) unattended: bool,
}
