//! Judging a step: what takes long is taken out of the engine, so that no scan waits for it.

use std::sync::Arc;
use tripbench_judge::Judge;
use tripbench_record::{Check, Mark, Task, Trace};

/// A step that is to be judged, with all that it is judged from. May be done on any thread, and takes a while: up to a few tenths
/// of a second for each position.
#[derive(Debug)]
pub struct Judging {
    pub(crate) judge: Arc<Judge>,
    pub(crate) task: Task,
    pub(crate) trace: Arc<Trace>,
    pub(crate) marks: Vec<Mark>,
    pub(crate) step: u16,
}

impl Judging {
    /// Its checks, for [`crate::Input::Judged`].
    pub fn checks(&self) -> Vec<Check> {
        self.judge.step(&self.task, &self.trace, &self.marks, self.step)
    }
}
