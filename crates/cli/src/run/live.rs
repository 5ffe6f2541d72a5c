//! A live run: the rig on a thread of its own, the person on this one.

use super::{Prepared, wall};
use crate::{output, progress::Progress, prompt, say};
use anyhow::{Context, Result};
use rustix::process::Signal as ProcessSignal;
use std::future::poll_fn;
use std::net::TcpStream;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::Path;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::task::Poll;
use std::thread::JoinHandle;
use std::time::Duration;
use tripbench_engine::Plan;
use tripbench_link::{Clock, Link, ModuleLock, ModuleWire, StopLatch, module_address, resolve};
use tripbench_record::journal::line;
use tripbench_record::{Event, EventKind, Halt, Record, RunView, Trace};
use tripbench_rig::{LinkSheet, Wire};
use tripbench_runner::{Control, JournalError, JournalWriter, LiveRun, recover, run_live};

/// What is shown while it runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Show {
    /// A bar or lines.
    Progress,
    /// Each event as a line on standard output.
    EventLines,
}

/// Bytes of journal for one scan.
const BYTES_PER_SCAN: f64 = 200.0;

/// Runs to the end and gives the record.
pub(crate) fn run(prepared: &Prepared, show: Show) -> Result<(Record, Trace)> {
    let rig = &prepared.task.sheets.rig;
    let _lock = ModuleLock::take(&module_address(&rig.link)?)?;
    anything_there(&rig.link)?;
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
            if !make_safe(prepared) {
                go_on_making_safe(prepared);
            }
            let why = String::from("the rig's thread ended by itself");
            return from_journal(&journal, Halt::StepFault { why });
        }
    }
    let (record, trace) = from_journal(&journal, Halt::RecordLost)?;
    if !record.safe_confirmed {
        go_on_making_safe(prepared);
    }
    Ok((record, trace))
}

/// The run could not confirm safe: goes on trying for a while over fresh connections, and says how it ended. What the
/// record says stays.
fn go_on_making_safe(prepared: &Prepared) {
    const TRIES: u32 = 20;
    say::error(
        "OUTPUTS NOT CONFIRMED SAFE. Shut off air and power by hand. Trying again for about a minute.",
    );
    if (0..TRIES).any(|_| make_safe(prepared)) {
        say::note(
            "The outputs answered: safe now, read back and held. The record still says that they were not at the end.",
        );
    } else {
        say::error("OUTPUTS NOT CONFIRMED SAFE. Shut off air and power by hand.");
    }
}

/// The record, from the journal alone: what is shown live may have missed events, the journal has not. One that was left
/// open is closed with a halt.
fn from_journal(journal: &Path, halt: Halt) -> Result<(Record, Trace)> {
    let recovered = recover(journal, halt)?;
    let mut view = RunView::default();
    recovered.events.iter().for_each(|event| view.fold(event));
    output::record(&view).context("the journal holds no run")
}

/// Whether anything is at the other end: without it there is no run to record. A serial port shows that it is there, who
/// is on its line only an answer does.
fn anything_there(link: &LinkSheet) -> Result<()> {
    let (address, key) = match &link.wire {
        Wire::Tcp(address) => (address, "tcp"),
        Wire::RtuOverTcp(address) => (address, "rtu_over_tcp"),
        Wire::Serial(_) => return Ok(()),
    };
    let socket = resolve(address)?;
    TcpStream::connect_timeout(&socket, Duration::from_secs(3)).with_context(|| {
        format!("nothing answers on {}: is the module on, is `link.{key}` of the rig sheet right, is `tripbench simulate` running?", address.value)
    })?;
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

/// Hands recorded events on; a listener that is too slow misses events, the run does not wait for it.
fn listener(events: SyncSender<Event>) -> tripbench_runner::Listener {
    Box::new(move |event| drop(events.try_send(event.clone())))
}

type Ends = (JournalWriter, Receiver<Control>, Sender<Control>);

fn start(prepared: &Prepared, ends: Ends, latch: StopLatch) -> Result<JoinHandle<Result<(), JournalError>>> {
    let (journal, control, stops) = ends;
    let plan = Plan { task: prepared.task.clone(), header: prepared.header.clone() };
    let link = prepared.task.sheets.rig.link.clone();
    let transport = ModuleWire::of(&link)?;
    let spawned = std::thread::Builder::new().name(String::from("rig")).spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|_| JournalError::Failed)?;
        runtime.block_on(async move {
            tokio::spawn(stop_on_signal(latch.clone(), stops));
            let clock = Clock::start();
            let link = Link::new(transport, clock, latch.clone(), &plan.task.sheets.rig);
            run_live(LiveRun { plan, link, clock, latch, journal, control, wall }).await
        })
    });
    spawned.context("can not start the rig's thread")
}

/// Signals that would end or stop this process, with a valve open, if nobody took them: Ctrl-Z first of all. Only SIGKILL and
/// SIGSTOP can not be taken; for them the module's own loss-of-master timeout is there.
const STOPPING: [(ProcessSignal, &str); 12] = [
    (ProcessSignal::INT, "the keyboard"),
    (ProcessSignal::QUIT, "the keyboard"),
    (ProcessSignal::TSTP, "the keyboard (Ctrl-Z)"),
    (ProcessSignal::TERM, ""),
    (ProcessSignal::HUP, ""),
    (ProcessSignal::USR1, ""),
    (ProcessSignal::USR2, ""),
    (ProcessSignal::ALARM, ""),
    (ProcessSignal::VTALARM, ""),
    (ProcessSignal::PROF, ""),
    (ProcessSignal::XCPU, ""),
    (ProcessSignal::XFSZ, ""),
];
/// Signals that only ask for the terminal: taken and passed over.
const PASSED_OVER: [ProcessSignal; 2] = [ProcessSignal::TTIN, ProcessSignal::TTOU];

/// The latch first, the engine afterwards.
async fn stop_on_signal(latch: StopLatch, stops: Sender<Control>) {
    use tokio::signal::unix::{Signal, SignalKind, signal};
    let taken = |which: ProcessSignal| signal(SignalKind::from_raw(which.as_raw())).ok();
    let _passed_over: Vec<Option<Signal>> = PASSED_OVER.into_iter().map(taken).collect();
    let mut signals: Vec<(Signal, &str)> =
        STOPPING.into_iter().filter_map(|(which, by)| Some((taken(which)?, by))).collect();
    let by = poll_fn(|context| {
        let received = signals.iter_mut().find_map(|(signal, by)| {
            matches!(signal.poll_recv(context), Poll::Ready(Some(()))).then_some(*by)
        });
        received.map_or(Poll::Pending, Poll::Ready)
    })
    .await;
    let halt = if by.is_empty() { Halt::Signal } else { Halt::Operator { by: by.to_owned() } };
    let _run_is_over = stops.send(Control::Stop(halt));
    latch.set();
    // Whatever comes while the rig is made safe is taken too.
    std::future::pending::<()>().await;
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

/// One try over a fresh connection; a few seconds at most.
fn make_safe(prepared: &Prepared) -> bool {
    let rig = prepared.task.sheets.rig.clone();
    let tried = std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().ok()?;
        let transport = ModuleWire::of(&rig.link).ok()?;
        let mut link = Link::new(transport, Clock::start(), StopLatch::armed(), &rig);
        let safe = runtime.block_on(link.make_safe(&rig));
        if safe.is_err() {
            runtime.block_on(tokio::time::sleep(Duration::from_secs(2)));
        }
        safe.ok()
    });
    matches!(tried.join(), Ok(Some(_)))
}
