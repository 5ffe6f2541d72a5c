//! The owner of a rig: all state of the rig that changes, and the rules by which it changes.
//!
//! Pure: no threads, files, sockets or clocks. Requests to the rig are letters to its owner (`rig.rs`). They are handled one at a time, so
//! that a condition that a rule has checked is still true when the rule acts.

mod asked;
mod reported;

use crate::phase::{Active, Phase};
use crate::plugs::Plugs;
use crate::refusal::Refusal;
use crate::round::{Place, Round};
use crate::sheet_preview::SheetPreview;
use crate::snapshot::Beside;
use crate::status::{NoVerdict, Status, Waiting};
use crate::waiting::{Claim, Job};
use std::collections::{BTreeSet, VecDeque};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use tripbench_record::Halt;
use tripbench_runner::{Control, RunHandle};

/// The owner of a rig.
#[derive(Debug)]
pub(crate) struct Owner {
    /// The public state.
    status: Status,
    queue: VecDeque<Job>,
    /// The run whose verdict is missing, if the last one has none.
    missing: Option<String>,
    /// The other devices of the round, if the run in progress tests one of them again.
    beside: Vec<Beside>,
    plugs: Plugs,
    /// Positions whose plug was seen out since the last run began: the device may be another one.
    unplugged: BTreeSet<u8>,
    /// Positions that were out of sight since the last run began, also those of rigs that see no plugs: a restart of the daemon, a failed
    /// look, a gap between looks. Only a person knows whether the device is still the same.
    unseen: BTreeSet<u8>,
    /// Whether `status` has changed since it was last published.
    changed: bool,
    /// Whether the worker has something to do.
    wanted: bool,
    check: DeviceCheck,
}

/// Whether a run begins only with the devices that were there when it was requested: always, except in a test that shows why that
/// matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DeviceCheck {
    /// The devices are checked.
    Kept,
    /// A run begins with whatever device is there.
    LeftOut,
}

/// What the worker of a rig does next.
#[derive(Debug)]
pub(crate) enum Next {
    /// Carries out a run, which a stop can already reach.
    Job(Box<Job>, (RunHandle, Receiver<Control>)),
    /// Looks at the rig.
    Look,
    /// Ends the thread.
    End,
}

/// What the worker waits for while it looks at the rig.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Look {
    /// Nothing.
    AtRest,
    /// The preparation of a run, or its record.
    Meanwhile,
}

impl Owner {
    /// The owner of a rig that nobody has looked at yet: the plugs are unknown.
    pub(crate) fn new(rig: String, simulated: bool, places: Vec<Place>, preview: Arc<SheetPreview>) -> Self {
        let unseen = places.iter().map(|place| place.position).collect();
        let round = Round { places, ..Round::default() };
        Self {
            status: Status {
                rig,
                simulated,
                phase: Phase::Starting,
                preview,
                round,
                failed: None,
                owed: Vec::new(),
                stops: 0,
                queue: Vec::new(),
                run: None,
                seen: None,
                never_began: Arc::default(),
            },
            queue: VecDeque::new(),
            missing: None,
            beside: Vec::new(),
            plugs: Plugs::default(),
            unplugged: BTreeSet::new(),
            unseen,
            changed: true,
            wanted: false,
            check: DeviceCheck::Kept,
        }
    }

    /// Replaces the check of the devices, for a test that shows why it matters.
    #[must_use]
    pub(crate) fn checking(self, check: DeviceCheck) -> Self {
        Self { check, ..self }
    }

    /// The status, if it changed since the last call.
    pub(crate) fn news(&mut self) -> Option<Status> {
        std::mem::take(&mut self.changed).then(|| {
            let waiting = |job: &Job| Waiting {
                run: job.run().to_owned(),
                script: job.script.clone(),
                positions: job.positions(),
            };
            self.status.queue = self.queue.iter().map(waiting).collect();
            self.status.clone()
        })
    }

    /// The current status.
    pub(crate) fn status(&self) -> Status {
        self.status.clone()
    }

    /// Whether the worker was given something to do since the last call.
    pub(crate) const fn wanted(&mut self) -> bool {
        std::mem::replace(&mut self.wanted, false)
    }

    /// The status, for a change.
    fn change(&mut self) -> &mut Status {
        self.changed = true;
        &mut self.status
    }

