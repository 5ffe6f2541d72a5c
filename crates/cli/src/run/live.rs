//! A live run: the rig on a thread of its own, the person on this one.

use super::NotRecorded;
use crate::prompt::Questions;
use crate::{output, progress::Progress, say};
use anyhow::{Context, Result};
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use tripbench_link::{Module, ModuleWire};
use tripbench_record::journal::line;
use tripbench_record::{Event, EventKind, Halt, Record, RunView, Trace};
use tripbench_runner::{
    Control, HowEnded, JobError, Prepared, RunHandle, Signals, anything_there, from_journal, journal,
    make_safe_over, start,
};

/// What is shown during a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Show {
    /// A progress bar, or lines.
    Progress,
    /// Each event as a line on standard output.
    EventLines,
}

/// Runs to the end and returns the record; `announce` is called once the module has answered. A run that does not start leaves no empty
/// folder.
pub(crate) fn run(prepared: &Prepared, show: Show, announce: impl FnOnce()) -> Result<(Record, Trace)> {
    let ended = run_in_folder(prepared, show, announce);
    if ended.is_err() {
        let _has_a_journal = std::fs::remove_dir(&prepared.folder);
    }
    ended
}

fn run_in_folder(prepared: &Prepared, show: Show, announce: impl FnOnce()) -> Result<(Record, Trace)> {
    let rig = &prepared.task.sheets.rig;
    let module = Module::of(&rig.link)?;
    let _lock = module.lock()?;
    let wire = anything_there(&module)?;
    let (events, seen) = sync_channel(65_536);
    let (handle, controlled) = RunHandle::new();
    // From here on a signal leaves neither a folder without a journal nor a journal without a run.
    stop_on_signal(handle.clone())?;
    output::create(&prepared.folder)?;
    announce();
    if handle.latch.is_set() {
        return Err(JobError::Stopped.into());
    }
    let journal = journal(prepared, listener(events))?;
    let running =
        start(prepared, wire, journal, (handle.clone(), controlled), |_, _| std::future::pending())?;
    // A failure to show the run must not prevent its orderly end.
    let shown = catch_unwind(AssertUnwindSafe(|| follow(prepared, show, &seen, &handle.control)));
    if shown.is_err() {
        handle.latch.set();
    }
    let wire = running.wire();
    let ended = running.join();
    if let Err(panic) = shown {
        resume_unwind(panic);
    }
    match ended {
        HowEnded::InOrder => {}
        HowEnded::JournalFailed(error) => say::error(&format!("{:#}", anyhow::Error::from(error))),
        HowEnded::Panicked => {
            say::error("the program failed inside; the rig is being made safe");
            let safe = make_safe_over(&wire, rig) || go_on_making_safe(prepared, &wire);
            let why = String::from("the rig's thread ended unexpectedly");
            return read_back(prepared, &Halt::StepFault { why }, |_| safe);
        }
    }
    read_back(prepared, &Halt::RecordLost, |said| {
        // A journal that cannot be read says nothing of the outputs.
        said.unwrap_or_else(|| make_safe_over(&wire, rig)) || go_on_making_safe(prepared, &wire)
    })
}

/// Record and trace from the journal of a run that is over. `safe` makes sure of the outputs, given what the journal says of them.
fn read_back(
    prepared: &Prepared,
    halt: &Halt,
    safe: impl FnOnce(Option<bool>) -> bool,
) -> Result<(Record, Trace)> {
    let made = from_journal(&prepared.folder.join(output::JOURNAL), halt);
    let safe = safe(made.as_ref().ok().map(|(record, _)| record.safe_confirmed));
    Ok(made.map_err(|source| NotRecorded { folder: prepared.folder.clone(), safe, source })?)
}

/// For a run that could not confirm safe: keeps trying for a while over fresh connections to the module of the run, and reports and returns
/// the outcome. The record stays unchanged.
fn go_on_making_safe(prepared: &Prepared, wire: &ModuleWire) -> bool {
    const TRIES: u32 = 20;
    say::error(
        "OUTPUTS NOT CONFIRMED SAFE. Shut off air and power by hand. Trying again for about a minute.",
    );
    let safe = (0..TRIES).any(|_| make_safe_over(wire, &prepared.task.sheets.rig));
    if safe {
        say::note(
            "The outputs are now confirmed safe, read back and held. The record still says that they were not when the run ended.",
        );
    } else {
        say::error("OUTPUTS NOT CONFIRMED SAFE. Shut off air and power by hand.");
    }
    safe
}

/// Passes recorded events on; a listener that is too slow misses events, the run does not wait for it.
fn listener(events: SyncSender<Event>) -> tripbench_runner::Listener {
    Box::new(move |event| drop(events.try_send(event.clone())))
}

/// Catches the signals that would end this process, from now on. The first one stops the run; later ones are absorbed too, while the rig is
/// made safe.
fn stop_on_signal(handle: RunHandle) -> Result<()> {
    let (taken, wait_taken) = channel();
    std::thread::Builder::new().name(String::from("signals")).spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
        runtime.block_on(async {
            let mut signals = Signals::take();
            let _nobody_waits = taken.send(());
            let by = signals.first().await;
            handle.stop(if by.is_empty() { Halt::Signal } else { Halt::Operator { by: by.to_owned() } });
            std::future::pending::<()>().await;
        });
    })?;
    wait_taken.recv().context("cannot catch signals")
}

/// Folds and shows events until there are no more.
pub(super) fn follow(prepared: &Prepared, show: Show, seen: &Receiver<Event>, control: &Sender<Control>) {
    let sheets = &prepared.task.sheets;
    let mut progress = Progress::new(&sheets.rig, sheets.site.style);
    let mut view = RunView::default();
    let questions = Questions::new(control.clone());
    while let Ok(event) = seen.recv() {
        view.fold(&event);
        if let EventKind::Asked { id, .. } = event.kind {
            questions.open(id);
        }
        match show {
            Show::Progress => progress.show(&event, &view),
            Show::EventLines => {
                if let Ok(text) = line(&event, None) {
                    say::json(text.trim_end());
                }
            }
        }
        if matches!(event.kind, EventKind::Answered { .. } | EventKind::Halted(_)) {
            questions.close();
        }
    }
    questions.close();
}
