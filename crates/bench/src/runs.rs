//! The runs of a bench as folders, each with journal, record, report and trace.

mod copies;
pub(crate) mod genuine;
mod insert;
mod open;
mod read_records;
mod retest;
mod suspect;

use crate::calendar::Calendar;
use crate::chain::chain;
use crate::disk_times::DiskTimes;
use crate::index::Index;
use crate::listing::{keep_place, place_after, place_before};
use crate::run_entry::RunEntry;
use crate::snapshot::RunSnapshot;
use crate::status::OwedRun;
use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use thiserror::Error;
use tripbench_record::{Record, Verdict};
use tripbench_runner::{JobError, Today, disk, folder};

/// File in the folder of a run that marks its verdict as acknowledged.
const SEEN: &str = "seen";

/// Why the folder of runs cannot be opened.
#[derive(Debug, Error)]
pub enum RunsError {
    /// Another daemon uses it.
    #[error("another daemon uses the folder of runs `{}`: give each daemon its own (`runs` in the bench sheet)", .0.display())]
    Taken(PathBuf),
    /// Its file system has no locks.
    #[error(
        "the file system of the folder of runs `{}` has no locks ({source}), so that a second daemon could use it too: give the daemon a folder on a local disk (`runs` in the bench sheet)",
        folder.display()
    )]
    NoLocks {
        /// The folder.
        folder: PathBuf,
        /// Cause.
        source: std::io::Error,
    },
    /// It cannot be created, locked or read.
    #[error(transparent)]
    Folder(#[from] JobError),
}

/// The folder of all runs.
#[derive(Debug)]
pub struct Runs {
    folder: PathBuf,
    /// Finished runs in the order in which they began, the newest last.
    entries: Mutex<Vec<RunEntry>>,
    index: Index,
    calendar: Calendar,
    /// Number of the next run.
    next: AtomicU64,
    /// The last place that was given in the order in which finished runs are listed.
    listed: AtomicU64,
    /// Runs of earlier daemons whose records could not be made yet.
    unmade: Mutex<Vec<Unmade>>,
    /// Whether the last run of every rig is shown. Before that, no record is made: its run would be taken for no longer the last one.
    shown: AtomicBool,
    /// Locked as long as this daemon uses the folder.
    lock: Mutex<Option<File>>,
    /// How long its disk may take.
    pub(crate) times: DiskTimes,
    /// Number of threads that make records now.
    pub(crate) makers: AtomicUsize,
}

/// A run of an earlier daemon that has no record yet, or whose files cannot be trusted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Unmade {
    /// The run.
    pub(crate) owed: OwedRun,
    /// Its rig.
    pub(crate) rig: String,
    /// Its number in the folder of runs.
    pub(crate) number: Option<u64>,
    /// Why the record could not be made or read.
    pub(crate) why: String,
    /// Whether the record is to be made. One that exists is left alone, even if it cannot be read.
    pub(crate) to_make: bool,
}

impl Unmade {
    /// A listed run without a verdict that is known to be right: its files cannot be trusted, or two folders have different records of it.
    /// `None` for any other.
    fn listed(entry: &RunEntry) -> Option<Self> {
        let disputed = || {
            format!(
                "`{}` and a copy of it beside it contain different records of one run: move the wrong one elsewhere, and start the daemon again",
                entry.folder.display()
            )
        };
        let why = entry.untrusted.clone().or_else(|| (!entry.others.is_empty()).then(disputed))?;
        let owed = OwedRun { run: entry.run.clone(), folder: entry.folder.clone() };
        Some(Self { owed, rig: entry.rig.clone(), number: entry.number, why, to_make: false })
    }
}

/// The last run of a rig before the daemon started.
#[derive(Debug)]
pub(crate) enum Last {
    /// It has a record; and whether its verdict was acknowledged.
    Kept(Box<RunSnapshot>, bool),
    /// Its record could not be made yet, or cannot be read: an earlier verdict is not the last one.
    Unmade(Unmade),
}

impl Runs {
    /// The runs of a folder that has not been opened yet.
    #[cfg(test)]
    pub(crate) fn of(path: &Path) -> Self {
        Self::with(path, DiskTimes::default())
    }

    /// The same; `times` say how long its disk may take.
    pub(crate) fn with(path: &Path, times: DiskTimes) -> Self {
        Self {
            times,
            makers: AtomicUsize::new(0),
            folder: path.to_owned(),
            entries: Mutex::default(),
            index: Index::of(path),
            calendar: Calendar::of(path),
            next: AtomicU64::new(1),
            listed: AtomicU64::new(0),
            unmade: Mutex::default(),
            shown: AtomicBool::new(false),
            lock: Mutex::default(),
        }
    }

    fn entries(&self) -> MutexGuard<'_, Vec<RunEntry>> {
        self.entries.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The date by which calibrations are judged. Writes to the disk, which may hang, once a day.
    pub(crate) fn today(&self) -> Today {
        self.calendar.today(Today::by_clock().clock)
    }