    /// What the worker does next. A run begins only if the rig was found ready after the last one.
    pub(crate) fn next(&mut self) -> Next {
        match self.status.phase {
            Phase::Ending { .. } => return Next::End,
            Phase::Idle(_) => {}
            Phase::Starting
            | Phase::Faulted(_)
            | Phase::Preparing { .. }
            | Phase::Running(_)
            | Phase::MakingSafe { .. } => return Next::Look,
        }
        let Some(first) = self.queue.front() else { return Next::Look };
        if let Err(refusal) = self.check_devices(&first.claim()) {
            self.withdraw(&refusal.cause());
            return Next::Look;
        }
        let Some(mut job) = self.queue.pop_front() else { return Next::Look };
        self.beside = job.again.as_mut().map(|of| std::mem::take(&mut of.beside)).unwrap_or_default();
        // A retest continues with the devices of an earlier run: the others stay marked. Its own was confirmed, if it was out of sight.
        match &job.again {
            Some(of) => drop(self.unseen.remove(&of.position)),
            None => {
                self.unplugged.clear();
                self.unseen.clear();
            }
        }
        let (handle, controlled) = RunHandle::new();
        let active = Active::new(job.run().to_owned(), handle.clone());
        let status = self.change();
        status.phase = Phase::Preparing { active, fault: None, barred: None };
        status.run = None;
        Next::Job(Box::new(job), (handle, controlled))
    }

    /// The folder of the run in preparation was created.
    pub(crate) fn laid_out(&mut self, folder: PathBuf) {
        if let Some(active) = self.change().phase.active_mut() {
            active.folder = Some(folder);
        }
    }

    /// Begins a prepared run, if everything is still as it was when the run was requested.
    ///
    /// # Errors
    /// If the rig is not ready, the run was stopped, or a device may be another one.
    pub(crate) fn begin(&mut self, claim: &Claim) -> Result<(), Refusal> {
        let active = match &self.status.phase {
            Phase::Preparing { active, fault: None, barred: None } => active.clone(),
            Phase::Preparing { barred: Some(fault), .. }
            | Phase::Preparing { fault: Some(fault), .. }
            | Phase::Faulted(fault) => {
                return Err(Refusal::NotReady(fault.to_string()));
            }
            Phase::Ending { .. } => return Err(Refusal::Ending),
            Phase::Starting | Phase::Idle(_) | Phase::Running(_) | Phase::MakingSafe { .. } => {
                return Err(Refusal::NothingRuns);
            }
        };
        if active.handle.latch.is_set() {
            return Err(Refusal::Stopped {
                now: self.status.stops,
                named: self.status.stops.saturating_sub(1),
            });
        }
        self.check_devices(claim)?;
        self.change().phase = Phase::Running(active);
        Ok(())
    }

    /// Handles one of the first scans of a run: stops the run if a device may not be the intended one.
    pub(crate) fn first_scan(&self, claim: &Claim) {
        let is_active = self.status.phase.active().is_some_and(|active| active.run == claim.run);
        if let (true, Err(refusal)) = (is_active, self.check_plugs(claim)) {
            self.halt(Halt::Operator { by: format!("tripbench: {refusal}") });
        }
    }

    /// Refuses a run if one of its devices may not be the one intended when the run was requested: a look since then did not see its plug,
    /// or a device with another number was mounted in its place. Devices mounted after the run has begun are for the next round.
    fn check_devices(&self, claim: &Claim) -> Result<(), Refusal> {
        if self.check == DeviceCheck::LeftOut {
            return Ok(());
        }
        self.check_plugs(claim)?;
        let is_other = |(position, serial): &&(u8, String)| {
            let place = self.status.round.place(*position).filter(|place| place.is_taken());
            let then = claim.press.places.iter().find(|place| place.position == *position);
            place.is_some_and(|place| {
                place.serial.as_ref() != Some(serial) && then.is_none_or(|then| then.mounted != place.mounted)
            })
        };
        let other = claim.devices.iter().find(is_other);
        other.map_or(Ok(()), |(position, _)| Err(Refusal::Remounted { position: *position }))
    }

    fn check_plugs(&self, claim: &Claim) -> Result<(), Refusal> {
        let positions = claim.devices.iter().map(|(position, _)| *position);
        let swapped = self.plugs.first_swapped(&claim.press.plugs, positions);
        swapped.map_or(Ok(()), |position| Err(Refusal::PlugWasOut { position }))
    }

    /// Withdraws the runs that wait.
    pub(crate) fn withdraw(&mut self, because: &str) {
        let withdrawn: Vec<String> = self.queue.drain(..).map(|job| job.run().to_owned()).collect();
        if !withdrawn.is_empty() {
            let text = format!("{because} withdrew {} from the queue", withdrawn.join(", "));
            let status = self.change();
            status.failed = Some(NoVerdict::Withdrawn(text));
            for run in withdrawn {
                status.never_begins(run, format!("was withdrawn from the queue by {because}"));
            }
        }
    }
}

#[cfg(test)]
mod tests;
