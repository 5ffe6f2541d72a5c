//! The worker of a rig: a thread that looks at the rig between runs, and carries out the runs of its queue.
//!
//! The rig is looked at in every phase between two runs, even if the disk hangs: work that may hang is done on another thread. The worker
//! reports what it finds to the owner of the rig; it decides only how to carry out a run.

mod carry;
mod hazard;
mod ledger;
mod look;
mod owed;
mod patience;

use crate::keep::Making;
use crate::owner::{Look, Next, Owner};
use crate::phase::{Fault, Phase};
use crate::rig::{Rig, Wake};
use crate::runs::Runs;
use hazard::Hazard;
use ledger::Ledger;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::mpsc::RecvTimeoutError;
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::runtime::Runtime;
use tripbench_link::{Link, ModuleLock, ModuleWire};

/// Time between two looks at a rig at rest.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// How a rig was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Left {
    /// Outputs at their safe values, read back.
    Safe,
    /// Outputs not confirmed safe.
    InDoubt,
    /// Another program uses its module.
    NotOurs,
}

/// The worker of a rig.
struct Worker {
    rig: Arc<Rig>,
    runs: Arc<Runs>,
    wake: Wake,
    runtime: Runtime,
    /// The connection between runs.
    link: Option<Link<ModuleWire>>,
    /// The wire over which the module is reached; it is kept to once the module has answered.
    reached: Option<ModuleWire>,
    /// The lock of the module.
    lock: Option<ModuleLock>,
    /// Whether the outputs were made safe since they were last in doubt, and every look since found them safe.
    safe: bool,
    /// Whether the outputs were safe when the module was last reached.
    left_safe: bool,
    /// Number of presses of STOP TEST when the safe values were last written.
    stops: u64,
    /// Whether the last run began, so that it has a journal.
    began: bool,
    /// Runs that have a journal and no record yet.
    ledger: Ledger<Making>,
    /// The last run.
    last: String,
    /// Why the outputs could not be made safe, until they are.
    hazard: Hazard,
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
        let mut worker = Worker::new(rig, (runs, wake), runtime);
        // A look that panics must not leave an old "idle" in the status; the worker continues with the next look.
        while catch_unwind(AssertUnwindSafe(|| worker.work())).is_err() {
            worker.failed_inside();
            if matches!(worker.rig.status().phase, Phase::Ending { .. }) {
                break;
            }
        }
        worker.leave()
    })
}

impl Worker {
    /// A worker that has not looked at its rig yet.
    fn new(rig: Arc<Rig>, (runs, wake): (Arc<Runs>, Wake), runtime: Runtime) -> Self {
        let ledger = Ledger::new(runs.times);
        Self {
            rig,
            runs,
            wake,
            runtime,
            link: None,
            reached: None,
            lock: None,
            safe: false,
            left_safe: false,
            stops: 0,
            began: false,
            ledger,
            last: String::new(),
            logged: None,
            hazard: Hazard::default(),
        }
    }

    /// Works until the daemon ends.
    fn work(&mut self) {
        self.look(Look::AtRest);
        // Returns when woken, or at the time of the next look.
        while self.wake.recv_timeout(LOOK_EVERY) != Err(RecvTimeoutError::Disconnected) {
            match self.rig.ask(Owner::next) {
                Ok(Next::Job(job, handle)) => {
                    self.run(*job, handle);
                    self.look(Look::AtRest);
                }
                Ok(Next::Look) => {
                    self.look(Look::AtRest);
                    self.settle();
                }
                // Without an owner no run begins; the supervisor ends the program.
                Ok(Next::End) | Err(_) => return,
            }
        }
    }

    fn failed_inside(&mut self) {
        tracing::error!(rig = self.rig.name, "internal error in the worker of this rig");
        (self.link, self.safe) = (None, false);
        self.rig.post(|owner| owner.found(Look::AtRest, Err(Fault::Inside)));
        std::thread::park_timeout(LOOK_EVERY);
    }

    /// Sets the outputs to their safe values at the end.
    fn leave(&mut self) -> Left {
        self.link = None;
        match (&self.lock, &self.logged) {
            (Some(_), _) => {}
            (None, Some(Fault::Taken(_))) => {
                tracing::warn!(rig = self.rig.name, "never this daemon's; nothing is known of its outputs");
                return Left::NotOurs;
            }
            (None, Some(Fault::PortInUse(_))) => {
                let tried = self.reached(self.rig.clone().sheets.rig());
                if tried.is_err() {
                    tracing::error!(
                        rig = self.rig.name,
                        "another program has its port open: outputs NOT confirmed safe"
                    );
                    return Left::InDoubt;
                }
            }
            (None, _) => {
                tracing::error!(
                    rig = self.rig.name,
                    "its module was never reached: outputs NOT confirmed safe"
                );
                return Left::InDoubt;
            }
        }
        let rig = Arc::clone(&self.rig);
        if rig.pin.wire().is_none() && self.reached(rig.sheets.rig()).is_ok() {
            // Silent at the last look: tried once more.
            self.reached.iter().for_each(|wire| rig.pin.set(wire));
        }
        if rig.pin.make_safe(rig.sheets.rig()) {
            tracing::info!(rig = self.rig.name, "outputs set to their safe values, read back");
            Left::Safe
        } else {
            tracing::error!(rig = self.rig.name, "outputs NOT confirmed safe at the end");
            Left::InDoubt
        }
    }
}

#[cfg(test)]
mod tests;
