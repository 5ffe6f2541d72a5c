//! Which records of a rig are owed, which attempts to make them are in progress or hang, and which is tried next. Knows no thread, no disk
//! and no clock.

use super::patience::Patience;
use crate::disk_times::DiskTimes;
use crate::keep::PendingRecord;
use crate::status::OwedRun;
use std::collections::VecDeque;
use tripbench_quantity::Mono;

/// Most attempts at one record that hang: the next one is made once one of them has ended. An attempt cannot be ended from outside.
const MOST_HANG: usize = 4;

/// Records that are owed; `T` is an attempt to make one.
#[derive(Debug)]
pub(super) struct Ledger<T> {
    /// The one that is tried next comes first.
    owed: VecDeque<Owed<T>>,
    /// When the last attempt began or ended.
    tried: Option<Mono>,
    times: DiskTimes,
}

/// A record that is owed.
#[derive(Debug)]
struct Owed<T> {
    record: PendingRecord,
    /// How long the next attempt may take. It is the record's own: an attempt at another one says nothing of it.
    patience: Patience,
    attempts: Vec<Attempt<T>>,
}

/// An attempt that has not ended.
#[derive(Debug)]
struct Attempt<T> {
    of: T,
    since: Mono,
    is_given_up: bool,
}

impl<T> Ledger<T> {
    pub(super) const fn new(times: DiskTimes) -> Self {
        Self { owed: VecDeque::new(), tried: None, times }
    }

    /// A record is owed from now on, and is not tried for a while.
    pub(super) fn owe(&mut self, record: PendingRecord, now: Mono) {
        let patience = Patience::of(self.times.hangs_after);
        self.owed.push_back(Owed { record, patience, attempts: Vec::new() });
        self.tried = Some(now);
    }

    /// The record exists.
    pub(super) fn paid(&mut self, run: &str) {
        self.owed.retain(|owed| owed.record.run.run != run);
    }

    /// An attempt has begun.
    pub(super) fn began(&mut self, run: &str, of: T, since: Mono) {
        if let Some(owed) = self.owed.iter_mut().find(|owed| owed.record.run.run == run) {
            owed.attempts.push(Attempt { of, since, is_given_up: false });
        }
    }

    /// Takes the attempts that have ended, also those that were given up. A record stays owed until it is paid.
    pub(super) fn ended(&mut self, now: Mono, has_ended: impl Fn(&T) -> bool) -> Vec<(PendingRecord, T)> {
        let mut ended = Vec::new();
        for owed in &mut self.owed {
            let over = owed.attempts.extract_if(.., |attempt| has_ended(&attempt.of));
            ended.extend(over.map(|attempt| (owed.record.clone(), attempt.of)));
        }
        if !ended.is_empty() {
            self.tried = Some(now);
        }
        ended
    }

    /// Gives up the attempts that hang, so that another one is made: the disk may be well again. Returns their runs.
    pub(super) fn given_up(&mut self, now: Mono) -> Vec<String> {
        let mut runs = Vec::new();
        for owed in &mut self.owed {
            for attempt in owed.attempts.iter_mut().filter(|attempt| !attempt.is_given_up) {
                if owed.patience.gives_up(now.since(attempt.since)) {
                    attempt.is_given_up = true;
                    runs.push(owed.record.run.run.clone());
                }
            }
        }
        runs
    }

    /// The record of which the next attempt is due, if one is. All are tried in turn: one may never succeed.
    pub(super) fn due(&mut self, now: Mono) -> Option<PendingRecord> {
        let is_trying = self.owed.iter().flat_map(|owed| &owed.attempts).any(|attempt| !attempt.is_given_up);
        if is_trying || self.tried.is_some_and(|tried| now.since(tried) < self.times.try_every) {
            return None;
        }
        let next = self.owed.iter().position(|owed| owed.attempts.len() < MOST_HANG)?;
        let owed = self.owed.remove(next)?;
        let record = owed.record.clone();
        self.owed.push_back(owed);
        self.tried = Some(now);
        Some(record)
    }

    /// The runs whose records are owed.
    pub(super) fn owed(&self) -> Vec<OwedRun> {
        self.owed.iter().map(|owed| owed.record.run.clone()).collect()
    }
}

#[cfg(test)]
mod tests;
