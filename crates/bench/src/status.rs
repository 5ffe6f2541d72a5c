//! The public state of a rig.

use crate::phase::Phase;
use crate::refusal::Refusal;
use crate::round::{Place, Round};
use crate::sheet_preview::SheetPreview;
use crate::snapshot::RunSnapshot;
use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;

/// State of a rig at one moment.
#[derive(Debug, Clone)]
pub struct Status {
    /// Name of the rig.
    pub rig: String,
    /// Whether the rig is simulated: then no device is tested.
    pub simulated: bool,
    /// What the rig is doing.
    pub phase: Phase,
    /// Preview of its sheets on the disk.
    pub preview: Arc<SheetPreview>,
    /// The devices mounted for the next run.
    pub round: Round,
    /// Why the last start gave no verdict; `None` once something new is mounted or started.
    pub failed: Option<NoVerdict>,
    /// Runs that have a journal and no record yet.
    pub owed: Vec<OwedRun>,
    /// Number of presses of STOP TEST since the daemon started.
    pub stops: u64,
    /// Runs that wait for the rig.
    pub queue: Vec<Waiting>,
    /// The run in progress, or the last one.
    pub run: Option<Arc<RunSnapshot>>,
    /// The run whose verdict was acknowledged.
    pub seen: Option<String>,
    /// The last runs that were accepted and never began, the oldest first; at most [`MOST_NEVER_BEGAN`].
    pub never_began: Arc<VecDeque<NeverBegan>>,
}

/// Number of runs that never began that a rig remembers: a program that was offline for a while still learns what became of its run.
/// Judgement of this project.
pub const MOST_NEVER_BEGAN: usize = 1_000;

/// A run that was accepted and never began.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NeverBegan {
    /// Its identifier.
    pub run: String,
    /// Why, as a sentence without its subject.
    pub why: String,
}

/// Why a start gave no verdict. Each variant has the reason as text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoVerdict {
    /// The run was withdrawn while it waited.
    Withdrawn(String),
    /// The run did not begin.
    NoRun(String),
    /// The run has a journal, but no record could be made of it yet.
    NoRecord(String),
    /// The run has a record that cannot be trusted or read.
    Untrusted(String),
}

/// A run that has a journal and no record yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OwedRun {
    /// Its identifier.
    pub run: String,
    /// Its folder.
    pub folder: PathBuf,
}

/// A run that waits for its rig.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiting {
    /// Its identifier.
    pub run: String,
    /// Its script.
    pub script: String,
    /// Its positions.
    pub positions: Vec<u8>,
}

impl Status {
    /// Whether runs may be queued.
    ///
    /// # Errors
    /// If the rig was not looked at yet, is not ready, or the daemon is ending.
    pub fn ready(&self) -> Result<(), Refusal> {
        match &self.phase {
            Phase::Idle(_) | Phase::Preparing { .. } | Phase::Running(_) | Phase::MakingSafe { .. } => Ok(()),
            Phase::Ending { .. } => Err(Refusal::Ending),
            Phase::Starting => Err(Refusal::NotReady(String::from("it has not been looked at yet"))),
            Phase::Faulted(fault) => Err(Refusal::NotReady(fault.to_string())),
        }
    }

    /// What is wrong with the rig now, in sentences without their subject; empty if it answers with its outputs safe, or a run is in progress
    /// that was not stopped, and no record is owed.
    pub fn problems(&self) -> Vec<String> {
        let phase = match self.phase {
            Phase::Starting => Some(String::from("not looked at yet")),
            Phase::Ending { .. } => Some(String::from("the daemon is ending")),
            Phase::Idle(_)
            | Phase::Preparing { .. }
            | Phase::Running(_)
            | Phase::MakingSafe { .. }
            | Phase::Faulted(_) => None,
        };
        // Whatever the rig is doing meanwhile.
        let fault = self.phase.fault().map(ToString::to_string);
        let stopped = |run: &&Arc<RunSnapshot>| match run.view.safe {
            Some(safe) => !safe,
            None => run.view.halted.is_some(),
        };
        let stopped = self.run.as_ref().filter(|run| self.phase.is_busy() && stopped(run));
        let stopped =
            stopped.map(|run| format!("run {} was stopped, outputs not confirmed safe yet", run.run()));
        let owed: Vec<&str> = self.owed.iter().map(|owed| owed.run.as_str()).collect();
        let owed = (!owed.is_empty()).then(|| format!("no record yet for {}", owed.join(", ")));
        [phase, fault, stopped, owed].into_iter().flatten().collect()
    }

