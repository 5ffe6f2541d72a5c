//! Records that could not be made: they are owed, and tried again.

use super::Worker;
use super::patience::Patience;
use crate::keep::{PendingRecord, make};
use crate::runs::Unmade;
use crate::snapshot::RunSnapshot;
use std::time::Duration;
use tripbench_quantity::Mono;
use tripbench_record::Halt;

/// Time between two attempts to make a record.
const TRY_EVERY: Duration = Duration::from_secs(10);

impl Worker {
    /// Tries again to make a record: a full disk may have space by now. The rig is looked at meanwhile.
    pub(super) fn settle(&mut self) {
        self.take_unmade();
        let now = self.rig.heartbeat.now();
        match self.making.take_if(|(_, thread, _)| thread.is_finished()) {
            Some((owed, thread, _)) => {
                (self.tried, self.patience) = (Some(now), Patience::default());
                match thread.join() {
                    Ok(Ok(made)) => self.settled(&owed, made),
                    // Try the next record first next time: this one may never succeed.
                    Ok(Err(_)) | Err(_) => self.owed.push_back(owed),
                }
            }
            None if self.making.is_none() && self.tried.is_none_or(|tried| now.since(tried) >= TRY_EVERY) => {
                let Some(owed) = self.owed.pop_front() else { return };
                match make(owed.clone(), &self.runs) {
                    Ok(thread) => self.making = Some((owed, thread, now)),
                    Err(_) => self.owed.push_back(owed),
                }
            }
            None => self.give_up(now),
        }
    }

    /// Gives up an attempt that hangs, so that another one is made: the disk may be well again.
    fn give_up(&mut self, now: Mono) {
        let patience = &mut self.patience;
        if let Some((owed, ..)) = self.making.take_if(|(.., since)| patience.gives_up(now.since(*since))) {
            tracing::warn!(
                rig = self.rig.name,
                run = owed.run.run,
                "an attempt to make its record hangs: it is made again"
            );
            self.owed.push_back(owed);
        }
    }

    /// Takes over the runs that an earlier daemon left without a record.
    fn take_unmade(&mut self) {
        let unmade = self.runs.take_unmade(&self.rig.name);
        let Some(last) = unmade.last() else { return };
        if self.last.is_empty() {
            self.last.clone_from(&last.owed.run);
        }
        // They were tried just before.
        self.tried = Some(self.rig.heartbeat.now());
        let owed = |one: Unmade| PendingRecord { run: one.owed, sheets: None, halt: Halt::Killed };
        self.owed.extend(unmade.into_iter().map(owed));
        self.tell_owed();
    }

    fn settled(&self, owed: &PendingRecord, made: Option<RunSnapshot>) {
        let run = &owed.run.run;
        tracing::info!(rig = self.rig.name, run, "owed record made");
        self.tell_owed();
        if let Some(made) = made.filter(|_| self.last == *run) {
            self.rig.post(move |owner| owner.settled(made));
        }
    }

    /// Reports to the owner which runs have no record yet.
    pub(super) fn tell_owed(&self) {
        let making = self.making.iter().map(|(owed, ..)| owed);
        let owed = self.owed.iter().chain(making).map(|owed| owed.run.clone()).collect();
        self.rig.post(move |owner| owner.owe(owed));
    }
}
