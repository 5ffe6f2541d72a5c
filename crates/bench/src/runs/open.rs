//! Opens the folder of runs at the start of the daemon.

use super::copies::{begun, longest_first, take_copies};
use super::read_records::still_starting;
use super::suspect::{named_number, never_began, suspect};
use super::{Runs, RunsError, Unmade, keep};
use crate::chain::chain;
use crate::index::Largest;
use crate::listing::place_of;
use crate::run_entry::RunEntry;
use crate::status::OwedRun;
use rustix::io::Errno;
use std::collections::BTreeSet;
use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};
use std::sync::PoisonError;
use std::sync::atomic::Ordering;
use tripbench_record::{Halt, RunHeader};
use tripbench_runner::{JobError, carried, disk, fold_journal, folder, load};
use tripbench_sheet::Findings;

/// How the runs became known.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Opened {
    /// Number of runs taken from the index.
    pub(crate) indexed: usize,
    /// Number of runs whose records were read.
    pub(crate) read: usize,
    /// Folders of copies of runs, which do not count.
    pub(crate) copies: Vec<PathBuf>,
}

/// Files of a run: a folder that has one of them has a run, or what is left of it.
const FILES: [&str; 4] = [folder::JOURNAL, folder::RECORD, folder::TRACE, folder::REPORT];

impl Runs {
    /// Creates and locks the folder, closes runs left open in it as aborted, and lists all runs: from the index as far as it fits the
    /// records, the others from their records.
    ///
    /// # Errors
    /// If another daemon uses the folder, or it cannot be created, locked or read.
    pub(crate) fn open(&self) -> Result<Opened, RunsError> {
        self.open_telling(&still_starting)
    }

    /// As [`Self::open`]; `progress` is told before each record how many were read, and how many there are to read.
    pub(super) fn open_telling(&self, progress: &dyn Fn(usize, usize)) -> Result<Opened, RunsError> {
        let path = &self.folder;
        let bad = |what| move |source| JobError::File { what, path: path.clone(), source };
        disk::create_folders(path).map_err(bad("create the folder"))?;
        self.take_lock()?;
        let there = std::fs::read_dir(path).map_err(bad("read the folder"))?;
        let mut folders: Vec<PathBuf> = there.flatten().map(|entry| entry.path()).collect();
        let named = folders.iter().filter_map(|one| named_number(one)).max().unwrap_or(0);
        folders.retain(|one| FILES.iter().any(|file| one.join(file).exists()));
        folders.sort();
        let mut known = self.index.read();
        let mut opened = Opened::default();
        let (mut entries, mut to_read, mut left_open) = (Vec::new(), Vec::new(), Vec::new());
        for one in &folders {
            if let Some(entry) = known.take(one) {
                opened.indexed += 1;
                entries.push(entry);
            } else if one.join(folder::RECORD).exists() {
                to_read.push(one);
            } else {
                left_open.push(one);
            }
        }
        let unread = self.read_all(&to_read, &known, &mut entries, progress);
        opened.read = to_read.len() - unread.len();
        let copies = take_copies(&mut entries);
        // The index has none of them.
        let copies_read = copies.iter().filter(|copy| !copy.indexed).count();
        let no_copy_listed = copies_read == copies.len();
        let copies_only = known.fits(opened.read - copies_read) && no_copy_listed;
        entries.sort_by_key(RunEntry::order);
        let all_placed = self.give_places(&mut entries, known.largest());
        let largest = entries.iter().fold(known.largest(), Largest::with);
        if !(copies_only && all_placed) {
            // The records are there: without the index the next start only takes longer.
            if let Err(error) = self.index.write(&entries, largest) {
                tracing::warn!(folder = %path.display(), error = chain(&error), "cannot write the index of runs");
            }
        }
        let dates = entries.iter().filter_map(|entry| entry.started.get(..10)?.parse().ok());
        self.calendar.open(dates.max());
        tell_of(&entries);
        let disputed = entries.iter_mut().filter(|entry| !entry.others.is_empty());
        disputed.for_each(RunEntry::drop_verdicts);
        *self.entries() = entries;
        opened.copies = copies.into_iter().map(|copy| copy.folder).collect();
        for (one, error) in unread {
            opened.copies.extend(self.list_untrusted(suspect(one, known.former(one), chain(&error))));
        }
        longest_first(&mut left_open);
        for one in left_open {
            if self.is_known(one) {
                opened.copies.push(one.clone());
            } else {
                opened.copies.extend(self.close(one));
            }
        }
        for copy in &opened.copies {
            tracing::warn!(folder = %copy.display(), "a copy of a run that is in another folder: it is not counted");
        }
        self.next.store(self.number_after(largest.number.max(named)), Ordering::SeqCst);
        Ok(opened)
    }

    /// A number that no run has had, behind `largest` and those of all runs. Each run whose number is lost had one too.
    fn number_after(&self, largest: u64) -> u64 {
        let entries = self.entries();
        let unmade = self.unmade.lock().unwrap_or_else(PoisonError::into_inner);
        let listed = entries.iter().filter_map(|entry| entry.number);
        let owed = unmade.iter().filter_map(|one| one.number);
        let lost = entries.iter().filter(|entry| entry.may_be_last()).count();
        listed.chain(owed).fold(largest, u64::max).saturating_add(1 + lost as u64)
    }

