//! Requests of operators and programs to a rig.

use super::Owner;
use crate::phase::Phase;
use crate::refusal::Refusal;
use crate::round::{Placing, Round};
use crate::waiting::{Job, Press, Repeat, Seen};
use std::time::Duration;
use tripbench_quantity::Mono;
use tripbench_record::{Halt, PromptId};
use tripbench_runner::Control;

/// Longest preparation of a start. Starts not prepared within this time, for example because the disk hangs, are refused.
const STARTS_WITHIN: Duration = Duration::from_secs(10);

/// Largest number of runs that may wait for a rig. They test the devices that are mounted now, so that more than a few are a mistake of the
/// program that asks for them. Judgement of this project.
pub(super) const MOST_WAITING: usize = 8;

impl Owner {
    /// Mounts devices: the whole round at once. `seen` is a run whose verdict was acknowledged.
    ///
    /// # Errors
    /// If the round was changed in the meantime, a position does not exist, or a serial number is not allowed.
    pub(crate) fn mount(
        &mut self,
        revision: u64,
        placings: &[Placing],
        seen: Option<String>,
    ) -> Result<Round, Refusal> {
        let round = &mut self.status.round;
        if round.revision != revision {
            return Err(Refusal::RoundChanged { now: round.revision, named: revision });
        }
        round.check(placings)?;
        round.fill(placings);
        let round = round.clone();
        let status = self.change();
        status.failed = None;
        status.seen = seen.or(status.seen.take());
        Ok(round)
    }

    /// What is known at this moment, for a run that is requested.
    pub(crate) fn press(&self, at: Mono) -> Press {
        Press { at, plugs: self.plugs.clone(), places: self.status.round.places.clone() }
    }

    /// Appends a run to the queue. If the run tests the mounted round, the round is marked as started: of two starts that saw the same
    /// revision, only the first is accepted.
    ///
    /// # Errors
    /// If the rig is not ready, its state differs from what the requester has seen, preparing took too long, or the daemon is ending.
    pub(crate) fn enqueue(&mut self, job: Job, seen: Seen, now: Mono) -> Result<(), Refusal> {
        if now.since(job.press.at) > STARTS_WITHIN {
            return Err(Refusal::TooLate);
        }
        self.may_wait(&job, seen)?;
        let round = &mut self.change().round;
        round.revision += u64::from(seen.round.is_some() || seen.revision.is_some());
        round.started |= seen.revision.is_some();
        self.status.failed = None;
        self.queue.push_back(job);
        self.wanted = true;
        Ok(())
    }

    fn may_wait(&self, job: &Job, seen: Seen) -> Result<(), Refusal> {
        let status = &self.status;
        if matches!(status.phase, Phase::Ending { .. }) {
            return Err(Refusal::Ending);
        }
        if status.stops != seen.stops {
            return Err(Refusal::Stopped { now: status.stops, named: seen.stops });
        }
        status.ready()?;
        if seen.unattended && job.prepared.task.sheets.rig.module.loss_of_master.is_none() {
            return Err(Refusal::UnsafeAlone);
        }
        // A run that begins by itself tests the devices that the previous run left mounted: this must be requested explicitly.
        if !seen.unattended && (status.phase.is_busy() || !self.queue.is_empty()) {
            return Err(Refusal::Busy);
        }
        let round = &status.round;
        if let Some(named) = seen.round.or(seen.revision).filter(|named| *named != round.revision) {
            return Err(Refusal::RoundChanged { now: round.revision, named });
        }
        if seen.revision.is_some() && round.started {
            return Err(Refusal::AlreadyStarted);
        }
        let is_gone = |of: &Repeat| self.was_unplugged(of.position) || !status.is_there_still(&of.run);
        if let Some(of) = job.again.as_ref().filter(|of| is_gone(of)) {
            return Err(Refusal::MayBeGone { position: of.position });
        }
        if let Some(of) = job.again.as_ref().filter(|of| !of.confirmed && self.was_out_of_sight(of.position))
        {
            return Err(Refusal::OutOfSight { position: of.position });
        }
        if self.queue.len() >= MOST_WAITING {
            return Err(Refusal::QueueFull { most: MOST_WAITING });
        }
        self.check_devices(&job.claim())
    }

    /// Stops the run in progress at once and withdraws the runs that wait. Allowed at any time.
    pub(crate) fn stop(&mut self, halt: Halt) {
        self.change().stops += 1;
        self.halt(halt);
        self.withdraw("a stop");
        // The worker writes the safe values once more.
        self.wanted = true;
    }

    pub(super) fn halt(&self, halt: Halt) {
        if let Some(active) = self.status.phase.active() {
            active.handle.stop(halt);
        }
    }

    /// Answers the open question of a run.
    ///
    /// # Errors
    /// If no run is in progress, or the question is not open.
    pub(crate) fn answer(
        &mut self,
        run: &str,
        question: u32,
        (answer, by): (String, String),
    ) -> Result<(), Refusal> {
        let active = self.status.phase.active_mut().ok_or(Refusal::NothingRuns)?;
        if run != active.run || active.question != Some(question) {
            return Err(Refusal::NotOpen(question));
        }
        // The first answer counts; a second one is refused, not silently discarded.
        active.question = None;
        active.answered = Some(question);
        let control = Control::Answer { to: PromptId(question), answer, by };
        active.handle.control.send(control).map_err(|_| Refusal::NothingRuns)
    }

    /// Whether the plug at a position is seen now and was seen by every look since the last run began.
    pub(crate) fn is_plugged_since(&self, position: u8) -> bool {
        let seen = self.status.round.place(position).is_some_and(|place| place.present == Some(true));
        seen && !self.unplugged.contains(&position) && !self.unseen.contains(&position)
    }

    /// Whether a position was out of sight since the last run began.
    pub(crate) fn was_out_of_sight(&self, position: u8) -> bool {
        self.unseen.contains(&position)
    }

    /// Whether the rig sees the plug at a position and a look since the last run began saw it out.
    pub(crate) fn was_unplugged(&self, position: u8) -> bool {
        let sees = self.status.round.place(position).is_none_or(|place| place.present.is_some());
        sees && self.unplugged.contains(&position)
    }

    /// Prepares for the end of the daemon: no new run begins, and the run in progress is stopped.
    pub(crate) fn end(&mut self) {
        let phase = &self.status.phase;
        let (active, fault) = (phase.active().cloned(), phase.fault().cloned());
        self.change().phase = Phase::Ending { active, fault };
        self.stop(Halt::Signal);
    }
}
