//! Records that could not be made: they are owed, and tried again.

use super::Worker;
use crate::chain::chain;
use crate::keep::{PendingRecord, make};
use crate::snapshot::RunSnapshot;
use std::thread::JoinHandle;
use tripbench_record::Halt;

impl Worker {
    /// Tries again to make a record: a full disk may have space by now, and one that hung may be well. The rig is looked at meanwhile.
    pub(super) fn settle(&mut self) {
        self.take_unmade();
        let now = self.rig.heartbeat.now();
        for (owed, thread) in self.ledger.ended(now, JoinHandle::is_finished) {
            // One that failed stays owed.
            if let Ok(Ok(made)) = thread.join() {
                self.ledger.paid(&owed.run.run);
                self.settled(&owed, made);
            }
        }
        for run in self.ledger.given_up(now) {
            tracing::warn!(rig = self.rig.name, run, "making its record has hung; trying again");
        }
        if let Some(owed) = self.ledger.due(now) {
            let run = owed.run.run.clone();
            match make(owed, &self.runs) {
                Ok(thread) => self.ledger.began(&run, thread, now),
                Err(error) => tracing::warn!(rig = self.rig.name, run, error = chain(&error), "no attempt"),
            }
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
        let now = self.rig.heartbeat.now();
        for one in unmade {
            self.ledger.owe(PendingRecord { run: one.owed, sheets: None, halt: Halt::Killed }, now);
        }
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
        let owed = self.ledger.owed();
        self.rig.post(move |owner| owner.owe(owed));
    }
}
