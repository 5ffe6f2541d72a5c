//! Opens the folder of runs at the start of the daemon.

use super::{Runs, RunsError, Unmade};
use crate::chain::chain;
use crate::run_entry::RunEntry;
use crate::status::OwedRun;
use rustix::io::Errno;
use std::collections::BTreeSet;
use std::fs::{File, TryLockError};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::sync::PoisonError;
use std::sync::atomic::Ordering;
use tripbench_record::{EventKind, Halt, Record, RunHeader, journal, sha256_hex};
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
                        entries.push(RunEntry::of(one, &record, sha256));
                    }
                    Err(error) => unread.push((one, error)),
                }
            } else {
                left_open.push(one);
            }
        }
        let copies = take_copies(&mut entries);
        // The index has none of them.
        let copies_read = copies.iter().filter(|copy| copy.listed == 0).count();
        let no_copy_listed = copies_read == copies.len();
        entries.sort_by_key(RunEntry::order);
        // Those that the index did not know come last.
        let mut listed = entries.iter().map(|entry| entry.listed).max().unwrap_or(0);
        for entry in entries.iter_mut().filter(|entry| entry.listed == 0) {
            listed += 1;
            entry.listed = listed;
        }
        let mut largest = entries.iter().filter_map(|entry| entry.number).max().unwrap_or(0);
        largest = largest.max(known.largest());
        if !(known.fits(opened.read - copies_read) && no_copy_listed) {
            // The records are there: without the index the next start only takes longer.
            if let Err(error) = self.index.write(&entries, largest) {
                tracing::warn!(folder = %path.display(), error = chain(&error), "cannot write the index of runs");
            }
        }
        let dates = entries.iter().filter_map(|entry| entry.started.get(..10)?.parse().ok());
        self.calendar.open(dates.max());
        *self.entries() = entries;
        opened.copies = copies.into_iter().map(|copy| copy.folder).collect();
        for (one, error) in unread {
            if self.is_known(one) {
                opened.copies.push(one.clone());
            } else {
                largest = largest.max(self.owe(one, &error, false).unwrap_or(0));
            }
        }
        for one in left_open {
            if self.is_known(one) {
                opened.copies.push(one.clone());
            } else {
                largest = largest.max(self.close(one).unwrap_or(0));
            }
        }
        for copy in &opened.copies {
            tracing::warn!(folder = %copy.display(), "a copy of a run that is in another folder: it is not counted");
        }
        self.next.store(largest.saturating_add(1), Ordering::SeqCst);
        Ok(opened)
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

    fn make(&self, one: &Path) -> Result<(), JobError> {
        let view = fold_journal(&one.join(folder::JOURNAL), Halt::Killed)?.view;
        let (record, trace) = folder::record(&view).ok_or(JobError::NoRun)?;
        let sheets = load(&carried(&record.header, false), &Findings::new()).sheets.ok_or(JobError::NoRun)?;
        let sha256 = folder::write(one, &record, &trace, &sheets)?;
        self.add(one, &record, sha256);
        Ok(())
    }
}

/// Leaves one entry of each run, and returns those of its copies. One that was listed before comes first, then the one whose folder has the
/// first name.
fn take_copies(entries: &mut Vec<RunEntry>) -> Vec<RunEntry> {
    entries.sort_by_cached_key(|entry| (entry.listed == 0, entry.folder.clone()));
    let mut runs = BTreeSet::new();
    entries.extract_if(.., |entry| !runs.insert(entry.run.clone())).collect()
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

/// The record in a folder, and the SHA-256 of its bytes.
fn read(run: &Path) -> Result<(Record, String), JobError> {
    let path = run.join(folder::RECORD);
    let bytes =
        std::fs::read(&path).map_err(|source| JobError::File { what: "read", path: path.clone(), source })?;
    let record = serde_json::from_slice(&bytes).map_err(|source| JobError::NotARecord { path, source })?;
    Ok((record, sha256_hex(&bytes)))
}

/// The header in the first event of a journal, which may be damaged after it; `None` if no run began.
fn begun(run: &Path) -> Option<RunHeader> {
    let mut lines = BufReader::new(File::open(run.join(folder::JOURNAL)).ok()?).split(b'\n');
    let mut first = lines.nth(1)?.ok()?;
    first.push(b'\n');
    if let EventKind::Started(header) = journal::event(&first)?.kind { Some(*header) } else { None }
}
