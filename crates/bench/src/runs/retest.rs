//! Runs that test devices of earlier runs again, and the last run of a rig.

use super::{Last, Runs, SEEN, Unmade};
use crate::run_entry::RunEntry;
use crate::snapshot::{Beside, RunSnapshot};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, PoisonError};
use tripbench_record::Halt;
use tripbench_runner::{carried, fold_journal, folder, load};
use tripbench_sheet::Findings;

/// Most retests of a device that are followed: a guard against cycles.
const MOST_REPEATS: u16 = 1_000;

impl Runs {
    /// The runs that test a position of `run` again.
    pub(crate) fn repeats_of(&self, run: &str, position: u8) -> Vec<RunEntry> {
        let repeats = |entry: &&RunEntry| {
            entry.again.as_deref() == Some(run) && entry.positions.iter().any(|one| one.position == position)
        };
        self.entries().iter().filter(repeats).cloned().collect()
    }

    /// The last run that tests a position of `run` again.
    pub(crate) fn repeat_of(&self, run: &str, position: u8) -> Option<RunEntry> {
        self.repeats_of(run, position).pop()
    }

    /// The devices of a round, each with its latest run; positions in `but` are left out. `run` is any run of the round.
    pub(crate) fn beside(&self, run: &str, but: &[u8]) -> Vec<Beside> {
        let Some(mut first) = self.entry(run) else { return Vec::new() };
        // A run that names itself would loop forever.
        let mut steps = 0;
        while let Some(earlier) = first.again.as_deref().and_then(|run| self.entry(run)) {
            first = earlier;
            steps += 1;
            if steps > MOST_REPEATS {
                return Vec::new();
            }
        }
        let mut known: BTreeMap<String, Option<Arc<RunSnapshot>>> = BTreeMap::new();
        let mut beside = Vec::new();
        for position in first.positions.iter().map(|one| one.position).filter(|number| !but.contains(number))
        {
            let mut latest = first.clone();
            let mut steps = 0;
            while let Some(later) = self.repeat_of(&latest.run, position).filter(|_| steps < MOST_REPEATS) {
                latest = later;
                steps += 1;
            }
            // Its verdict is not known, and an earlier one is not the last.
            if Unmade::listed(&latest).is_some() {
                continue;
            }
            let snapshot =
                known.entry(latest.run.clone()).or_insert_with(|| kept(&latest.folder).map(Arc::new));
            beside.extend(snapshot.iter().cloned().map(|snapshot| Beside { position, snapshot }));
        }
        beside
    }

    /// The last run of a rig, with the other devices of its round if it tests one of them again.
    pub(crate) fn last(&self, rig: &str) -> Option<Last> {
        let entry = self.newest(Some(rig), 1).pop();
        // Not locked any more when the disk is waited for.
        let unmade = {
            let all = self.unmade.lock().unwrap_or_else(PoisonError::into_inner);
            all.iter().rfind(|one| one.rig == rig).cloned()
        };
        let order = entry.as_ref().map_or(0, |entry| entry.order().0);
        if let Some(unmade) = unmade.filter(|unmade| unmade.number.unwrap_or(0) >= order) {
            return Some(Last::Unmade(unmade));
        }
        let entry = entry?;
        if let Some(unmade) = Unmade::listed(&entry) {
            return Some(Last::Unmade(unmade));
        }
        let mut snapshot = kept(&entry.folder)?;
        if entry.again.is_some() {
            let own: Vec<u8> = snapshot.header.positions.iter().map(|plan| plan.number).collect();
            snapshot.beside = self.beside(&entry.run, &own);
        }
        Some(Last::Kept(Box::new(snapshot), entry.folder.join(SEEN).exists()))
    }
}

/// Reads a finished run from its folder.
fn kept(of: &Path) -> Option<RunSnapshot> {
    let mut view = fold_journal(&of.join(folder::JOURNAL), Halt::Killed).ok()?.view;
    let sheets = load(&carried(view.header.as_ref()?, false), &Findings::new()).sheets?;
    view.drop_stretches();
    Some(RunSnapshot { kept: true, ..RunSnapshot::new(view, sheets, of.to_owned())? })
}
