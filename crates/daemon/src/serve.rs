//! Serves a bench: rigs first, then the port; at the end the rigs last.

use crate::http;
use crate::stage::{Daemon, Stage};
use rustix::process::{Resource, getrlimit, setrlimit};
use std::cell::RefCell;
use std::future::Future;
use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use thiserror::Error;
use tokio::runtime::Runtime;
use tripbench_bench::{Audience, Bench, BenchError, Ended, RigEntry, leave_safe};

/// What a daemon serves.
#[derive(Debug)]
pub struct Serve {
    /// Where it listens.
    pub listen: SocketAddr,
    /// Folder of the runs.
    pub runs: PathBuf,
    /// Identifiers of the users who may operate the bench, besides the daemon's own and root.
    pub users: Vec<u32>,
    /// The rigs.
    pub rigs: Vec<RigEntry>,
}

/// Why a daemon does not serve.
#[derive(Debug, Error)]
pub enum ServeError {
    /// The address can be reached from other machines.
    #[error(
        "{0} can be reached from elsewhere: without sign-in and TLS, which are not there yet, the daemon listens on loopback only (127.0.0.1 or [::1])"
    )]
    NotLoopback(SocketAddr),
    /// The address cannot be listened on.
    #[error("cannot listen on {address}")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// Why not.
        #[source]
        source: std::io::Error,
    },
    /// The bench cannot be used as it is.
    #[error(transparent)]
    Bench(#[from] BenchError),
    /// The system gives no thread, or serving failed.
    #[error("the system gives no thread or no connection")]
    System(#[from] std::io::Error),
}

/// Serves until `until` is done; then nothing new begins, the runs in progress are stopped, and the outputs of every rig are set to their safe values. `listening` is
/// called with the address once requests are accepted. Every rig is made safe before anything else, also where the bench cannot be served.
///
/// # Errors
/// If the bench cannot be served as it is, or the system refuses.
pub fn serve(
    of: Serve,
    until: impl Future<Output = &'static str>,
    listening: impl FnOnce(SocketAddr),
) -> Result<Ended, ServeError> {
    let Serve { listen, runs, users, rigs } = of;
    if !listen.ip().is_loopback() {
        leave_safe(rigs.iter().map(|rig| rig.sheets.rig().clone()).collect()).log();
        return Err(ServeError::NotLoopback(listen));
    }
    // A connection is a file to the system; some are kept for the modules and the records.
    let mut files = getrlimit(Resource::Nofile);
    files.current = files.maximum;
    if let Err(error) = setrlimit(Resource::Nofile, files) {
        tracing::warn!(%error, "the limit of open files stays as it is");
    }
    let stages = RefCell::new(Vec::new());
    let audience = |_: &RigEntry| {
        let stage = Arc::new(Stage::new()?);
        stages.borrow_mut().push(Arc::clone(&stage));
        Ok(stage as Arc<dyn Audience>)
    };
    // Safe first, before the port: any program can hold that.
    let bench = Bench::begin(rigs, &runs, audience)?;
    let life = uuid::Uuid::now_v7().simple().to_string();
    let daemon = Arc::new(Daemon { bench, stages: stages.into_inner(), users, life });
    let bound = TcpListener::bind(listen).map_err(|source| ServeError::Listen { address: listen, source });
    let served = bound.and_then(|listener| attend(&daemon, listener, until, listening));
    // However it ended: the runs in progress are stopped, and every rig is made safe.
    let ended = daemon.bench.end();
    served.map(|runtime| {
        runtime.shutdown_timeout(Duration::from_millis(500));
        ended
    })
}

/// Accepts requests until `until` is done.
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
    runtime.spawn(http::take(listener, http::router(Arc::clone(daemon)), http::stops(Arc::clone(daemon))));
    let _nobody_listens = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
    tracing::info!(%address, rigs = daemon.bench.rigs.len(), "listening");
    listening(address);
    let why = runtime.block_on(until);
    // Before anything is logged: a log may hang.
    daemon.bench.stop();
    tracing::info!(why, "ending: runs in progress are stopped, every rig is made safe");
    let _nobody_listens = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
    Ok(runtime)
}
