//! A rig's worker: a thread that looks after the rig between runs, and runs what waits for it.
//!
//! Whatever the disk does, the rig is looked at in every phase between two runs: what may hang is done on a thread of its own.

mod looks;

use crate::keep::{Making, Owed, make};
use crate::problem::chain;
use crate::refusal::Refusal;
use crate::rig::{Job, Next, Press, Repeat, Rig, positions_of};
use crate::runs::Runs;
use crate::state::{Reason, RunState};
use crate::tell::Teller;
use looks::Phase;
use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::thread::JoinHandle;
use std::time::Duration;
use thiserror::Error;
use tokio::runtime::Runtime;
use tripbench_job::{
    HowEnded, JobError, Prepared, Reins, anything_there, folder, journal, make_safe, mark, start,
};
use tripbench_link::{Link, ModuleLock, ModuleWire};
use tripbench_quantity::Mono;
use tripbench_record::{Event, Halt};
use tripbench_rig::RigSheet;
use tripbench_runner::{Control, JournalWriter};

/// Time between two looks at a rig at rest.
const LOOK_EVERY: Duration = Duration::from_millis(500);
/// The same while the disk is waited for.
const LOOK_MEANWHILE: Duration = Duration::from_millis(100);
/// Time between two tries to make a record that could not be made.
const TRY_EVERY: Duration = Duration::from_secs(10);
/// Time between two looks whether a thread has ended.
const TURN: Duration = Duration::from_millis(5);
/// Time between two beats of a run's thread.
const BEAT_EVERY: Duration = Duration::from_millis(50);

/// Starts the worker of a rig.
///
/// # Errors
/// If there is no thread to have.
pub(crate) fn employ(rig: Arc<Rig>, runs: Arc<Runs>) -> std::io::Result<JoinHandle<Left>> {
    let name = format!("worker {}", rig.name);
    std::thread::Builder::new().name(name).spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else {
            return Left::InDoubt;
        };
        let (link, lock, owed, last) = (None, None, VecDeque::new(), String::new());
        let (safe, stops, began, tried, making) = (false, 0, false, None, None);
        Worker { rig, runs, runtime, link, lock, safe, stops, began, owed, tried, making, last }.work()
    })
}

/// How a rig was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Left {
    /// Safe, read back.
    Safe,
    /// Not confirmed safe.
    InDoubt,
    /// It was never this daemon's: another program has its module.
    NotOurs,
}

struct Worker {
    rig: Arc<Rig>,
    runs: Arc<Runs>,
    runtime: Runtime,
    /// Between runs.
    link: Option<Link<ModuleWire>>,
    lock: Option<ModuleLock>,
    /// Whether the outputs were made safe since they were last in doubt, and were safe at every look since.
    safe: bool,
    /// How often STOP TEST had been pressed when safe was last written.
    stops: u64,
    /// Whether the last run began, so that there is a journal of it.
    began: bool,
    /// Runs that have a journal and no record yet, and when one of these was last tried.
    owed: VecDeque<Owed>,
    tried: Option<Mono>,
    /// One of them that is tried just now.
    making: Option<(Owed, Making)>,
    /// The last run.
    last: String,
}

impl Worker {
    /// Works until the daemon ends; how the rig was left then.
    fn work(&mut self) -> Left {
        self.look(Phase::AtRest);
        loop {
            match self.rig.next(LOOK_EVERY) {
                Next::Job(job, reins) => {
                    self.run(*job, reins);
                    self.look(Phase::AtRest);
                }
                Next::Look => {
                    self.look(Phase::AtRest);
                    self.settle();
                }
                Next::End => break,
            }
        }
        self.link = None;
        if self.lock.is_none() {
            tracing::warn!(rig = self.rig.name, "never this daemon's; nothing is known of its outputs");
            return Left::NotOurs;
        }
        if make_safe(self.rig.sheets.rig()) {
            tracing::info!(rig = self.rig.name, "left safe, read back");
            Left::Safe
        } else {
            tracing::error!(rig = self.rig.name, "outputs NOT confirmed safe at the end");
            Left::InDoubt
        }
    }

