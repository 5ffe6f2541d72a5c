//! Carries out a run: folder and journal, the run's thread, the record.

use super::Worker;
use crate::chain::chain;
use crate::follow::Follower;
use crate::keep::{PendingRecord, make};
use crate::not_planned::NotPlanned;
use crate::owner::{Look, Owner};
use crate::refusal::Refusal;
use crate::status::{NoVerdict, OwedRun};
use crate::waiting::{Job, Repeat};
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::thread::JoinHandle;
use std::time::Duration;
use thiserror::Error;
use tripbench_record::{Event, Halt};
use tripbench_rig::{Doubt, RigSheet};
use tripbench_runner::{
    Control, HowEnded, JobError, JournalWriter, Prepared, RunHandle, folder, journal, mark, start,
};

/// Time between two looks at the rig while waiting for the disk.
const LOOK_MEANWHILE: Duration = Duration::from_millis(100);
/// Interval of checking whether a thread has ended.
const TURN: Duration = Duration::from_millis(5);
/// Time between two heartbeats of a run's thread.
const BEAT_EVERY: Duration = Duration::from_millis(50);

/// Why a start gave no run, or a run no record.
#[derive(Debug, Error)]
pub(super) enum NoRun {
    /// The job cannot be done.
    #[error(transparent)]
    Job(#[from] JobError),
    /// Something changed since the run was requested.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// The sheets changed since the run was planned.
    #[error(transparent)]
    Sheets(#[from] NotPlanned),
    /// The disk hangs.
    #[error("making its record has hung; trying again")]
    Hangs,
}

/// A run whose folder and journal exist.
pub(super) type LaidOut = (Prepared, JournalWriter);

impl Worker {
    /// Carries out a run, and reports the outcome to the owner.
    pub(super) fn run(&mut self, job: Job, handle: (RunHandle, Receiver<Control>)) {
        let run = job.run().to_owned();
        let in_run = tracing::info_span!("run", rig = self.rig.name, run).entered();
        tracing::info!(script = job.script, "run begins");
        self.began = false;
        self.rig.hold_reins(Some(handle.0.clone()));
        let made = catch_unwind(AssertUnwindSafe(|| self.carried_out(job, handle)));
        self.over(&run);
        let why = match made {
            Ok(Ok(())) => {
                tracing::info!("run over");
                return;
            }
            Ok(Err(error)) => chain(&error),
            Err(_) => String::from("internal error"),
        };
        tracing::error!(why, "no run, or no record of it");
        drop(in_run);
        self.tell_owed();
        let why = if self.began { NoVerdict::NoRecord(why) } else { NoVerdict::NoRun(why) };
        self.rig.post(move |owner| owner.failed(run, why));
    }

    /// Reports that the run has ended.
    fn over(&self, run: &str) {
        self.rig.hold_reins(None);
        self.rig.heartbeat.rest();
        let run = run.to_owned();
        self.rig.post(move |owner| owner.over(&run));
    }

    fn carried_out(
        &mut self,
        job: Job,
        (handle, controlled): (RunHandle, Receiver<Control>),
    ) -> Result<(), NoRun> {
        let (claim, run) = (job.claim(), job.run().to_owned());
        let sheet = job.prepared.task.sheets.rig.clone();
        let (prepared, journal) = self.laid_out(job)?;
        // The run opens its own connection.
        self.link = None;
        // To the module that the looks have reached, whatever its name leads to by now.
        let wire = self.rig.pin.wire().ok_or_else(|| Refusal::NotReady(Doubt::Lost.to_string()));
        let may = wire.and_then(|wire| self.rig.ask(move |owner| owner.begin(&claim))?.map(|()| wire));
        let wire = match may {
            Ok(wire) => wire,
            Err(why) => {
                self.abandon(prepared.folder, journal);
                return Err(why.into());
            }
        };
        // The run sets the outputs: they are no longer known to be safe.
        (self.safe, self.left_safe) = (false, false);
        let (beating, probes) = (Arc::clone(&self.rig), self.rig.probes);
        // The run gives the first heartbeat itself: before that no output has changed, and the disk may be slow.
        let running = start(&prepared, wire, journal, (handle, controlled), move |_, _| async move {
            loop {
                beating.heartbeat.beat();
                if let Some(probes) = probes {
                    (probes.in_run)();
                }
                tokio::time::sleep(BEAT_EVERY).await;
            }
        })?;
        self.began = true;
        self.last.clone_from(&run);
        let ended = running.join();
        self.over(&run);
        let halt = self.halted(ended, &sheet);
        let sheets = Some(Arc::clone(&prepared.task.sheets));
        self.keep(PendingRecord { run: OwedRun { run, folder: prepared.folder }, sheets, halt })
    }

    /// Removes the folder of a run that did not begin. The disk may hang.
    fn abandon(&mut self, folder: PathBuf, journal: JournalWriter) {
        let removing = std::thread::Builder::new().name(String::from("folder"));
        let probes = self.rig.probes;
        let remove = move || {
            if let Some(probes) = probes {
                (probes.in_removal)();
            }
            remove(&folder, journal);
        };
        match removing.spawn(remove) {
            // A folder that cannot be removed does not keep the rig.
            Ok(thread) => drop(self.beside_within(thread, self.runs.times.removed_within)),
            Err(error) => tracing::warn!(%error, "the folder of a run that did not begin stays"),
        }
    }

    /// Creates folder and journal of a run, and looks at the rig meanwhile.
    pub(super) fn laid_out(&mut self, job: Job) -> Result<LaidOut, NoRun> {
        let (rig, runs) = (Arc::clone(&self.rig), Arc::clone(&self.runs));
        let path = job.prepared.folder.clone();
        let span = tracing::Span::current();
        let laying = std::thread::Builder::new().name(String::from("folder")).spawn(move || {
            let _in_run = span.entered();
            if let Some(probes) = rig.probes {
                (probes.in_folder)();
            }
            rig.sheets.check_unchanged(&job.own)?;
            let claim = job.claim();
            let Job { mut prepared, again, .. } = job;
            prepared.header.started = tripbench_runner::wall();
            prepared.header.simulated |= rig.status().simulated;
            let (folder, number) = runs.folder(&rig.name, &prepared.header.run)?;
            (prepared.folder, prepared.header.number) = (folder, Some(number));
            if let Some(Repeat { folder, position, .. }) = &again {
                mark(folder, *position, &prepared.folder)?;
            }
            let probes = rig.probes;
            let sheets = Arc::clone(&prepared.task.sheets);
            let (made, owned) = (prepared.folder.clone(), Arc::clone(&rig));
            let mut follower = Follower::new(rig, sheets, prepared.folder.clone(), claim);
            let listener = Box::new(move |event: &Event| {
                follower.hear(event);
                if let Some(probes) = probes {
                    (probes.in_journal)();
                }
            });
            let journal = journal(&prepared, listener)?;
            // Only now: whoever asks for its events finds the journal.
            owned.post(move |owner| owner.laid_out(made));
            Ok::<_, NoRun>((prepared, journal))
        });
        let what = "start a thread for the folder in";
        self.beside(laying.map_err(|source| JobError::File { what, path, source })?)
    }

    /// Waits for a thread that uses the disk, which may hang. Meanwhile looks at the rig, at least once: a device may be unplugged, or an
    /// output may change.
    fn beside<T>(&mut self, mut thread: JoinHandle<T>) -> T {
        loop {
            match self.beside_within(thread, Duration::MAX) {
                Ok(made) => return made,
                Err(waits) => thread = waits,
            }
        }
    }

    /// The same for a limited time, after which the thread is returned.
    fn beside_within<T>(&mut self, thread: JoinHandle<T>, within: Duration) -> Result<T, JoinHandle<T>> {
        let begun = self.rig.heartbeat.now();
        while self.rig.heartbeat.now().since(begun) < within {
            self.look(Look::Meanwhile);
            let until = self.rig.heartbeat.now() + LOOK_MEANWHILE;
            while !thread.is_finished() && self.rig.heartbeat.now() < until {
                std::thread::park_timeout(TURN);
            }
            if thread.is_finished() {
                return Ok(thread.join().unwrap_or_else(|panic| resume_unwind(panic)));
            }
        }
        Err(thread)
    }

    /// Why a run ended, if its journal does not say. If the run's thread panicked, it has not set the outputs to their safe values.
    pub(super) fn halted(&mut self, ended: HowEnded, sheet: &RigSheet) -> Halt {
        match ended {
            HowEnded::InOrder => Halt::RecordLost,
            HowEnded::JournalFailed(error) => {
                tracing::error!(%error, "journal failed");
                Halt::RecordLost
            }
            HowEnded::Panicked => {
                tracing::error!("the rig's thread panicked; making safe");
                self.rig.post(Owner::lost_sight);
                if self.rig.pin.make_safe(sheet) {
                    self.confirmed();
                }
                Halt::StepFault { why: String::from("the rig's thread ended by itself") }
            }
        }
    }

    /// Makes the record of a run. The record is owed until it exists, whatever happens meanwhile.
    pub(super) fn keep(&mut self, owed: PendingRecord) -> Result<(), NoRun> {
        let (run, begun) = (owed.run.run.clone(), self.rig.heartbeat.now());
        self.ledger.owe(owed.clone(), begun);
        let making = make(owed, &self.runs)?;
        let made = match self.beside_within(making, self.runs.times.hangs_after) {
            Ok(made) => made?,
            // The rig is free again; the thread may still make the record.
            Err(hangs) => {
                self.ledger.began(&run, hangs, begun);
                return Err(NoRun::Hangs);
            }
        };
        self.ledger.paid(&run);
        // After a stopped run no other run begins by itself.
        self.rig.post(move |owner| owner.kept(made));
        Ok(())
    }
}

/// Removes the folder of a run that did not begin: nothing of it was recorded.
fn remove(folder: &Path, journal: JournalWriter) {
    let finished = journal.finish().map_err(|error| error.to_string());
    let removed = std::fs::remove_file(folder.join(folder::JOURNAL))
        .and_then(|()| std::fs::remove_dir(folder))
        .map_err(|error| error.to_string());
    if let Err(error) = finished.and(removed) {
        tracing::warn!(folder = %folder.display(), error, "cannot remove the folder of an unstarted run");
    }
}
