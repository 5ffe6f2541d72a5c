//! Reports of the worker of a rig, of its runs and of the watch over its sheets.

use super::{Look, Owner};
use crate::phase::{Fault, Phase, Rest};
use crate::runs::Unmade;
use crate::sheet_preview::SheetPreview;
use crate::snapshot::RunSnapshot;
use crate::status::{NoVerdict, OwedRun};
use std::sync::Arc;

impl Owner {
    /// A run reports its state.
    pub(crate) fn snapshot(&mut self, snapshot: RunSnapshot) {
        // A run that is over may still report, if its journal is slow.
        let is_current = match &self.status.phase {
            Phase::Preparing { active, .. } | Phase::Running(active) => active.run == snapshot.run(),
            Phase::MakingSafe { run, .. } => run == snapshot.run(),
            Phase::Ending { active, .. } => active.as_ref().is_none_or(|active| active.run == snapshot.run()),
            Phase::Starting | Phase::Idle(_) | Phase::Faulted(_) => false,
        };
        if is_current {
            self.show_run(snapshot);
        }
    }

    fn show_run(&mut self, mut snapshot: RunSnapshot) {
        let open = snapshot.view.open.as_ref().map(|(id, _)| id.0).filter(|_| !snapshot.is_over());
        if let Some(active) = self.status.phase.active_mut() {
            active.ask(open);
        }
        snapshot.beside.clone_from(&self.beside);
        self.change().run = Some(Arc::new(snapshot));
    }

    /// The record of a run was made. If the run was stopped, the runs that wait are withdrawn.
    pub(crate) fn kept(&mut self, snapshot: Option<RunSnapshot>) {
        if snapshot.as_ref().is_none_or(|snapshot| snapshot.view.halted.is_some()) {
            self.withdraw("a run that was stopped");
        }
        match snapshot {
            Some(snapshot) => self.show_run(snapshot),
            None => self.change().run = None,
        }
    }

    /// The run in progress has ended.
    pub(crate) fn over(&mut self, run: &str) {
        let phase = match &self.status.phase {
            Phase::Ending { fault, .. } => Phase::Ending { active: None, fault: fault.clone() },
            Phase::Preparing { fault, .. } | Phase::MakingSafe { fault, .. } => {
                Phase::MakingSafe { run: run.to_owned(), fault: fault.clone() }
            }
            Phase::Starting | Phase::Idle(_) | Phase::Running(_) | Phase::Faulted(_) => {
                Phase::MakingSafe { run: run.to_owned(), fault: None }
            }
        };
        self.change().phase = phase;
    }

    /// A start gave no run, or a run gave no record. The runs that wait are withdrawn.
    pub(crate) fn failed(&mut self, run: String, why: NoVerdict) {
        if let NoVerdict::NoRun(why) = &why {
            self.change().never_begins(run.clone(), format!("could not begin: {why}"));
        }
        self.missing = Some(run);
        self.withdraw("a run that failed");
        let status = self.change();
        status.run = None;
        status.failed = Some(why);
    }

    /// Runs that have a journal and no record yet.
    pub(crate) fn owe(&mut self, owed: Vec<OwedRun>) {
        self.change().owed = owed;
    }

    /// An owed record was made. If no run came after it, its verdict is shown.
    pub(crate) fn settled(&mut self, snapshot: RunSnapshot) {
        let shown = self.status.run.as_ref().map(|shown| shown.run()).or(self.missing.as_deref());
        if shown == Some(snapshot.run()) {
            self.change().failed = None;
            self.show_run(snapshot);
        }
    }

    /// A look at the rig between runs reports its findings. On a rig that is not ready the runs that wait are withdrawn.
    pub(crate) fn found(&mut self, look: Look, found: Result<Rest, Fault>) {
        if found.is_err() {
            self.lost_sight();
            self.withdraw("a rig that is not ready");
        }
        let fault = found.as_ref().err().cloned();
        let phase = match (look, &self.status.phase) {
            (_, Phase::Ending { active, .. }) => Phase::Ending { active: active.clone(), fault },
            (Look::AtRest, _) => found.map_or_else(Phase::Faulted, Phase::Idle),
            // Whatever was wrong: the run does not begin, also if the rig is well again.
            (Look::Meanwhile, Phase::Preparing { active, barred, .. }) => Phase::Preparing {
                active: active.clone(),
                fault: fault.clone(),
                barred: barred.clone().or(fault),
            },
            (Look::Meanwhile, Phase::MakingSafe { run, .. }) => Phase::MakingSafe { run: run.clone(), fault },
            (Look::Meanwhile, Phase::Starting | Phase::Idle(_) | Phase::Running(_) | Phase::Faulted(_)) => {
                return;
            }
        };
        self.wanted |= matches!(phase, Phase::Idle(_)) && !self.queue.is_empty();
        self.change().phase = phase;
    }

    /// A scan reports whether plugs are seen, by position; positions whose plug the rig cannot see are left out.
    pub(crate) fn saw_plugs(&mut self, seen: &[(u8, bool)]) {
        for (position, present) in seen {
            self.plugs.saw(*position, *present);
            if !present {
                self.unplugged.insert(*position);
            }
        }
    }

    /// Shows at which positions a plug is seen; `None` if the last look failed.
    pub(crate) fn show_plugs(&mut self, seen: Option<&[(u8, bool)]>) {
        for index in 0..self.status.round.places.len() {
            let place = &self.status.round.places[index];
            let now = seen.into_iter().flatten().find(|(position, _)| *position == place.position);
            let present = place.present.map(|_| now.is_some_and(|(_, present)| *present));
            if present != place.present {
                self.change().round.places[index].present = present;
            }
        }
    }

    /// The plugs are out of sight: any of them may be pulled.
    pub(crate) fn lost_sight(&mut self) {
        self.unseen.extend(self.status.round.places.iter().map(|place| place.position));
        self.plugs.lost_sight();
    }

    /// A new preview of the rig's sheets on the disk.
    pub(crate) fn foresee(&mut self, preview: Arc<SheetPreview>) {
        self.change().preview = preview;
    }

    /// The last run before the daemon began has no record yet, or none that can be read: no verdict of an earlier run is shown in its place.
    pub(crate) fn begin_without_verdict(&mut self, last: Unmade) {
        let Unmade { owed, why, to_make, .. } = last;
        self.missing = Some(owed.run.clone());
        let status = self.change();
        status.owed = to_make.then_some(owed).into_iter().collect();
        status.failed = Some(if to_make { NoVerdict::NoRecord(why) } else { NoVerdict::Untrusted(why) });
    }

    /// The last run before the daemon began, and whether its verdict was acknowledged.
    pub(crate) fn begin_with(&mut self, last: RunSnapshot, seen: bool) {
        let status = self.change();
        status.seen = seen.then(|| last.run().to_owned());
        status.run = Some(Arc::new(last));
    }
}