    /// Gives a run its number, and creates its folder, whose name contains local time, rig and number.
    ///
    /// # Errors
    /// If the folder cannot be created.
    pub(crate) fn folder(&self, rig: &str, run: &str) -> Result<(PathBuf, u64), JobError> {
        let number = self.next.fetch_add(1, Ordering::SeqCst);
        self.listed.fetch_max(place_before(run).unwrap_or(0), Ordering::SeqCst);
        let name = suspect::folder_name(rig, number, run);
        let path = folder::folder(Some(&self.folder.join(&name)), &name)?;
        Ok((path, number))
    }

    /// Adds a finished run; `sha256` is that of its record. A run that was added already, by an attempt that hung for a while, is not added
    /// again: its record is the same.
    pub(crate) fn add(&self, path: &Path, record: &Record, sha256: String) {
        let Some(entry) = self.insert(RunEntry::of(path, record, sha256)) else { return };
        // Without its line the record is read at the next start.
        if let Err(error) = self.index.add(&entry) {
            tracing::warn!(run = entry.run, error = chain(&error), "cannot add the run to the index of runs");
        }
    }

    /// The next place in the order of listing. Called with the entries locked.
    fn next_place(&self) -> u64 {
        let place = place_after(self.listed.load(Ordering::SeqCst));
        self.listed.store(place, Ordering::SeqCst);
        place
    }

    /// Place of a finished run in the order in which the runs were listed; `None` if it is not there, for example because its folder was
    /// deleted.
    pub fn place(&self, run: &str) -> Option<u64> {
        self.entry(run).map(|entry| entry.listed)
    }

    /// Finished runs of one rig or of all, the newest first.
    pub fn newest(&self, rig: Option<&str>, most: usize) -> Vec<RunEntry> {
        let entries = self.entries();
        let wanted = entries.iter().rev().filter(|entry| rig.is_none_or(|rig| entry.is_of(rig)));
        wanted.take(most).cloned().collect()
    }

    /// Finished runs of one rig or of all that were listed behind a place, in the order in which they were listed. A place that lies
    /// in the future is of a list that was lost before the clock was set back: nothing says what was listed behind it, so all runs are
    /// returned.
    pub fn listed_after(&self, rig: Option<&str>, place: u64) -> Vec<RunEntry> {
        let is_lost = place > self.listed.load(Ordering::SeqCst) && place > place_after(0);
        if !is_lost {
            // Also if the runs at that place and the index are gone, a later run is listed behind it.
            self.listed.fetch_max(place, Ordering::SeqCst);
        }
        let mut later = self.newest(rig, usize::MAX);
        later.retain(|entry| is_lost || entry.listed > place);
        later.sort_by_key(|entry| entry.listed);
        later
    }

    /// Number of devices tested, by rig and verdict.
    pub fn counts(&self) -> Vec<(String, Verdict, usize)> {
        let mut counts: BTreeMap<(String, Verdict), usize> = BTreeMap::new();
        for entry in self.entries().iter() {
            for verdict in entry.positions.iter().filter_map(|position| position.verdict) {
                *counts.entry((entry.rig.clone(), verdict)).or_default() += 1;
            }
        }
        counts.into_iter().map(|((rig, verdict), count)| (rig, verdict, count)).collect()
    }

    /// Folder of a finished run.
    pub fn find(&self, run: &str) -> Option<PathBuf> {
        self.entry(run).map(|entry| entry.folder)
    }

    /// A finished run.
    pub(crate) fn entry(&self, run: &str) -> Option<RunEntry> {
        self.entries().iter().find(|entry| entry.run == run).cloned()
    }

    /// Stores that the verdict of a run was acknowledged, for the next start of the daemon.
    pub fn mark_seen(&self, run: &str) {
        let Some(entry) = self.entry(run) else { return };
        if let Err(error) = disk::write_file(&entry.folder.join(SEEN), b"") {
            tracing::warn!(run, %error, "cannot store that its verdict was acknowledged");
        }
    }

    /// Runs of a rig that an earlier daemon left open and that have no record yet, in the order in which they began. Each is returned once.
    pub(crate) fn take_unmade(&self, rig: &str) -> Vec<Unmade> {
        if !self.shown.load(Ordering::SeqCst) {
            return Vec::new();
        }
        let mut unmade = self.unmade.lock().unwrap_or_else(PoisonError::into_inner);
        unmade.extract_if(.., |one| one.to_make && one.rig == rig).collect()
    }

    /// The last run of every rig has been read with [`Self::last`].
    pub(crate) fn are_shown(&self) {
        self.shown.store(true, Ordering::SeqCst);
    }
}

/// Keeps the place of a run in its folder. Without it the index alone has it, and of a run whose record cannot be trusted nothing has.
fn keep(entry: &RunEntry) {
    if let Err(error) = keep_place(&entry.folder, entry.listed) {
        tracing::warn!(run = entry.run, %error, "cannot store the place of the run in the list of runs");
    }
}

#[cfg(test)]
mod tests;
