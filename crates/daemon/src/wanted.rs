//! What is wanted of a rig: the runs that wait for it, and what its worker does next.

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
    /// How often STOP TEST had been pressed when it was asked for.
    pub stops: u64,
    /// Whether it may begin by itself after another.
    pub unattended: bool,
    /// When it was asked for, by the rig's clock.
    pub asked: Mono,
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
