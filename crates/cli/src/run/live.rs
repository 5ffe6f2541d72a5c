//! A live run: the rig on a thread of its own, the person on this one.

use super::{Prepared, wall};
use crate::{output, progress::Progress, prompt, say};
use anyhow::{Context, Result};
use std::net::TcpStream;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::Path;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;
use tripbench_engine::Plan;
use tripbench_link::{Clock, Link, ModuleLock, StopLatch, TcpTransport, resolve};
use tripbench_record::journal::line;
use tripbench_record::{Event, EventKind, Halt, Record, RunView, Trace};
use tripbench_runner::{Control, JournalError, JournalWriter, LiveRun, recover, run_live};

/// What is shown while it runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Show {
    /// A bar or lines.
    Progress,
    /// Each event as a line on standard output.
    EventLines,
}

/// Bytes of journal for one second: 200 scans of 150 bytes.
const BYTES_PER_SECOND: f64 = 40_000.0;

/// Runs to the end and gives the record.
pub(crate) fn run(prepared: &Prepared, show: Show) -> Result<(Record, Trace)> {
    let rig = &prepared.task.sheets.rig;
    let _lock = ModuleLock::take(&rig.link.tcp)?;
    anything_there(&rig.link.tcp)?;
    let (events, seen) = sync_channel(65_536);
    let journal = prepared.folder.join(output::JOURNAL);
    let writer = JournalWriter::create(&journal, expected_bytes(prepared), listener(events))?;
    let (control, controlled) = channel();
    let latch = StopLatch::armed();
    let thread = start(prepared, (writer, controlled, control.clone()), latch.clone())?;
    // Whatever goes wrong in showing a run, the run itself is ended in order first.
    let shown = catch_unwind(AssertUnwindSafe(|| follow(prepared, show, &seen, &control)));
    if shown.is_err() {
        latch.set();
    }
    let ended = thread.join();
    if let Err(panic) = shown {
        resume_unwind(panic);
    }
    match ended {
        Ok(Ok(())) => {}
        Ok(Err(error)) => say::error(&format!("{:#}", anyhow::Error::from(error))),
        Err(_) => {
            say::error("the program failed inside; the rig is being made safe");
            make_safe(prepared);
            let why = String::from("the rig's thread ended by itself");
            return from_journal(&journal, Halt::StepFault { why });
        }
    }
    from_journal(&journal, Halt::RecordLost)
}

/// The record, from the journal alone: what is shown live may have missed events, the journal has not. One that was left
/// open is closed with a halt.
fn from_journal(journal: &Path, halt: Halt) -> Result<(Record, Trace)> {
    let recovered = recover(journal, halt)?;
    let mut view = RunView::default();
    recovered.events.iter().for_each(|event| view.fold(event));
    output::record(&view).context("the journal holds no run")
}

/// Whether anything listens at the module's address: without it there is no run to record.
fn anything_there(address: &str) -> Result<()> {
    let socket = resolve(address)?;
    TcpStream::connect_timeout(&socket, Duration::from_secs(3)).with_context(|| {
        format!("nothing answers on {address}: is the module on, is `link.tcp` of the rig sheet right, is `tripbench simulate` running?")
    })?;
    Ok(())
}

/// Predicted size of the journal and a quarter more.
fn expected_bytes(prepared: &Prepared) -> u64 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a positive number of bytes")]
    let bytes = (prepared.task.predicted().si().max(1.0) * BYTES_PER_SECOND * 1.25) as u64;
    bytes
}

/// Hands recorded events on; a listener that is too slow misses events, the run does not wait for it.
fn listener(events: SyncSender<Event>) -> tripbench_runner::Listener {
    Box::new(move |event| drop(events.try_send(event.clone())))
}

type Ends = (JournalWriter, Receiver<Control>, Sender<Control>);

fn start(prepared: &Prepared, ends: Ends, latch: StopLatch) -> Result<JoinHandle<Result<(), JournalError>>> {
    let (journal, control, stops) = ends;
    let plan = Plan { task: prepared.task.clone(), header: prepared.header.clone() };
    let link = prepared.task.sheets.rig.link.clone();
    let address = resolve(&link.tcp)?;
    let spawned = std::thread::Builder::new().name(String::from("rig")).spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|_| JournalError::Failed)?;
        runtime.block_on(async move {
            tokio::spawn(stop_on_signal(latch.clone(), stops));
            let clock = Clock::start();
            let transport = TcpTransport::new(address, *link.unit, link.answer_timeout.duration());
            let link = Link::new(transport, clock, latch.clone(), &plan.task.sheets.rig);
            run_live(LiveRun { plan, link, clock, latch, journal, control, wall }).await
        })
    });
    spawned.context("can not start the rig's thread")
}

/// The latch first, the engine afterwards.
async fn stop_on_signal(latch: StopLatch, stops: Sender<Control>) {
    use tokio::signal::unix::{SignalKind, signal};
    let (Ok(mut interrupt), Ok(mut terminate)) =
        (signal(SignalKind::interrupt()), signal(SignalKind::terminate()))
    else {
        return;
    };
    let halt = tokio::select! {
        _ = interrupt.recv() => Halt::Operator { by: String::from("the keyboard") },
        _ = terminate.recv() => Halt::Signal,
    };
    let _run_is_over = stops.send(Control::Stop(halt));
    latch.set();
}

/// Folds and shows events until there are no more.
fn follow(prepared: &Prepared, show: Show, seen: &Receiver<Event>, control: &Sender<Control>) {
    let sheets = &prepared.task.sheets;
    let mut progress = Progress::new(&sheets.rig, sheets.site.style);
    let mut view = RunView::default();
    while let Ok(event) = seen.recv() {
        view.fold(&event);
        match show {
            Show::Progress => progress.show(&event, &view),
            Show::EventLines => {
                if let Ok(text) = line(&event, None) {
                    say::out(text.trim_end());
                }
            }
        }
        if let EventKind::Asked { id, .. } = event.kind {
            let control = control.clone();
            // Not joined: nobody may answer, and the run ends all the same.
            std::thread::spawn(move || {
                let by = String::from("the operator at the terminal");
                // Nobody at the other end of standard input: not an answer, and no use to wait.
                let said = prompt::line().map_or(Control::Stop(Halt::NoAnswer), |answer| Control::Answer {
                    to: id,
                    answer,
                    by,
                });
                let _run_is_over = control.send(said);
            });
        }
    }
}

/// Over a fresh connection, where it can.
fn make_safe(prepared: &Prepared) {
    let rig = prepared.task.sheets.rig.clone();
    let done = std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().ok()?;
        let address = resolve(&rig.link.tcp).ok()?;
        let transport = TcpTransport::new(address, *rig.link.unit, rig.link.answer_timeout.duration());
        let mut link = Link::new(transport, Clock::start(), StopLatch::armed(), &rig);
        runtime.block_on(link.make_safe(&rig)).ok()
    });
    if !matches!(done.join(), Ok(Some(_))) {
        say::error("OUTPUTS NOT CONFIRMED SAFE. Shut off air and power by hand.");
    }
}
