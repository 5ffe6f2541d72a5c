//! The rig's thread, and what is left to do when it has ended.

use crate::{JobError, Prepared, folder, wall};
use std::future::Future;
use std::net::TcpStream;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;
use tripbench_engine::Plan;
use tripbench_link::{Clock, Link, ModuleWire, StopLatch, resolve};
use tripbench_rig::{LinkSheet, RigSheet, Wire};
use tripbench_runner::{Control, JournalError, JournalWriter, Listener, LiveRun, run_live};

/// Bytes of journal for one scan.
const BYTES_PER_SCAN: f64 = 200.0;

/// How a run is told to stop, and what it is answered; there before the run is.
#[derive(Debug, Clone)]
pub struct Reins {
    /// Answers and stops.
    pub control: Sender<Control>,
    /// Stops at once.
    pub latch: StopLatch,
}

impl Reins {
    /// New ones, and the end that the run holds.
    pub fn new() -> (Self, Receiver<Control>) {
        let (control, controlled) = channel();
        (Self { control, latch: StopLatch::armed() }, controlled)
    }
}

/// A run on its rig's thread.
#[derive(Debug)]
pub struct Running {
    thread: JoinHandle<Result<(), JournalError>>,
}

/// How a rig's thread ended.
#[derive(Debug)]
pub enum HowEnded {
    /// In order; the journal is whole.
    InOrder,
    /// The journal could not be written: the run was stopped and made safe.
    JournalFailed(JournalError),
    /// It panicked: nobody has made the rig safe.
    Panicked,
}

impl Running {
    /// Waits for its end.
    pub fn join(self) -> HowEnded {
        match self.thread.join() {
            Ok(Ok(())) => HowEnded::InOrder,
            Ok(Err(error)) => HowEnded::JournalFailed(error),
            Err(_) => HowEnded::Panicked,
        }
    }

    /// Whether it has ended.
    pub fn is_over(&self) -> bool {
        self.thread.is_finished()
    }
}

/// Makes the journal of a run in its folder; `listener` sees events once they are recorded.
///
/// # Errors
/// If the journal cannot be made.
pub fn journal(prepared: &Prepared, listener: Listener) -> Result<JournalWriter, JobError> {
    let path = prepared.folder.join(folder::JOURNAL);
    Ok(JournalWriter::create(&path, expected_bytes(prepared), listener)?)
}

/// Starts a run on a thread of its own; `beside` is polled on the same thread as long as the run lasts. The module's lock is the
/// caller's to hold.
///
/// # Errors
/// If the module's address is none, or there is no thread to have.
pub fn start<F: Future<Output = ()> + 'static>(
    prepared: &Prepared,
    journal: JournalWriter,
    (reins, controlled): (Reins, Receiver<Control>),
    beside: impl FnOnce(StopLatch, Sender<Control>) -> F + Send + 'static,
) -> Result<Running, JobError> {
    let link = prepared.task.sheets.rig.link.clone();
    let transport = ModuleWire::of(&link)?;
    let path = prepared.folder.clone();
    let Reins { control: stops, latch: stopped } = reins;
    let plan = Plan { task: prepared.task.clone(), header: prepared.header.clone() };
    let spawned = std::thread::Builder::new().name(String::from("rig")).spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|_| JournalError::Failed)?;
        runtime.block_on(async move {
            let beside = beside(stopped.clone(), stops);
            let clock = Clock::start();
            let link = Link::new(transport, clock.clone(), stopped.clone(), &plan.task.sheets.rig);
            let run = LiveRun { plan, link, clock, latch: stopped, journal, control: controlled, wall };
            let aside = async {
                beside.await;
                std::future::pending().await
            };
            tokio::select! {
                ended = run_live(run) => ended,
                ended = aside => ended,
            }
        })
    });
    let thread =
        spawned.map_err(|source| JobError::File { what: "start the rig's thread for", path, source })?;
    Ok(Running { thread })
}

/// One try over a fresh connection; a few seconds at most.
pub fn make_safe(rig: &RigSheet) -> bool {
    let rig = rig.clone();
    let tried = std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().ok()?;
        let transport = ModuleWire::of(&rig.link).ok()?;
        let mut link = Link::new(transport, Clock::start(), StopLatch::armed(), &rig);
        let safe = runtime.block_on(link.make_safe(&rig));
        if safe.is_err() {
            // What was sent before may still be acted on: not so soon again.
            runtime.block_on(async { tokio::time::sleep(Duration::from_secs(2)).await });
        }
        safe.ok()
    });
    matches!(tried.join(), Ok(Some(_)))
}

/// Whether anything is at the other end: without it there is no run to record. A serial port shows that it is there, who
/// is on its line only an answer does.
///
/// # Errors
/// If nothing takes a connection.
pub fn anything_there(link: &LinkSheet) -> Result<(), JobError> {
    let (address, key) = match &link.wire {
        Wire::Tcp(address) => (address, "tcp"),
        Wire::RtuOverTcp(address) => (address, "rtu_over_tcp"),
        Wire::Serial(_) => return Ok(()),
    };
    let socket = resolve(address)?;
    let nothing = |source| JobError::NothingThere { address: address.value.clone(), key, source };
    TcpStream::connect_timeout(&socket, Duration::from_secs(3)).map_err(nothing)?;
    Ok(())
}

/// Predicted size of the journal and a quarter more.
fn expected_bytes(prepared: &Prepared) -> u64 {
    let interval = prepared.task.sheets.rig.scan_time().si().max(5e-4);
    let scans = prepared.task.predicted().si().max(1.0) / interval;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a positive number of bytes")]
    let bytes = (scans * BYTES_PER_SCAN * 1.25) as u64;
    bytes
}
