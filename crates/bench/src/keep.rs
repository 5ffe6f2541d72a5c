//! Makes the records of finished runs, one at a time and at low priority: rigs that still run come first.

use crate::runs::Runs;
use crate::snapshot::RunSnapshot;
use crate::status::OwedRun;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use tripbench_record::{Halt, LoadedSheets};
use tripbench_runner::{JobError, carried, fold_journal_at_end, folder, load};
use tripbench_sheet::Findings;

/// Most threads that make records at once. A thread that hangs at the disk cannot be ended, and has files open.
const MOST_AT_ONCE: usize = 32;

/// A run that has a journal and no record.
#[derive(Debug, Clone)]
pub(crate) struct PendingRecord {
    /// The run.
    pub(crate) run: OwedRun,
    /// Its sheets; `None` for a run of an earlier daemon: they are in its journal.
    pub(crate) sheets: Option<Arc<LoadedSheets>>,
    /// Why the run ended, if its journal does not say.
    pub(crate) halt: Halt,
}

/// Thread that makes a record; returns the run as it is published from then on.
pub(crate) type Making = JoinHandle<Result<Option<RunSnapshot>, JobError>>;

/// Makes record and report of a run, on a thread of its own.
///
/// # Errors
/// If the thread cannot be spawned.
pub(crate) fn make(owed: PendingRecord, runs: &Arc<Runs>) -> Result<Making, JobError> {
    static TURN: Turn = Turn::new();
    let runs = Arc::clone(runs);
    let (path, tried) = (owed.run.folder.clone(), owed.run.folder.clone());
    let failed = |path, source| JobError::File { what: "start a thread for the record in", path, source };
    let Some(counted) = Counted::of(&runs) else {
        let hang = format!("{MOST_AT_ONCE} threads that make records hang at the disk");
        return Err(failed(path, std::io::Error::other(hang)));
    };
    let work = move || {
        let _until_the_end = counted;
        let _turn = TURN.take(runs.times.turn_within);
        // Linux has a priority for each thread. If it cannot be set, the record is made anyway.
        let _as_before = rustix::process::setpriority_process(Some(rustix::thread::gettid()), 15);
        let PendingRecord { run: OwedRun { run: _, folder: path }, sheets, halt } = owed;
        let mut view = fold_journal_at_end(&path.join(folder::JOURNAL), &halt)?.view;
        let (record, trace) = folder::record(&view).ok_or(JobError::NoRun)?;
        let carried = || load(&carried(&record.header, false), &Findings::new()).sheets;
        let sheets = sheets.or_else(carried).ok_or(JobError::NoRun)?;
        let sha256 = folder::write(&path, &record, &trace, &sheets)?;
        runs.add(&path, &record, sha256);
        view.drop_stretches();
        let snapshot = RunSnapshot::new(view, sheets, path);
        Ok(snapshot.map(|snapshot| RunSnapshot { kept: true, ..snapshot }))
    };
    let thread = std::thread::Builder::new().name(String::from("record")).spawn(work);
    thread.map_err(|source| failed(tried, source))
}

/// One of the threads that make records.
struct Counted(Arc<Runs>);

impl Counted {
    /// Counts one more, if there are not too many.
    fn of(runs: &Arc<Runs>) -> Option<Self> {
        let more = |makers| (makers < MOST_AT_ONCE).then_some(makers + 1);
        let counted = runs.makers.fetch_update(Ordering::SeqCst, Ordering::SeqCst, more);
        counted.is_ok().then(|| Self(Arc::clone(runs)))
    }
}

impl Drop for Counted {
    fn drop(&mut self) {
        self.0.makers.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Lock for one record at a time, with a limited wait.
struct Turn {
    taken: Mutex<bool>,
    free: Condvar,
}

impl Turn {
    const fn new() -> Self {
        Self { taken: Mutex::new(false), free: Condvar::new() }
    }

    /// Waits for the turn, at most for `within`; the guard holds it until dropped. `None` after a timeout: the caller continues without it.
    fn take(&self, within: Duration) -> Option<Held<'_>> {
        let taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        let (mut taken, waited) = self
            .free
            .wait_timeout_while(taken, within, |taken| *taken)
            .unwrap_or_else(PoisonError::into_inner);
        *taken = true;
        // Only if acquired: dropping the guard releases the turn.
        (!waited.timed_out()).then(|| Held(self))
    }
}

/// Guard of the turn.
struct Held<'a>(&'a Turn);

impl Drop for Held<'_> {
    fn drop(&mut self) {
        *self.0.taken.lock().unwrap_or_else(PoisonError::into_inner) = false;
        self.0.free.notify_one();
    }
}
