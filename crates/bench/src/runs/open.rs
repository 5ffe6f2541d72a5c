//! Opens the folder of runs at the start of the daemon.

use super::copies::{begun, longest_first, take_copies};
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
use tripbench_record::{Halt, Record, sha256_hex};
use tripbench_runner::{JobError, carried, disk, fold_journal, folder, load, record_doubts};
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

impl Runs {
    /// Creates and locks the folder, closes runs left open in it as aborted, and lists all runs: from the index as far as it fits the
    /// records, the others from their records.
    ///
    /// # Errors
    /// If another daemon uses the folder, or it cannot be created, locked or read.
    pub(crate) fn open(&self) -> Result<Opened, RunsError> {
        let path = &self.folder;
        let bad = |what| move |source| JobError::File { what, path: path.clone(), source };
        disk::create_folders(path).map_err(bad("create the folder"))?;
        self.take_lock()?;
        let mut folders: Vec<PathBuf> = std::fs::read_dir(path)
            .map_err(bad("read the folder"))?
            .flatten()
            .map(|entry| entry.path())
            .filter(|one| one.join(folder::JOURNAL).exists())
            .collect();
        folders.sort();
        let mut known = self.index.read();
        let mut opened = Opened::default();
        let (mut entries, mut unread, mut left_open) = (Vec::new(), Vec::new(), Vec::new());
        for one in &folders {
            if let Some(entry) = known.take(one) {
                opened.indexed += 1;
                entries.push(entry);
            } else if one.join(folder::RECORD).exists() {
                match read(one) {
                    Ok((record, sha256)) => {
                        opened.read += 1;
                        let listed = place_of(one).unwrap_or(0);
                        entries.push(RunEntry { listed, ..RunEntry::of(one, &record, sha256) });
                    }
                    Err(error) => unread.push((one, error)),
                }
            } else {
                left_open.push(one);
            }
        }
        let copies = take_copies(&mut entries);
        // The index has none of them.
        let copies_read = copies.iter().filter(|copy| !copy.indexed).count();
        let no_copy_listed = copies_read == copies.len();
        let copies_only = known.fits(opened.read - copies_read) && no_copy_listed;
        entries.sort_by_key(RunEntry::order);
        let all_placed = self.give_places(&mut entries, known.largest());
        let mut largest = entries.iter().fold(known.largest(), Largest::with);
        if !(copies_only && all_placed) {
            // The records are there: without the index the next start only takes longer.
            if let Err(error) = self.index.write(&entries, largest) {
                tracing::warn!(folder = %path.display(), error = chain(&error), "cannot write the index of runs");
            }
        }
        let dates = entries.iter().filter_map(|entry| entry.started.get(..10)?.parse().ok());
        self.calendar.open(dates.max());
        tell_of(&entries);
        *self.entries() = entries;
        opened.copies = copies.into_iter().map(|copy| copy.folder).collect();
        for (one, error) in unread {
            if self.is_known(one) {
                opened.copies.push(one.clone());
            } else {
                largest.number = largest.number.max(self.owe(one, &error, false).unwrap_or(0));
                self.list_untrusted(one, &error);
            }
        }
        longest_first(&mut left_open);
        for one in left_open {
            if self.is_known(one) {
                opened.copies.push(one.clone());
            } else {
                largest.number = largest.number.max(self.close(one).unwrap_or(0));
            }
        }
        for copy in &opened.copies {
            tracing::warn!(folder = %copy.display(), "a copy of a run that is in another folder: it is not counted");
        }
        self.next.store(largest.number.saturating_add(1), Ordering::SeqCst);
        Ok(opened)
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
        let Some(header) = begun(one) else { return false };
        let unmade = self.unmade.lock().unwrap_or_else(PoisonError::into_inner);
        unmade.iter().any(|other| other.owed.run == header.run) || self.find(&header.run).is_some()
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

    /// Closes a run that was left open, and makes its record. If that fails, for example on a full disk, the record is owed. Returns the
    /// number of the run.
    fn close(&self, one: &Path) -> Option<u64> {
        match self.make(one) {
            Ok(()) => {
                tracing::warn!(folder = %one.display(), "a run was left open and is closed as aborted");
                begun(one).and_then(|header| header.number)
            }
            Err(error) => self.owe(one, &error, true),
        }
    }

    /// Keeps in mind that a run has no record, or none that can be read. Returns the number of the run.
    fn owe(&self, one: &Path, error: &JobError, to_make: bool) -> Option<u64> {
        tracing::error!(folder = %one.display(), error = chain(error), "a run has no record, or one that cannot be read");
        let header = begun(one)?;
        let mut unmade = self.unmade.lock().unwrap_or_else(PoisonError::into_inner);
        unmade.push(Unmade {
            owed: OwedRun { run: header.run, folder: one.to_owned() },
            rig: header.rig,
            number: header.number,
            why: chain(error),
            to_make,
        });
        unmade.sort_by_key(|one| one.number);
        header.number
    }

    /// Lists a run whose record cannot be trusted, without anything that only the record says of it. The index never has it: its record is
    /// read at every start.
    fn list_untrusted(&self, one: &Path, error: &JobError) {
        let Some(header) = begun(one) else { return };
        let sha256 = std::fs::read(one.join(folder::RECORD)).map(|bytes| sha256_hex(&bytes));
        let entry = RunEntry::untrusted(one, &header, sha256.unwrap_or_default(), chain(error));
        self.insert(RunEntry { listed: place_of(one).unwrap_or(0), ..entry });
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

/// Logs the runs that other folders tell differently.
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

/// The record in a folder, and the SHA-256 of its bytes. A record that contradicts the journal beside it is not believed.
fn read(run: &Path) -> Result<(Record, String), JobError> {
    let path = run.join(folder::RECORD);
    let bytes =
        std::fs::read(&path).map_err(|source| JobError::File { what: "read", path: path.clone(), source })?;
    let record = match serde_json::from_slice(&bytes) {
        Ok(record) => record,
        Err(source) => return Err(JobError::NotARecord { path, source }),
    };
    let doubts = record_doubts(run, &record, &bytes);
    if !doubts.is_empty() {
        return Err(JobError::NotTrusted { path, why: doubts.join("; ") });
    }
    Ok((record, sha256_hex(&bytes)))
}
