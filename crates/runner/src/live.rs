//! A run in real time: over a wire, with a journal on the disk.

use crate::drive::{Control, Drive, Judges, Keeper, begin};
use crate::journal::{JournalError, JournalWriter};
use rustix::process::setpriority_process;
use rustix::thread::gettid;
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::Duration;
use tokio::task::spawn_blocking;
use tracing::Span;
use tripbench_engine::{Input, Judging, Plan};
use tripbench_link::{Clock, Link, StopLatch, Transport};
use tripbench_quantity::Mono;
use tripbench_record::{Check, Event, Halt, Seq};

/// Niceness of the judging thread: about a quarter of the processor share of a scanning thread.
const STANDS_BACK: i32 = 6;
/// Longest time to judge a step. Usual are a few tenths of a second.
const LONGEST_JUDGING: Duration = Duration::from_mins(1);

/// The parts of a live run.
#[derive(Debug)]
pub struct LiveRun<T> {
    /// The plan.
    pub plan: Plan,
    /// The link to the module.
    pub link: Link<T>,
    /// The clock of the link.
    pub clock: Clock,
    /// The latch that the link obeys.
    pub latch: StopLatch,
    /// The journal.
    pub journal: JournalWriter,
    /// Receives answers and stops.
    pub control: Receiver<Control>,
    /// Source of the wall-clock time for the end, RFC 3339.
    pub wall: fn() -> String,
    /// Whether the module is on this computer, so that no hardware module is there.
    pub is_here: bool,
}

/// Runs until the engine has ended and everything is recorded. Writes safe before anything else.
///
/// # Errors
/// If the journal failed. In that case the run was stopped, and the outputs were set to safe.
pub async fn run_live<T: Transport>(run: LiveRun<T>) -> Result<(), JournalError> {
    let LiveRun { plan, mut link, clock, latch, journal, control, wall, is_here } = run;
    let task = plan.task.clone();
    let rig = &task.sheets.rig;
    let place = || is_here.then(|| rig.link.address().to_owned());
    let engine = begin(plan, &mut link, (&clock, &latch), place).await;
    let (wall, judges) = (Some(wall), OnAThread(None));
    let mut drive = Drive { engine, link, clock, latch, keeper: journal, judges, control, wall, lost: false };
    drive.run(rig, &task.plan).await;
    // The disk may be slow: let the other tasks of this thread continue.
    let journal = drive.keeper;
    spawn_blocking(move || journal.finish()).await.unwrap_or(Err(JournalError::Failed))
}

impl Keeper for JournalWriter {
    fn keep(&mut self, event: Event) -> Result<(), JournalError> {
        self.send(event)
    }

    fn written(&mut self) -> Option<Seq> {
        Self::written(self)
    }
}

/// Judges on a thread of its own, so that scans continue. Contains the receiver for the checks and the deadline of the step in progress.
struct OnAThread(Option<(Receiver<Vec<Check>>, Mono)>);

impl Judges for OnAThread {
    fn begin(&mut self, step: Judging, now: Mono) {
        let (done, judged) = channel();
        let span = Span::current();
        // The thread is not joined: a stopped run ends at once.
        let _or_it_is_dropped = std::thread::Builder::new().name(String::from("judge")).spawn(move || {
            let _in_run = span.entered();
            // Lower the priority below the threads of the rigs, if the system permits.
            let _as_before = setpriority_process(Some(gettid()), STANDS_BACK);
            let _run_is_over = done.send(step.checks());
        });
        self.0 = Some((judged, now + LONGEST_JUDGING));
    }

    fn poll(&mut self, now: Mono) -> Option<Input> {
        let (judged, until) = self.0.as_ref()?;
        let fault = |why: &str| Input::Abort(Halt::StepFault { why: why.to_owned() });
        let input = match judged.try_recv() {
            Ok(checks) => Input::Judged(checks),
            Err(TryRecvError::Empty) if now < *until => return None,
            Err(TryRecvError::Empty) => fault("it was not judged within a minute"),
            Err(TryRecvError::Disconnected) => fault("it could not be judged"),
        };
        self.0 = None;
        Some(input)
    }
}
