//! The thread of a rig, which runs a live run, and the safe state after it.

use crate::{
    Control, JobError, JournalError, JournalWriter, Listener, LiveRun, Prepared, folder, run_live, wall,
};
use std::future::Future;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;
use tracing::Span;
use tripbench_engine::Plan;
use tripbench_link::{Clock, Link, Module, ModuleWire, StopLatch};
use tripbench_record::Halt;
use tripbench_rig::RigSheet;

/// Length of the journal for one scan, bytes.
const BYTES_PER_SCAN: f64 = 200.0;

/// Longest time until the module accepts a connection.
const ACCEPTS_WITHIN: Duration = Duration::from_secs(3);

/// Controls of a run: answers and stops. Created before the run starts.
#[derive(Debug, Clone)]
pub struct RunHandle {
    /// Sends answers and stops with their reason.
    pub control: Sender<Control>,
    /// Blocks every output but safe at once.
    pub latch: StopLatch,
}

impl RunHandle {
    /// New controls, and the receiver for the run.
    pub fn new() -> (Self, Receiver<Control>) {
        let (control, controlled) = channel();
        (Self { control, latch: StopLatch::armed() }, controlled)
    }

    /// Stops the run: its record says `halt`, unless it was stopped before.
    pub fn stop(&self, halt: Halt) {
        // The reason first: the engine reads it when it sees the latch.
        let _run_is_over = self.control.send(Control::Stop(halt));
        self.latch.set();
    }
}

/// A run on the thread of its rig.
#[derive(Debug)]
pub struct Running {
    thread: JoinHandle<Result<(), JournalError>>,
    wire: ModuleWire,
}

/// How the thread of a rig ended.
#[derive(Debug)]
pub enum HowEnded {
    /// Normally; the journal is complete.
    InOrder,
    /// The journal could not be written: the run was stopped and made safe.
    JournalFailed(JournalError),
    /// The thread panicked, so the rig was not made safe.
    Panicked,
}

impl Running {
    /// Waits for the thread to end.
    pub fn join(self) -> HowEnded {
        match self.thread.join() {
            Ok(Ok(())) => HowEnded::InOrder,
            Ok(Err(error)) => HowEnded::JournalFailed(error),
            Err(_) => HowEnded::Panicked,
        }
    }

    /// A fresh wire to the module of the run: to the address or serial device that the run has used.
    pub fn wire(&self) -> ModuleWire {
        self.wire.again()
    }

    /// Whether the thread has ended.
    pub fn is_over(&self) -> bool {
        self.thread.is_finished()
    }
}

/// Creates the journal of a run in its folder. `listener` sees events once they are recorded.
///
/// # Errors
/// If the journal cannot be created.
pub fn journal(prepared: &Prepared, listener: Listener) -> Result<JournalWriter, JobError> {
    let path = prepared.folder.join(folder::JOURNAL);
    Ok(JournalWriter::create(&path, expected_bytes(prepared), listener)?)
}

/// Starts a run on its own thread, in the caller's span, over a wire to the module. The future of `beside` is polled on that thread as long as the run lasts. The
/// caller must hold the lock of the module.
///
/// # Errors
/// If the thread cannot be spawned.
pub fn start<F: Future<Output = ()> + 'static>(
    prepared: &Prepared,
    transport: ModuleWire,
    journal: JournalWriter,
    (handle, controlled): (RunHandle, Receiver<Control>),
    beside: impl FnOnce(StopLatch, Sender<Control>) -> F + Send + 'static,
) -> Result<Running, JobError> {
    let wire = transport.again();
    let is_here = transport.is_on_this_computer();
    let path = prepared.folder.clone();
    let RunHandle { control: stops, latch: stopped } = handle;
    let plan = Plan { task: prepared.task.clone(), header: prepared.header.clone() };
    let span = Span::current();
    let spawned = std::thread::Builder::new().name(String::from("rig")).spawn(move || {
        let _in_run = span.entered();
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|_| JournalError::Failed)?;
        runtime.block_on(async move {
            let beside = beside(stopped.clone(), stops);
            let clock = Clock::start();
            let link = Link::new(transport, clock.clone(), stopped.clone(), &plan.task.sheets.rig);
            let (latch, control) = (stopped, controlled);
            let run = LiveRun { plan, link, clock, latch, journal, control, wall, is_here };
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
    Ok(Running { thread, wire })
}

/// Tries once to make the outputs safe, over a fresh wire to the module of `wire`: to the same address or serial device. Returns whether that
/// was confirmed, within a few seconds.
pub fn make_safe_over(wire: &ModuleWire, rig: &RigSheet) -> bool {
    let (rig, transport) = (rig.clone(), wire.again());
    let tried = std::thread::Builder::new().spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().ok()?;
        let mut link = Link::new(transport, Clock::start(), StopLatch::armed(), &rig);
        let safe = runtime.block_on(link.make_safe(&rig));
        if safe.is_err() {
            // The module may still act on what was sent: delay the next try.
            runtime.block_on(async { tokio::time::sleep(Duration::from_secs(2)).await });
        }
        safe.ok()
    });
    tried.is_ok_and(|tried| matches!(tried.join(), Ok(Some(_))))
}

/// Tests whether the module accepts a connection, so that no run is recorded without a module, and returns the wire to it. Always succeeds for
/// a serial port, where only an answer would show a module.
///
/// # Errors
/// If nothing accepts a connection within 3 s.
pub fn anything_there(module: &Module) -> Result<ModuleWire, JobError> {
    let (address, key) = (module.address().to_owned(), module.key());
    let nothing = |source| JobError::NothingThere { address, key, source };
    module.accepting(ACCEPTS_WITHIN).map_err(nothing)
}

/// Predicted size of the journal plus a quarter, bytes.
fn expected_bytes(prepared: &Prepared) -> u64 {
    let interval = prepared.task.sheets.rig.scan_time().si().max(5e-4);
    let scans = prepared.task.predicted().si().max(1.0) / interval;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a positive number of bytes")]
    let bytes = (scans * BYTES_PER_SCAN * 1.25) as u64;
    bytes
}
