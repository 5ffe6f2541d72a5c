//! The daemon as a whole: rigs, runs, HTTP, and how they begin and end.

use crate::first::{Ended, leave_safe, looked_at};
use crate::foreseen;
use crate::http;
use crate::rig::Rig;
use crate::runs::Runs;
use crate::sheets::{NotPlanned, RigSheets};
use crate::state::RigState;
use crate::supervise;
use crate::worker::{Left, employ};
use rustix::process::{Resource, getrlimit, setrlimit};
use std::future::Future;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;
use thiserror::Error;
use tokio::runtime::Runtime;
use tripbench_job::{JobError, make_safe};
use tripbench_link::{Clock, module_address};

/// At the end, longest time for the workers to leave their rigs safe and to finish their records.
const WORKERS_HAVE: Duration = Duration::from_secs(20);

/// A rig of a bench, with what is known of it beforehand.
#[derive(Debug)]
pub struct RigEntry {
    /// Its sheets.
    pub sheets: RigSheets,
    /// Whether it is a simulated one: then no device is tested.
    pub simulated: bool,
    /// Called in its runs, where somebody wants to see them fail; `None` on a bench.
    pub probes: Option<Probes>,
}

/// What a test has called for a run: each may panic, or not come back.
#[derive(Debug, Clone, Copy)]
pub struct Probes {
    /// On the thread that makes the folder of a run, before it.
    pub in_folder: fn(),
    /// On the run's own thread, between two steps of its work.
    pub in_run: fn(),
    /// On the thread that writes the journal, after each event.
    pub in_journal: fn(),
}

/// What a daemon serves.
#[derive(Debug)]
pub struct Bench {
    /// Where it listens.
    pub listen: SocketAddr,
    /// Folder of the runs.
    pub runs: PathBuf,
    /// The rigs.
    pub rigs: Vec<RigEntry>,
}

