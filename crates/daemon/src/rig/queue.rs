//! The runs that wait for a rig: taken where everything is still as whoever asked has seen it, and given to the worker one by one.

use super::{Inner, Rig};
use crate::refusal::Refusal;
use crate::state::{Doing, Reason};
use crate::wanted::{Active, Job, Next, Order, positions_of};
use std::sync::PoisonError;
use std::time::Duration;
use tripbench_job::Reins;

/// Starts that were not prepared within this time, as on a disk that hangs, are abandoned.
const STARTS_WITHIN: Duration = Duration::from_secs(10);

impl Inner {
    /// Takes back what waits.
    pub(super) fn withdraw(&mut self, because: &str) {
        let withdrawn: Vec<String> = self.queue.drain(..).map(|job| job.prepared.header.run).collect();
        if !withdrawn.is_empty() {
            let text = format!("{because} took back {} that waited", withdrawn.join(", "));
            self.shown.failed = Some(Reason { kind: String::from("withdrawn"), text });
        }
    }

    /// Whether a run may wait: everything is as whoever asked for it has seen it.
    fn may_wait(&self, job: &Job, of: Order) -> Result<(), Refusal> {
        if self.ending {
            return Err(Refusal::Ending);
        }
        if self.shown.stops != of.stops {
            return Err(Refusal::Stopped { now: self.shown.stops, named: of.stops });
        }
        self.ready()?;
        if let Some(position) = self.swapped(&job.press, &positions_of(&job.prepared)) {
            return Err(Refusal::PlugWasOut { position });
        }
        // A run that begins by itself finds the devices of the run before: only who says that this is right may queue.
        let busy = self.active.is_some() || self.shown.doing == Doing::Running;
        if !of.unattended && (busy || !self.queue.is_empty()) {
            return Err(Refusal::Busy);
        }
        let round = &self.shown.round;
        // Also where it does not take the round.
        if let Some(named) = of.round.or(of.revision).filter(|named| *named != round.revision) {
            return Err(Refusal::RoundChanged { now: round.revision, named });
        }
        if of.revision.is_some() && round.started {
            return Err(Refusal::AlreadyStarted);
        }
        Ok(())
    }

    /// The run that is next, if its devices are still those that were meant; else everything that waits is taken back.
    fn first(&mut self) -> Option<Job> {
        let next = self.queue.front()?;
        let Some(position) = self.swapped(&next.press, &positions_of(&next.prepared)) else {
            return self.queue.pop_front();
        };
        self.withdraw(&format!("a plug that was seen out at position {position} after the start"));
        None
    }
}

impl Rig {
    /// Puts a run at the end of the queue; where it is that of the mounted round, takes the round: of two starts that saw the
    /// same, only the first gets it.
    ///
    /// # Errors
    /// If the rig is not ready, the round was changed or started meanwhile, STOP TEST was pressed since it was seen, a plug was not
    /// seen since the run was asked for, or the daemon is ending.
    pub(crate) fn enqueue(&self, job: Job, of: Order) -> Result<(), Refusal> {
        let mut inner = self.lock();
        // Whoever asked was told long ago that it did not work.
        if self.pulse.now().since(job.press.at) > STARTS_WITHIN {
            return Err(Refusal::TooLate);
        }
        inner.may_wait(&job, of)?;
        let round = &mut inner.shown.round;
        // One that saw the same is too late now.
        round.revision += u64::from(of.round.is_some() || of.revision.is_some());
        round.started |= of.revision.is_some();
        inner.shown.failed = None;
        inner.queue.push_back(job);
        self.tell(&mut inner);
        self.wake.notify_all();
        Ok(())
    }

    /// For the worker: the next run, or nothing within a time.
    pub(crate) fn next(&self, within: Duration) -> Next {
        let mut inner = self.lock();
        // Nothing begins on a rig that was not found well since the last run.
        let may = |inner: &Inner| !inner.queue.is_empty() && inner.shown.doing == Doing::Idle;
        if !may(&inner) && !inner.ending {
            inner = self.wake.wait_timeout(inner, within).unwrap_or_else(PoisonError::into_inner).0;
        }
        if inner.ending {
            return Next::End;
        }
        if !may(&inner) {
            return Next::Look;
        }
        let Some(mut job) = inner.first() else {
            self.tell(&mut inner);
            return Next::Look;
        };
        inner.beside = job.again.as_mut().map(|of| std::mem::take(&mut of.beside)).unwrap_or_default();
        // From here on a stop finds it.
        let (reins, controlled) = Reins::new();
        let run = job.prepared.header.run.clone();
        inner.active = Some(Active { run, reins: reins.clone(), question: None, answered: None });
        // A repeat goes on among devices of the run before: what was pulled of those stays so.
        if job.again.is_none() {
            inner.unplugged.clear();
        }
        inner.shown.doing = Doing::Running;
        inner.shown.run = None;
        // What was known at rest is not known any more.
        inner.shown.outputs_safe = None;
        inner.shown.level = None;
        inner.shown.vented = None;
        self.tell(&mut inner);
        Next::Job(Box::new(job), (reins, controlled))
    }

    /// Takes back what waits: after a run that did not end in order nothing begins by itself.
    pub(crate) fn withdraw(&self, because: &str) {
        let mut inner = self.lock();
        if !inner.queue.is_empty() {
            inner.withdraw(because);
            self.tell(&mut inner);
        }
    }
}