    /// Gives each run that was never listed the next place, in the order in which they began. Returns whether all had one. A place that two
    /// runs have, because a file was copied, is that of the first.
    fn give_places(&self, entries: &mut [RunEntry], largest: Largest) -> bool {
        let largest = entries.iter().fold(largest, Largest::with);
        self.listed.store(largest.listed, Ordering::SeqCst);
        let (mut given, mut all_had_one) = (BTreeSet::from([0]), true);
        for entry in entries {
            if !given.insert(entry.listed) {
                entry.listed = self.next_place();
                keep(entry);
                all_had_one = false;
            }
        }
        all_had_one
    }

    /// Whether a run is already listed, or owed, from another folder.
    fn is_known(&self, one: &Path) -> bool {
        begun(one).is_some_and(|header| self.is_one_of_these(&header.run))
    }

    /// Whether a run is already listed, or owed.
    fn is_one_of_these(&self, run: &str) -> bool {
        let unmade = self.unmade.lock().unwrap_or_else(PoisonError::into_inner);
        unmade.iter().any(|other| other.owed.run == run) || self.find(run).is_some()
    }

    /// Locks the folder itself: a file in it could belong to another user, or be deleted.
    fn take_lock(&self) -> Result<(), RunsError> {
        let path = &self.folder;
        let bad = |source| JobError::File { what: "open the folder", path: path.clone(), source };
        let opened = File::open(path).map_err(bad)?;
        opened.try_lock().map_err(|error| not_locked(path, error))?;
        *self.lock.lock().unwrap_or_else(PoisonError::into_inner) = Some(opened);
        Ok(())
    }

    /// Closes a run that was left open, and makes its record. If that fails, for example on a full disk, the record is owed. If the run
    /// cannot be known from its journal, its files are damaged. Returns its folder if it is a copy of a run that is known from another one.
    fn close(&self, one: &Path) -> Option<PathBuf> {
        let Some(header) = begun(one) else {
            if never_began(one) {
                tracing::warn!(folder = %one.display(), "a run that never began");
                return None;
            }
            let why = format!(
                "`{}` has no record, and its journal does not begin with the start of a run: its files are damaged",
                one.display()
            );
            return self.list_untrusted(suspect(one, None, why));
        };
        match self.make(one) {
            Ok(()) => tracing::warn!(folder = %one.display(), "a run was left open and is closed as aborted"),
            Err(error) => self.owe(one, header, &error),
        }
        None
    }

    /// Keeps in mind that a run has no record yet.
    fn owe(&self, one: &Path, header: RunHeader, error: &JobError) {
        tracing::error!(folder = %one.display(), error = chain(error), "a run has no record yet");
        let mut unmade = self.unmade.lock().unwrap_or_else(PoisonError::into_inner);
        unmade.push(Unmade {
            owed: OwedRun { run: header.run, folder: one.to_owned() },
            rig: header.rig,
            number: header.number,
            why: chain(error),
            to_make: true,
        });
        unmade.sort_by_key(|one| one.number);
    }

    /// Lists a run whose files cannot be trusted, without anything that only the record says of it. The index never has it: its record is
    /// read at every start. Returns its folder if it is a copy of a run that is known from another one.
    fn list_untrusted(&self, entry: RunEntry) -> Option<PathBuf> {
        if self.is_one_of_these(&entry.run) {
            return Some(entry.folder);
        }
        let why = entry.untrusted.as_deref();
        tracing::error!(folder = %entry.folder.display(), why, "a run has a record that cannot be read or trusted");
        let listed = place_of(&entry.folder).unwrap_or(entry.listed);
        self.insert(RunEntry { listed, ..entry });
        None
    }

    fn make(&self, one: &Path) -> Result<(), JobError> {
        let view = fold_journal(&one.join(folder::JOURNAL), Halt::Killed)?.view;
        let (record, trace) = folder::record(&view).ok_or(JobError::NoRun)?;
        let sheets = load(&carried(&record.header, false), &Findings::new()).sheets.ok_or(JobError::NoRun)?;
        let sha256 = folder::write(one, &record, &trace, &sheets)?;
        self.add(one, &record, sha256);
        Ok(())
    }
}

/// Logs runs of which another folder has a different record.
fn tell_of(entries: &[RunEntry]) {
    for entry in entries.iter().filter(|entry| !entry.others.is_empty()) {
        let folder = entry.folder.display();
        tracing::error!(run = entry.run, %folder, others = ?entry.others, "a copy of this run has another record, and both are sound");
    }
}

/// Why a folder could not be locked.
pub(super) fn not_locked(folder: &Path, error: TryLockError) -> RunsError {
    let no_locks = [Errno::NOLCK, Errno::OPNOTSUPP, Errno::NOSYS, Errno::BADF];
    match error {
        TryLockError::WouldBlock => RunsError::Taken(folder.to_owned()),
        // A network file system without locks has no record of who uses it; some refuse to lock a folder by the error of a wrong file.
        TryLockError::Error(source)
            if no_locks.iter().any(|no| Some(no.raw_os_error()) == source.raw_os_error()) =>
        {
            RunsError::NoLocks { folder: folder.to_owned(), source }
        }
        TryLockError::Error(source) => {
            JobError::File { what: "lock the folder", path: folder.to_owned(), source }.into()
        }
    }
}
