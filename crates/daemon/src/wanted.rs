//! What is wanted of a rig: the runs that wait for it, and what its worker does next.

use crate::rig::Plugs;
use crate::state::Tile;
use std::path::PathBuf;
use std::sync::mpsc::Receiver;
use tripbench_job::{Prepared, Reins};
use tripbench_quantity::Mono;
use tripbench_runner::Control;

/// A run that waits for its rig.
#[derive(Debug)]
pub(crate) struct Job {
    pub(crate) prepared: Prepared,
    pub(crate) script: String,
    /// Where it tests a device of an earlier run again.
    pub(crate) again: Option<Repeat>,
    /// What was known when it was asked for.
    pub(crate) press: Press,
}

/// Positions where devices take part in a run.
pub(crate) fn positions_of(prepared: &Prepared) -> Vec<u8> {
    prepared.task.positions.iter().map(|position| position.number).collect()
}

/// What was known of a rig at the moment when a run was asked for.
#[derive(Debug, Clone)]
pub(crate) struct Press {
    /// That moment, by the rig's clock.
    pub(crate) at: Mono,
    /// The plugs, by position.
    pub(crate) plugs: Plugs,
}

/// A position of an earlier run that is tested again.
#[derive(Debug)]
pub(crate) struct Repeat {
    /// Folder of the earlier run.
    pub(crate) folder: PathBuf,
    pub(crate) position: u8,
    /// What came of the devices beside it.
    pub(crate) beside: Vec<Tile>,
}

/// What a worker does next.
#[derive(Debug)]
pub(crate) enum Next {
    /// A run, the reins of which are held by the rig already.
    Job(Box<Job>, (Reins, Receiver<Control>)),
    /// Nothing yet: look whether the rig is still well.
    Look,
    /// No more.
    End,
}

/// How a run is asked for.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Order {
    /// Revision of the round that it takes, where it is that of the mounted round.
    pub revision: Option<u64>,
    /// Revision of the round that was seen, where it does not take that one.
    pub round: Option<u64>,
    /// How often STOP TEST had been pressed, as whoever asks has seen it.
    pub stops: u64,
    /// Whether it may begin by itself after another.
    pub unattended: bool,
}

/// A run under way.
#[derive(Debug, Clone)]
pub(crate) struct Active {
    pub(crate) run: String,
    pub(crate) reins: Reins,
    pub(crate) question: Option<u32>,
    /// The last one that was answered.
    pub(crate) answered: Option<u32>,
}

impl Active {
    /// A question that is open; one that was answered is not, though the run has not heard it yet.
    pub(crate) fn ask(&mut self, question: Option<u32>) {
        self.question = question.filter(|question| self.answered != Some(*question));
    }
}