    /// Tries again to make a record that could not be made: a full disk may have room by now. Looks after the rig meanwhile.
    fn settle(&mut self) {
        let now = self.rig.pulse.now();
        match self.making.take_if(|(_, thread)| thread.is_finished()) {
            Some((owed, thread)) => {
                self.tried = Some(now);
                match thread.join() {
                    Ok(Ok(made)) => self.settled(&owed, made),
                    // The next one first: this one may never be made.
                    Ok(Err(_)) | Err(_) => self.owed.push_back(owed),
                }
            }
            None if self.making.is_none() && self.tried.is_none_or(|tried| now.since(tried) >= TRY_EVERY) => {
                let Some(owed) = self.owed.pop_front() else { return };
                match make(owed.clone(), &self.runs) {
                    Ok(thread) => self.making = Some((owed, thread)),
                    Err(_) => self.owed.push_back(owed),
                }
            }
            None => {}
        }
    }

    fn settled(&self, owed: &Owed, made: Option<RunState>) {
        let run = owed.run();
        tracing::info!(rig = self.rig.name, run, "its record is made");
        self.tell_owed();
        let state = self.rig.state();
        // Where nothing was run since, its verdict is shown.
        if state.run.is_none() && self.last == run {
            self.rig.change(|shown| shown.failed = None);
            self.rig.run_told(made);
        }
    }

    /// Shows which runs have no record yet.
    fn tell_owed(&self) {
        let making = self.making.iter().map(|(owed, _)| owed);
        let runs: Vec<String> = self.owed.iter().chain(making).map(|owed| owed.run().to_owned()).collect();
        self.rig.change(|shown| shown.owed = runs);
    }

    fn run(&mut self, job: Job, reins: (Reins, Receiver<Control>)) {
        let run = job.prepared.header.run.clone();
        tracing::info!(rig = self.rig.name, run, script = job.script, "run begins");
        self.began = false;
        self.last.clone_from(&run);
        let made = catch_unwind(AssertUnwindSafe(|| self.carried_out(job, reins)));
        self.rig.over();
        let why = match made {
            Ok(Ok(())) => {
                if self.rig.state().run.is_none_or(|told| told.halted.is_some()) {
                    self.rig.withdraw("a run that was stopped");
                }
                tracing::info!(rig = self.rig.name, run, "run over");
                return;
            }
            Ok(Err(error)) => chain(&error),
            Err(_) => String::from("the program failed inside"),
        };
        tracing::error!(rig = self.rig.name, run, why, "no run, or no record of it");
        self.rig.withdraw("a run that failed");
        self.tell_owed();
        let kind = if self.began { "no-record" } else { "no-run" };
        self.rig.change(|shown| {
            shown.run = None;
            shown.failed = Some(Reason { kind: kind.to_owned(), text: why });
        });
    }

    fn carried_out(
        &mut self,
        job: Job,
        (reins, controlled): (Reins, Receiver<Control>),
    ) -> Result<(), NoRun> {
        let Job { prepared, again, press, script: _ } = job;
        let (sheet, positions) = (prepared.task.sheets.rig.clone(), positions_of(&prepared));
        let (prepared, journal) = self.laid_out(prepared, again, press.clone())?;
        let may =
            self.may_begin(&sheet, &reins).and_then(|()| Ok(self.rig.check_plugs(&press, &positions)?));
        if let Err(why) = may {
            not_begun(&prepared.folder, journal);
            return Err(why);
        }
        // The run has a connection of its own, and moves the outputs.
        self.link = None;
        self.safe = false;
        let (beating, probes) = (Arc::clone(&self.rig), self.rig.probes);
        // The first sign of life is the run's own: before that nothing has moved, and the disk may take its time.
        let running = start(&prepared, journal, (reins, controlled), move |_, _| async move {
            loop {
                beating.pulse.beat();
                if let Some(probes) = probes {
                    (probes.in_run)();
                }
                tokio::time::sleep(BEAT_EVERY).await;
            }
        })?;
        self.began = true;
        let ended = running.join();
        self.rig.over();
        let halt = self.halted(ended, &sheet);
        self.keep(Owed { prepared: Arc::new(prepared), halt })
    }

