//! Serves a bench: makes the rigs safe before it opens the port, and again at the end.

use crate::at_disk::AtDisk;
use crate::http;
use crate::keys::Keys;
use crate::limits::Limits;
use crate::stage::{Daemon, Stage};
use crate::timing::Timing;
use rustix::process::{Resource, getrlimit, setrlimit};
use std::cell::RefCell;
use std::future::Future;
use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;
use thiserror::Error;
use tokio::runtime::Runtime;
use tokio::sync::Semaphore;
use tripbench_bench::{Audience, Bench, BenchError, Ended, RigEntry, leave_safe};

/// Parameters of a daemon.
#[derive(Debug)]
pub struct Serve {
    /// Address and port where it listens.
    pub listen: SocketAddr,
    /// Folder of the runs.
    pub runs: PathBuf,
    /// Identifiers of the users who may operate the bench, besides the daemon's own and root.
    pub users: Vec<u32>,
    /// The rigs.
    pub rigs: Vec<RigEntry>,
    /// Limits and timeouts of the HTTP side.
    pub limits: Limits,
}

/// Why a daemon cannot serve.
#[derive(Debug, Error)]
pub enum ServeError {
    /// The address can be reached from other machines.
    #[error(
        "{0} can be reached from other machines: the daemon has no sign-in and no TLS yet, so it listens on loopback only (127.0.0.1 or [::1])"
    )]
    NotLoopback(SocketAddr),
    /// The daemon cannot listen on the address.
    #[error("cannot listen on {address}")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// Error of the system.
        #[source]
        source: std::io::Error,
    },
    /// The bench cannot be served.
    #[error(transparent)]
    Bench(#[from] BenchError),
    /// A thread cannot be spawned, or serving failed.
    #[error("the system refuses a thread or a connection")]
    System(#[from] std::io::Error),
}

/// Serves until `until` completes; then no new run begins, the runs in progress are stopped, and the outputs of every rig are set to their
/// safe values. `listening` is called with the address once requests are accepted. Every rig is made safe before anything else, even if the
/// bench cannot be served.
///
/// # Errors
/// If the bench cannot be served, or the system refuses a thread or a connection.
pub fn serve(
    of: Serve,
    until: impl Future<Output = &'static str>,
    listening: impl FnOnce(SocketAddr),
) -> Result<Ended, ServeError> {
    let Serve { listen, runs, users, rigs, limits } = of;
    if !listen.ip().is_loopback() {
        leave_safe(rigs.iter().map(|rig| rig.sheets.rig().clone()).collect()).log();
        return Err(ServeError::NotLoopback(listen));
    }
    // A connection is an open file; some are kept for the modules and the records.
    let mut files = getrlimit(Resource::Nofile);
    files.current = files.maximum;
    if let Err(error) = setrlimit(Resource::Nofile, files) {
        tracing::warn!(%error, "cannot raise the limit of open files");
    }
    let stages = RefCell::new(Vec::new());
    let timing = Timing::default();
    let audience = |entry: &RigEntry| {
        let stage = Arc::new(Stage::new(timing.of(&entry.sheets.name()))?);
        stages.borrow_mut().push(Arc::clone(&stage));
        Ok(stage as Arc<dyn Audience>)
    };
    // Make the rigs safe before opening the port, which any other program may occupy.
    let bench = Bench::begin(rigs, (&runs, limits.disk), audience)?;
    let start_id = uuid::Uuid::now_v7().simple().to_string();
    let (end_within, watchers) = (limits.end_within, Arc::new(Semaphore::new(limits.watchers)));
    let stages = stages.into_inner();
    let (keys, at_disk) = (Keys::default(), AtDisk::new(&limits));
    let daemon = Arc::new(Daemon { bench, stages, users, limits, keys, timing, at_disk, watchers, start_id });
    let bound = TcpListener::bind(listen).map_err(|source| ServeError::Listen { address: listen, source });
    let served = bound.and_then(|listener| attend(&daemon, listener, until, listening));
    // Whatever the reason of the end, stop the runs in progress and make every rig safe.
    let ended = daemon.bench.end();
    served.map(|runtime| {
        runtime.shutdown_timeout(end_within);
        ended
    })
}

/// Accepts requests until `until` completes.
fn attend(
    daemon: &Arc<Daemon>,
    listener: TcpListener,
    until: impl Future<Output = &'static str>,
    listening: impl FnOnce(SocketAddr),
) -> Result<Runtime, ServeError> {
    daemon.bench.open()?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .thread_name("http")
        .enable_all()
        .build()?;
    listener.set_nonblocking(true)?;
    let address = listener.local_addr()?;
    let listener = runtime.block_on(async { tokio::net::TcpListener::from_std(listener) })?;
    let (router, stops) = (http::router(Arc::clone(daemon)), http::stops(Arc::clone(daemon)));
    runtime.spawn(http::take(listener, router, stops, daemon.limits.clone()));
    let _nobody_listens = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
    tracing::info!(%address, rigs = daemon.bench.rigs.len(), "listening");
    listening(address);
    let why = runtime.block_on(until);
    // Before anything is logged, because the log may hang.
    daemon.bench.stop();
    tracing::info!(why, "ending: stopping the runs in progress and making every rig safe");
    let _nobody_listens = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
    Ok(runtime)
}
