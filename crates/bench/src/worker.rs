//! The worker of a rig: a thread that looks at the rig between runs, and carries out what waits for it.
//!
//! Whatever the disk does, the rig is looked at in every phase between two runs: what may hang is done on a thread of its own. What is
//! known of the rig the worker reports to its owner; it decides nothing but how to carry out a run.

mod carry;
mod look;
mod owed;

use crate::keep::{Making, Owed};
use crate::owner::{Look, Next, Owner};
use crate::phase::Fault;
use crate::rig::{Rig, Wake};
use crate::runs::Runs;
use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::mpsc::RecvTimeoutError;
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::runtime::Runtime;
use tripbench_job::make_safe;
use tripbench_link::{Link, ModuleLock, ModuleWire};
use tripbench_quantity::Mono;

/// Time between two looks at a rig at rest.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// How a rig was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Left {
    /// Safe, read back.
    Safe,
    /// Not confirmed safe.
    InDoubt,
    /// Another program has its module.
    NotOurs,
}

/// The worker of a rig.
struct Worker {
    rig: Arc<Rig>,
    runs: Arc<Runs>,
    wake: Wake,
    runtime: Runtime,
    /// Between runs.
    link: Option<Link<ModuleWire>>,
    lock: Option<ModuleLock>,
    /// Whether the outputs were made safe since they were last in doubt, and were safe at every look since.
    safe: bool,
    /// How often STOP TEST had been pressed when safe was last written.
    stops: u64,
    /// Whether the last run began, so that it has a journal.
    began: bool,
    /// Runs that have a journal and no record yet.
    owed: VecDeque<Owed>,
    /// When a record of one of them was last tried.
    tried: Option<Mono>,
    /// One of them, of which a record is being made.
    making: Option<(Owed, Making)>,
    /// The last run.
    last: String,
    /// The fault that was last logged.
    logged: Option<Fault>,
}

/// Starts the worker of a rig.
///
/// # Errors
/// If its thread cannot be spawned.
pub(crate) fn employ(rig: Arc<Rig>, wake: Wake, runs: Arc<Runs>) -> std::io::Result<JoinHandle<Left>> {
    let name = format!("worker {}", rig.name);
    std::thread::Builder::new().name(name).spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else {
            return Left::InDoubt;
        };
        let mut worker = Worker {
            rig,
            runs,
            wake,
            runtime,
            link: None,
            lock: None,
            safe: false,
            stops: 0,
            began: false,
            owed: VecDeque::new(),
            tried: None,
            making: None,
            last: String::new(),
            logged: None,
        };
        // A look that fails inside leaves nobody with an old "idle", and the next one is tried.
        while catch_unwind(AssertUnwindSafe(|| worker.work())).is_err() {
            worker.failed_inside();
        }
        worker.leave()
    })
}

impl Worker {
    /// Works until the daemon ends.
    fn work(&mut self) {
        self.look(Look::AtRest);
        // Woken, or at the time of the next look.
        while self.wake.recv_timeout(LOOK_EVERY) != Err(RecvTimeoutError::Disconnected) {
            match self.rig.ask(Owner::next) {
                Ok(Next::Job(job, reins)) => {
                    self.run(*job, reins);
                    self.look(Look::AtRest);
                }
                Ok(Next::Look) => {
                    self.look(Look::AtRest);
                    self.settle();
                }
                // Without an owner nothing begins; the supervisor ends the program.
                Ok(Next::End) | Err(_) => return,
            }
        }
    }

    fn failed_inside(&mut self) {
        tracing::error!(rig = self.rig.name, "the worker of this rig failed inside");
        (self.link, self.safe) = (None, false);
        self.rig.post(|owner| owner.found(Look::AtRest, Err(Fault::Inside)));
        std::thread::park_timeout(LOOK_EVERY);
    }

    /// Leaves the rig safe.
    fn leave(&mut self) -> Left {
        self.link = None;
        if self.lock.is_none() {
            tracing::warn!(rig = self.rig.name, "never this daemon's; nothing is known of its outputs");
            return Left::NotOurs;
        }
        if make_safe(self.rig.sheets.rig()) {
            tracing::info!(rig = self.rig.name, "outputs set to their safe values, read back");
            Left::Safe
        } else {
            tracing::error!(rig = self.rig.name, "outputs NOT confirmed safe at the end");
            Left::InDoubt
        }
    }
}