/// Why a daemon does not serve.
#[derive(Debug, Error)]
pub enum ServeError {
    /// The address is not of this machine alone.
    #[error(
        "{0} can be reached from elsewhere: without sign-in and TLS, which are not there yet, the daemon listens on loopback only (127.0.0.1 or [::1])"
    )]
    NotLoopback(SocketAddr),
    /// Nothing to serve.
    #[error("no rig: a bench has one at the least")]
    NoRig,
    /// Two rigs of one name.
    #[error("two rigs are called `{0}`: give one of them another name")]
    TwoRigs(String),
    /// Two rigs at one module.
    #[error("`{first}` and `{second}` name the same module, `{address}`: a module has one rig")]
    OneModule {
        /// A rig.
        first: String,
        /// Another.
        second: String,
        /// The module's address.
        address: String,
    },
    /// The address cannot be listened on.
    #[error("cannot listen on {address}")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// Why not.
        #[source]
        source: std::io::Error,
    },
    /// The folder of runs cannot be used.
    #[error(transparent)]
    Runs(#[from] JobError),
    /// Sheets have errors.
    #[error(transparent)]
    Sheets(#[from] NotPlanned),
    /// The system gives no thread, or serving failed.
    #[error("the system gives no thread or no connection")]
    System(#[from] std::io::Error),
}

/// A daemon that serves.
#[derive(Debug)]
pub(crate) struct Daemon {
    /// The rigs, in the order of the bench sheet.
    pub(crate) rigs: Vec<Arc<Rig>>,
    /// The runs.
    pub(crate) runs: Arc<Runs>,
    /// Another one each time the daemon begins: frames of one life are not those of another.
    pub(crate) life: String,
}

impl Daemon {
    /// A rig by its name.
    pub(crate) fn rig(&self, name: &str) -> Option<Arc<Rig>> {
        self.rigs.iter().find(|rig| rig.name == name).cloned()
    }

    /// The other rigs as they are.
    pub(crate) fn others(&self, name: &str) -> Vec<RigState> {
        self.rigs.iter().filter(|rig| rig.name != name).map(|rig| rig.state()).collect()
    }

    /// Journal of a run that is over or goes on.
    pub(crate) fn journal_of(&self, run: &str) -> Option<PathBuf> {
        let live = || {
            // Also one whose record is not made yet.
            let knows = |rig: &&Arc<Rig>| {
                let state = rig.state();
                rig.runs_now(run)
                    || state.run.is_some_and(|shown| shown.run == run)
                    || state.owed.iter().any(|owed| owed == run)
            };
            let rig = self.rigs.iter().find(knows)?;
            self.runs.under_way(&rig.name, run)
        };
        let folder = self.runs.find(run).or_else(live)?;
        Some(folder.join(tripbench_job::folder::JOURNAL))
    }
}

/// Serves until `until` is done; then nothing new begins, what runs is stopped, and every rig is left safe. `listening` is told
/// the address when requests are taken. Every rig is made safe before anything else, also where the bench cannot be served.
///
/// # Errors
/// If the bench cannot be served as it is, or the system refuses.
pub fn serve(
    bench: Bench,
    until: impl Future<Output = &'static str>,
    listening: impl FnOnce(SocketAddr),
) -> Result<Ended, ServeError> {
    if let Err(why) = may_serve(&bench) {
        leave_safe(bench.rigs.iter().map(|rig| rig.sheets.rig().clone()).collect()).log();
        return Err(why);
    }
    // A connection is a file to the system; there is to be one left for the module and for the record.
    let mut files = getrlimit(Resource::Nofile);
    files.current = files.maximum;
    if let Err(error) = setrlimit(Resource::Nofile, files) {
        tracing::warn!(%error, "the limit of open files stays as it is");
    }
    let runs = Arc::new(Runs::of(&bench.runs));
    let rigs: Vec<Arc<Rig>> = bench.rigs.into_iter().map(|entry| Arc::new(Rig::new(entry))).collect();
    // Safe first, before the port: any program can hold that. A second daemon of the same rigs touches nothing, for their modules are
    // the first one's.
    let workers = rigs
        .iter()
        .map(|rig| employ(Arc::clone(rig), Arc::clone(&runs)))
        .collect::<std::io::Result<Vec<_>>>()?;
    looked_at(&rigs);
    let bound = std::net::TcpListener::bind(bench.listen)
        .map_err(|source| ServeError::Listen { address: bench.listen, source });
    let served = bound.and_then(|listener| attend(&rigs, &runs, listener, until, listening));
    // However it ended: what runs is stopped, and every rig is left safe.
    for rig in &rigs {
        rig.end();
    }
    let how = left(&rigs, workers);
    served.map(|(runtime, ended)| {
        ended.store(true, Ordering::SeqCst);
        runtime.shutdown_timeout(Duration::from_millis(500));
        how
    })
}

/// Whether a bench can be served as it is.
fn may_serve(bench: &Bench) -> Result<(), ServeError> {
    if !bench.listen.ip().is_loopback() {
        return Err(ServeError::NotLoopback(bench.listen));
    }
    if bench.rigs.is_empty() {
        return Err(ServeError::NoRig);
    }
    let mut known: Vec<(String, String)> = Vec::new();
    for rig in &bench.rigs {
        let name = rig.sheets.name();
        if known.iter().any(|(_, other)| *other == name) {
            return Err(ServeError::TwoRigs(name));
        }
        // An address that is none is told by the rig itself.
        let address = module_address(&rig.sheets.rig().link).unwrap_or_default();
        if let Some((_, first)) = known.iter().find(|(known, _)| *known == address && !address.is_empty()) {
            return Err(ServeError::OneModule { first: first.clone(), second: name, address });
        }
        known.push((address, name));
    }
    Ok(())
}

/// Waits for the workers; how they left their rigs. Where a worker does not come to its end, as with a
/// disk that hangs at a record, its rig is made safe without it.
fn left(rigs: &[Arc<Rig>], workers: Vec<JoinHandle<Left>>) -> Ended {
    let clock = Clock::start();
    let begun = clock.now();
    while workers.iter().any(|worker| !worker.is_finished()) && clock.now().since(begun) < WORKERS_HAVE {
        std::thread::park_timeout(Duration::from_millis(20));
    }
    let mut ended = Ended::default();
    for (rig, worker) in rigs.iter().zip(workers) {
        let left = if worker.is_finished() {
            // A worker that panicked has confirmed nothing.
            worker.join().unwrap_or(Left::InDoubt)
        } else {
            tracing::error!(
                rig = rig.name,
                "its record is still being made: it is read again at the next start"
            );
            if make_safe(rig.sheets.rig()) { Left::Safe } else { Left::InDoubt }
        };
        ended.add(rig.name.clone(), left);
    }
    ended
}

/// Takes requests until `until` is done.
fn attend(
    rigs: &[Arc<Rig>],
    runs: &Arc<Runs>,
    listener: std::net::TcpListener,
    until: impl Future<Output = &'static str>,
    listening: impl FnOnce(SocketAddr),
) -> Result<(Runtime, Arc<AtomicBool>), ServeError> {
    runs.open()?;
    for rig in rigs {
        rig.begin_with(runs.last(&rig.name));
    }
    let life = uuid::Uuid::now_v7().simple().to_string();
    let daemon = Arc::new(Daemon { rigs: rigs.to_vec(), runs: Arc::clone(runs), life });
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .thread_name("http")
        .enable_all()
        .build()?;
    listener.set_nonblocking(true)?;
    let address = listener.local_addr()?;
    let listener = runtime.block_on(async { tokio::net::TcpListener::from_std(listener) })?;
    let ended = Arc::new(AtomicBool::new(false));
    supervise::watch(rigs.to_vec(), Arc::clone(&ended))?;
    foreseen::watch(rigs.to_vec(), Arc::clone(&ended))?;
    runtime.spawn(http::take(listener, http::router(Arc::clone(&daemon)), http::stops(daemon)));
    let _nobody_listens = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
    tracing::info!(%address, rigs = rigs.len(), "listening");
    listening(address);
    let why = runtime.block_on(until);
    // First of all: a log may hang.
    for rig in rigs {
        rig.end();
    }
    tracing::info!(why, "ending: what runs is stopped, every rig is left safe");
    let _nobody_listens = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
    Ok((runtime, ended))
}