    /// The devices of the mounted round, which must be at this revision.
    ///
    /// # Errors
    /// If the round was changed or started in the meantime.
    pub(crate) fn mounted(&self, revision: u64) -> Result<Vec<Place>, Refusal> {
        let round = &self.round;
        if round.revision != revision {
            return Err(Refusal::RoundChanged { now: round.revision, named: revision });
        }
        if round.started {
            return Err(Refusal::AlreadyStarted);
        }
        Ok(round.places.iter().filter(|place| place.is_taken()).cloned().collect())
    }

    /// Whether a round is mounted on a rig that does not see plugs: its devices may already be in their positions.
    pub(crate) fn next_is_mounted(&self) -> bool {
        self.round.is_mounted() && self.round.places.iter().any(|place| place.present.is_none())
    }

    /// Whether a serial number is on this rig: mounted for the next run, or tested in the run in progress.
    pub(crate) fn has(&self, serial: &str) -> bool {
        let tested = self.run.as_ref().is_some_and(|run| !run.is_over() && run.has(serial));
        let mounted = self.round.places.iter().any(|place| place.serial.as_deref() == Some(serial));
        tested || (mounted && !self.round.started)
    }

    /// Whether the devices of a run are still those that are shown, because the next round has not begun.
    pub(crate) fn is_there_still(&self, run: &str) -> bool {
        self.run.as_ref().is_some_and(|shown| shown.is_of(run) && self.seen.as_deref() != Some(shown.run()))
    }

    /// Remembers that a run will never begin.
    pub(crate) fn never_begins(&mut self, run: String, why: String) {
        let all = Arc::make_mut(&mut self.never_began);
        all.push_back(NeverBegan { run, why });
        if all.len() > MOST_NEVER_BEGAN {
            all.pop_front();
        }
    }

    /// Why a run never began, if it is among the last of those.
    pub fn why_never_began(&self, run: &str) -> Option<&str> {
        self.never_began.iter().find(|one| one.run == run).map(|one| one.why.as_str())
    }

    /// Folder of a run that is in preparation, in progress, just ended, or still without a record.
    pub fn folder_of(&self, run: &str) -> Option<PathBuf> {
        let active = self.phase.active().filter(|active| active.run == run);
        let shown = self.run.as_ref().filter(|shown| shown.run() == run);
        let owed = self.owed.iter().find(|owed| owed.run == run);
        active
            .and_then(|active| active.folder.clone())
            .or_else(|| shown.map(|shown| shown.folder.clone()))
            .or_else(|| owed.map(|owed| owed.folder.clone()))
    }
}

/// Doubts about a round that is about to start, each as a sentence. `plugged` tests whether the plug of a position was seen by every look
/// since the last run.
pub(crate) fn to_confirm(
    taken: &[Place],
    rig: &Status,
    plugged: impl Fn(u8) -> bool,
    others: &[Arc<Status>],
) -> Vec<String> {
    let mut doubts = Vec::new();
    for (index, place) in taken.iter().enumerate() {
        let (Some(serial), position) = (&place.serial, place.position) else { continue };
        let earlier = taken.iter().take(index).find(|earlier| earlier.serial.as_ref() == Some(serial));
        if let Some(earlier) = earlier {
            doubts.push(format!(
                "serial {serial} is at position {} and at position {position}",
                earlier.position
            ));
        }
        if let Some(other) = others.iter().find(|other| other.has(serial)) {
            doubts.push(format!("serial {serial} is also on {}", other.rig));
        }
        let last = rig.run.as_ref().and_then(|run| run.serial_at(position));
        if let Some(last) = last.filter(|last| last != serial && plugged(position)) {
            doubts.push(format!(
                "no plug was pulled at position {position} since {last} was tested there, but the number there is now {serial}"
            ));
        }
    }
    doubts
}
