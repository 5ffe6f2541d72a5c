//! Judging a step outside the engine: it takes long, and no scan should wait for it.

use std::sync::Arc;
use tripbench_judge::Judge;
use tripbench_record::{Check, Mark, Task, Trace};

/// A step to be judged, with everything that judging needs. Can run on any thread; takes up to a few tenths of a second for each
/// position.
#[derive(Debug)]
pub struct Judging {
    pub(crate) judge: Arc<Judge>,
    pub(crate) task: Task,
    pub(crate) trace: Arc<Trace>,
    pub(crate) marks: Vec<Mark>,
    pub(crate) step: u16,
}

impl Judging {
    /// The checks, for [`crate::Input::Judged`].
    pub fn checks(&self) -> Vec<Check> {
        self.judge.step(&self.task, &self.trace, &self.marks, self.step)
    }
}
