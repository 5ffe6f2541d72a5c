//! Follows a run, event by event: reports to the owner of the rig how far the run is, and every plug that is seen out.
//!
//! Called on the thread that writes the journal, after an event is recorded: it must be quick.

use crate::audience::RunListener;
use crate::owner::Owner;
use crate::rig::Rig;
use crate::snapshot::RunSnapshot;
use crate::waiting::Claim;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use tripbench_record::{Event, EventKind, LoadedSheets, RunView};
use tripbench_rig::{Decoder, Scan};

/// Least time between two statuses that are published because of new results, seconds.
const STATUS_S: f64 = 0.1;
/// Number of scans at the start of a run after each of which the owner checks that the devices are still the intended ones. Later the
/// engine sees a plug that is pulled.
const FIRST_SCANS: u8 = 2;

/// Follows one run.
pub(crate) struct Follower {
    rig: Arc<Rig>,
    sheets: Arc<LoadedSheets>,
    folder: PathBuf,
    claim: Claim,
    decoder: Decoder,
    listener: Box<dyn RunListener>,
    view: RunView,
    /// Whether a result was found that is not published yet.
    due: bool,
    /// When the status was last published, seconds since the start of the run.
    told_s: f64,
    /// Whether the plug was seen, by position.
    plugs: BTreeMap<u8, bool>,
    /// Number of scans so far, up to `FIRST_SCANS`.
    scans: u8,
}

impl Follower {
    pub(crate) fn new(rig: Arc<Rig>, sheets: Arc<LoadedSheets>, folder: PathBuf, claim: Claim) -> Self {
        let decoder = Decoder::new(sheets.rig.read_plan());
        let listener = rig.audience.run(&sheets);
        Self {
            rig,
            sheets,
            folder,
            claim,
            decoder,
            listener,
            view: RunView::default(),
            due: false,
            told_s: f64::NEG_INFINITY,
            plugs: BTreeMap::new(),
            scans: 0,
        }
    }

    /// Handles a recorded event.
    pub(crate) fn hear(&mut self, event: &Event) {
        self.view.fold(event);
        if let EventKind::Scan(scan) = &event.kind {
            self.look_at_plugs(scan);
        }
        // Each published status clones the view.
        self.view.drop_stretches();
        if matches!(event.kind, EventKind::Doubt(_)) {
            // Until the module answers again, any plug may be pulled.
            self.rig.post(Owner::lost_sight);
        }
        self.listener.hears(event, &self.view);
        let at_s = event.at.seconds();
        match what_changes(&event.kind) {
            Change::Nothing => {}
            Change::Soon => self.due = true,
            Change::AtOnce => return self.tell(at_s),
        }
        if self.due && at_s - self.told_s >= STATUS_S {
            self.tell(at_s);
        }
    }

    /// Reports to the owner how far the run is.
    fn tell(&mut self, at_s: f64) {
        self.listener.before_status(&self.view);
        (self.due, self.told_s) = (false, at_s);
        let snapshot = RunSnapshot::new(self.view.clone(), Arc::clone(&self.sheets), self.folder.clone());
        if let Some(snapshot) = snapshot {
            self.rig.post(move |owner| owner.snapshot(snapshot));
        }
    }

    /// Reports every scan that does not see a plug, also at positions that do not take part: it concerns the runs that wait, too.
    fn look_at_plugs(&mut self, scan: &Scan) {
        self.rig.sees_plugs();
        let mut seen = Vec::new();
        for position in &self.sheets.rig.positions {
            let number = *position.number;
            let bit = position.present.as_ref().and_then(|input| self.decoder.bit(scan, input));
            let Some(present) = bit.map(|bit| bit.on) else { continue };
            if self.plugs.insert(number, present) != Some(present) || !present {
                seen.push((number, present));
            }
        }
        if !seen.is_empty() {
            self.rig.post(move |owner| owner.saw_plugs(&seen));
        }
        if self.scans < FIRST_SCANS {
            self.scans += 1;
            self.rig.first_scan(self.claim.clone());
        }
    }
}

/// When an event changes the published status of a run.
enum Change {
    Nothing,
    /// Once the least time between two statuses has passed.
    Soon,
    AtOnce,
}

const fn what_changes(kind: &EventKind) -> Change {
    match kind {
        EventKind::Scan(_)
        | EventKind::Mark(_)
        | EventKind::Thrown(_)
        | EventKind::Ordered { .. }
        | EventKind::Confirmed { .. }
        | EventKind::AnswerRefused(_) => Change::Nothing,
        EventKind::Cycle(..) | EventKind::Check(_) | EventKind::Verdict { .. } => Change::Soon,
        EventKind::Started(_)
        | EventKind::StepBegan(_)
        | EventKind::StepDone(_)
        | EventKind::Guide(_)
        | EventKind::Asked { .. }
        | EventKind::Answered { .. }
        | EventKind::Waiting(_)
        | EventKind::GoesOn
        | EventKind::SetAside(_)
        | EventKind::Doubt(_)
        | EventKind::Halted(_)
        | EventKind::Safe
        | EventKind::NotSafe
        | EventKind::Recovered { .. }
        | EventKind::Ended { .. } => Change::AtOnce,
    }
}