    /// Makes folder and journal of a run, and looks at the rig meanwhile.
    fn laid_out(
        &mut self,
        mut prepared: Prepared,
        again: Option<Repeat>,
        press: Press,
    ) -> Result<(Prepared, JournalWriter), JobError> {
        let (rig, runs) = (Arc::clone(&self.rig), Arc::clone(&self.runs));
        prepared.header.started = tripbench_job::wall();
        prepared.header.simulated |= self.rig.state().simulated;
        let path = prepared.folder.clone();
        let laying = std::thread::Builder::new().name(String::from("folder")).spawn(move || {
            if let Some(probes) = rig.probes {
                (probes.in_folder)();
            }
            prepared.folder = runs.folder(&rig.name, &prepared.header.run)?;
            if let Some(of) = &again {
                mark(&of.folder, of.position, &prepared.folder)?;
            }
            rig.feed.begin();
            let probes = rig.probes;
            let mut teller = Teller::new(rig, &prepared.task.sheets, (press, positions_of(&prepared)));
            let listener = Box::new(move |event: &Event| {
                teller.hear(event);
                if let Some(probes) = probes {
                    (probes.in_journal)();
                }
            });
            let journal = journal(&prepared, listener)?;
            Ok::<_, JobError>((prepared, journal))
        });
        let what = "start a thread for the folder in";
        self.beside(laying.map_err(|source| JobError::File { what, path, source })?)
    }

    /// Waits for a thread that works with the disk, which may hang. The rig is looked at meanwhile, once at the least: a device may
    /// be pulled, an output may open.
    fn beside<T>(&mut self, thread: JoinHandle<T>) -> T {
        loop {
            self.look(Phase::Beside);
            let until = self.rig.pulse.now() + LOOK_MEANWHILE;
            while !thread.is_finished() && self.rig.pulse.now() < until {
                std::thread::park_timeout(TURN);
            }
            if thread.is_finished() {
                return thread.join().unwrap_or_else(|panic| resume_unwind(panic));
            }
        }
    }

    /// Whether a run may begin: the rig was found well at the last look, and nobody has stopped it.
    fn may_begin(&mut self, sheet: &RigSheet, reins: &Reins) -> Result<(), NoRun> {
        if let Some(why) = self.rig.state().problem {
            return Err(NoRun::NotReady(why));
        }
        if reins.latch.is_set() {
            return Err(JobError::Stopped.into());
        }
        self.link = None;
        Ok(anything_there(&sheet.link)?)
    }

    /// Why a run ended, where its journal does not say. A run's thread that panicked has made nothing safe.
    fn halted(&mut self, ended: HowEnded, sheet: &RigSheet) -> Halt {
        match ended {
            HowEnded::InOrder => Halt::RecordLost,
            HowEnded::JournalFailed(error) => {
                tracing::error!(rig = self.rig.name, %error, "journal failed");
                Halt::RecordLost
            }
            HowEnded::Panicked => {
                tracing::error!(rig = self.rig.name, "the rig's thread panicked; making safe");
                self.safe = make_safe(sheet);
                Halt::StepFault { why: String::from("the rig's thread ended by itself") }
            }
        }
    }

    /// Has the record of a run made. It is owed until it is made, whatever happens on the way.
    fn keep(&mut self, owed: Owed) -> Result<(), NoRun> {
        self.owed.push_back(owed.clone());
        self.tried = Some(self.rig.pulse.now());
        let making = make(owed, &self.runs)?;
        let made = self.beside(making)?;
        self.owed.pop_back();
        self.rig.run_told(made);
        Ok(())
    }
}

/// Why no run came of a start, or no record of a run.
#[derive(Debug, Error)]
enum NoRun {
    /// The job cannot be done.
    #[error(transparent)]
    Job(#[from] JobError),
    /// The rig was not found well just before.
    #[error("the rig is not ready: {0}")]
    NotReady(String),
    /// What was asked for is not so any more.
    #[error(transparent)]
    Refused(#[from] Refusal),
}

/// Takes away the folder of a run that did not begin: nothing of it was recorded.
fn not_begun(folder: &Path, journal: JournalWriter) {
    let finished = journal.finish().map_err(|error| error.to_string());
    let removed = std::fs::remove_file(folder.join(folder::JOURNAL))
        .and_then(|()| std::fs::remove_dir(folder))
        .map_err(|error| error.to_string());
    if let Err(error) = finished.and(removed) {
        tracing::warn!(folder = %folder.display(), error, "the folder of a run that did not begin stays");
    }
}
