//! A bench: its rigs, each with an owner and a worker, and its runs; how it starts and how it ends.

use crate::audience::Audience;
use crate::begin::{NotStarted, Start, Started, begin};
use crate::disk_times::DiskTimes;
use crate::entry::RigEntry;
use crate::first::{Ended, leave_safe, looked_at, modules};
use crate::not_planned::NotPlanned;
use crate::rig::Rig;
use crate::runs::{Last, Runs, RunsError};
use crate::status::Status;
use crate::waiting::Press;
use crate::worker::{Left, employ};
use crate::{supervise, watch_sheets};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use thiserror::Error;
use tripbench_link::{Clock, Module};
use tripbench_runner::folder;

/// Why a bench cannot be served.
#[derive(Debug, Error)]
pub enum BenchError {
    /// The bench has no rig.
    #[error("no rig: a bench needs at least one")]
    NoRig,
    /// Two rigs have the same name.
    #[error("two rigs are called `{0}`: give one of them another name")]
    TwoRigs(String),
    /// Two rigs name the same module.
    #[error("`{first}` and `{second}` name the same module, `{address}`: a module belongs to one rig")]
    OneModule {
        /// The first rig.
        first: String,
        /// The second rig.
        second: String,
        /// A name that they have in common.
        address: String,
    },
    /// A sheet has errors.
    #[error(transparent)]
    Sheets(#[from] NotPlanned),
    /// The folder of runs cannot be used.
    #[error(transparent)]
    Runs(#[from] RunsError),
    /// A thread cannot be spawned.
    #[error("cannot spawn a thread")]
    System(#[from] std::io::Error),
}

/// A bench that is served.
#[derive(Debug)]
pub struct Bench {
    /// The rigs, in the order of the bench sheet.
    pub rigs: Vec<Arc<Rig>>,
    /// The runs.
    pub runs: Arc<Runs>,
    workers: Mutex<Vec<JoinHandle<Left>>>,
    ended: Arc<AtomicBool>,
}

impl Bench {
    /// Sets the outputs of every rig to their safe values and starts its owner and worker. `runs` is the folder of the runs, with what its
    /// disk may take; `audience` makes the listener of each rig, in order. Returns after every rig was looked at once, or after a few seconds.
    ///
    /// # Errors
    /// If there is no rig, two rigs have the same name or module, or a thread cannot be spawned. The outputs of the rigs are then set to
    /// their safe values.
    pub fn begin(
        rigs: Vec<RigEntry>,
        (runs, times): (&Path, DiskTimes),
        audience: impl Fn(&RigEntry) -> std::io::Result<Arc<dyn Audience>>,
    ) -> Result<Self, BenchError> {
        if let Err(why) = check(&rigs) {
            leave_safe(rigs.iter().map(|rig| rig.sheets.rig().clone()).collect()).log();
            return Err(why);
        }
        let sheets: Vec<_> = rigs.iter().map(|rig| rig.sheets.rig().clone()).collect();
        Self::employ(rigs, Arc::new(Runs::with(runs, times)), audience).map_err(|error| {
            // Rigs that have a worker already are not touched: it holds their module.
            leave_safe(sheets).log();
            BenchError::from(error)
        })
    }

    fn employ(
        rigs: Vec<RigEntry>,
        runs: Arc<Runs>,
        audience: impl Fn(&RigEntry) -> std::io::Result<Arc<dyn Audience>>,
    ) -> std::io::Result<Self> {
        let (mut made, mut workers) = (Vec::new(), Vec::new());
        // A second daemon for the same rigs touches nothing: the first one has locked their modules.
        for entry in rigs {
            let audience = audience(&entry)?;
            let (rig, wake) = Rig::new(entry, audience)?;
            workers.push(employ(Arc::clone(&rig), wake, Arc::clone(&runs))?);
            made.push(rig);
        }
        looked_at(&made);
        Ok(Self { rigs: made, runs, workers: Mutex::new(workers), ended: Arc::default() })
    }

    /// Opens the folder of runs, shows the last run of each rig, and starts to watch threads and sheets.
    ///
    /// # Errors
    /// If the folder cannot be created or read, or a thread cannot be spawned.
    pub fn open(&self) -> Result<(), BenchError> {
        let opened = self.runs.open()?;
        tracing::info!(indexed = opened.indexed, read = opened.read, "runs known");
        for rig in &self.rigs {
            // Whoever asks first sees it. An owner that has failed ends the program.
            let _taken = match self.runs.last(&rig.name) {
                Some(Last::Kept(last, seen)) => rig.ask(move |owner| owner.begin_with(*last, seen)),
                Some(Last::Unmade(last)) => rig.ask(move |owner| owner.begin_without_verdict(last)),
                None => Ok(()),
            };
            // Whether a calibration has expired is known only now.
            rig.look_at_sheets(&self.runs.today());
        }
        self.runs.are_shown();
        supervise::watch(self.rigs.clone(), Arc::clone(&self.ended))?;
        watch_sheets::watch(self.rigs.clone(), Arc::clone(&self.runs), Arc::clone(&self.ended))?;
        Ok(())
    }

    /// Starts a run on a rig, or appends it to the rig's queue. Reads from the disk, which may hang.
    ///
    /// # Errors
    /// If the run cannot be planned, or the rig refuses it.
    pub fn start(&self, rig: &Rig, start: Start, press: Press) -> Result<Started, NotStarted> {
        let others = self.rigs.iter().filter(|other| other.name != rig.name);
        let others: Vec<Arc<Status>> = others.map(|other| other.status()).collect();
        begin(rig, &self.runs, &others, (start, press))
    }

    /// Path of the journal of a run in progress or of a finished run.
    pub fn journal_of(&self, run: &str) -> Option<PathBuf> {
        let live = || self.rigs.iter().find_map(|rig| rig.status().folder_of(run));
        Some(self.runs.find(run).or_else(live)?.join(folder::JOURNAL))
    }

    /// Whether a run is in preparation or in progress, or has just ended and its record is being made.
    pub fn is_in_progress(&self, run: &str) -> bool {
        self.rigs.iter().any(|rig| rig.status().phase.run() == Some(run))
    }

    /// Stops every run in progress; no new run begins.
    pub fn stop(&self) {
        for rig in &self.rigs {
            rig.end();
        }
    }

    /// Stops everything and sets the outputs of every rig to their safe values. If a worker does not end in time, for example because the
    /// disk hangs, the outputs of its rig are made safe without it.
    pub fn end(&self) -> Ended {
        self.stop();
        let clock = Clock::start();
        let (begun, within) = (clock.now(), self.runs.times.workers_have);
        let workers = std::mem::take(&mut *self.workers.lock().unwrap_or_else(PoisonError::into_inner));
        while workers.iter().any(|worker| !worker.is_finished()) && clock.now().since(begun) < within {
            std::thread::park_timeout(Duration::from_millis(20));
        }
        let mut ended = Ended::default();
        for (rig, worker) in self.rigs.iter().zip(workers) {
            let left = if worker.is_finished() {
                // A worker that panicked confirmed nothing.
                worker.join().unwrap_or(Left::InDoubt)
            } else {
                tracing::error!(
                    rig = rig.name,
                    "its record is unfinished; it is completed at the next start"
                );
                // A module that another program holds is left alone.
                if rig.is_ours() && rig.pin.make_safe(rig.sheets.rig()) { Left::Safe } else { Left::InDoubt }
            };
            ended.add(rig.name.clone(), left);
        }
        self.ended.store(true, Ordering::SeqCst);
        ended
    }
}

/// Checks that rigs can be served together.
fn check(rigs: &[RigEntry]) -> Result<(), BenchError> {
    if rigs.is_empty() {
        return Err(BenchError::NoRig);
    }
    let mut known: Vec<(String, Option<Module>)> = Vec::new();
    let modules = modules(rigs.iter().map(|rig| rig.sheets.rig().link.clone()).collect());
    for (rig, module) in rigs.iter().zip(modules) {
        let name = rig.sheets.name();
        if known.iter().any(|(other, _)| *other == name) {
            return Err(BenchError::TwoRigs(name));
        }
        let common = |other: &Option<Module>| other.as_ref()?.common_name(module.as_ref()?);
        if let Some((first, address)) = known.iter().find_map(|(first, other)| Some((first, common(other)?)))
        {
            return Err(BenchError::OneModule { first: first.clone(), second: name, address });
        }
        known.push((name, module));
    }
    Ok(())
}
