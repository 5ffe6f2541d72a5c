//! What a journal must contain: all that was reported, as it was reported, also after a kill.

use super::Seen;
use super::disk::{Kill, Killed};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use tripbench_judge::rejudge;
use tripbench_record::journal::line;
use tripbench_record::{
    Event, EventKind, Halt, Record, RunView, Task, Trace, TraceRecord, Verdict, canonical_json, sha256_hex,
};
use tripbench_runner::{Recovered, recover};

impl Seen {
    /// Record and trace from the journal as the run left it; `None` if nothing was written, and an error for a bad journal.
    pub(super) fn record(&self) -> Result<Option<(Record, Trace)>, String> {
        let events = recovered(&self.disk.bytes())?;
        self.tells_what_was_heard(&events, self.events.len(), |_| true)?;
        if !self.events.is_empty() || events.iter().any(|event| matches!(event.kind, EventKind::Started(_))) {
            return record_of(&events).map(Some);
        }
        Ok(None)
    }

    /// Faults of the journal that a kill leaves.
    pub(super) fn killed(&self, task: &Task, kill: Kill) -> Result<(), String> {
        let Killed { bytes, heard } = self.disk.killed(kill);
        let of = |why| format!("{kill:?}, {heard} events heard: {why}");
        let events = recovered(&bytes).map_err(of)?;
        let must_be_there = |event: &Event| !kill.power || event.kind.is_durable();
        self.tells_what_was_heard(&events, heard, must_be_there).map_err(of)?;
        if !events.iter().any(|event| matches!(event.kind, EventKind::Started(_))) {
            return Ok(());
        }
        let (record, trace) = record_of(&events).map_err(of)?;
        let again = rejudge(&record, task, &trace);
        if canonical_json(&again).ok() != canonical_json(&record).ok() {
            return Err(of(String::from("judged again, the record differs")));
        }
        Ok(())
    }

    /// Tests that a journal tells the events of the run in their order, without a gap, and that the first `heard` are in it as far as
    /// they must be.
    fn tells_what_was_heard(
        &self,
        events: &[Event],
        heard: usize,
        must_be_there: impl Fn(&Event) -> bool,
    ) -> Result<(), String> {
        let recovered = events.iter().position(|event| matches!(event.kind, EventKind::Recovered { .. }));
        let told = &events[..recovered.unwrap_or(events.len())];
        let other = told.iter().zip(&self.events).find(|(told, heard)| !is_same(told, heard));
        if let Some((told, heard)) = other {
            return Err(format!(
                "the listener heard `{}`, but the journal tells `{}`",
                short(heard),
                short(told)
            ));
        }
        // The line of one event may be written although the listener has not heard of it yet.
        if told.len() > self.events.len() + 1 {
            return Err(format!(
                "{} events are in the journal, {} were heard",
                told.len(),
                self.events.len()
            ));
        }
        let lost = self.events[..heard].iter().skip(told.len()).find(|event| must_be_there(event));
        lost.map_or(Ok(()), |lost| {
            Err(format!("the listener heard `{}`, but the journal lacks it", short(lost)))
        })
    }
}

/// Whether two events are the same in a journal, which leaves out the densities of a check.
fn is_same(told: &Event, heard: &Event) -> bool {
    told == heard || matches!((line(told, None), line(heard, None)), (Ok(told), Ok(heard)) if told == heard)
}

/// The start of the line of an event.
fn short(event: &Event) -> String {
    line(event, None).map_or_else(|error| error.to_string(), |line| line.chars().take(160).collect())
}

/// Record and trace of a closed journal, which has verdicts only if the run itself has closed it.
fn record_of(events: &[Event]) -> Result<(Record, Trace), String> {
    let mut view = RunView::default();
    for event in events {
        view.fold(event);
    }
    let trace = view.trace().ok_or("the journal has no header")?;
    let csv = trace.to_csv();
    let kept = TraceRecord {
        file: String::from("trace.csv"),
        sha256: sha256_hex(csv.as_bytes()),
        scans: trace.scans.len() as u64,
    };
    let record = view.record(kept).ok_or("the journal gives no record")?;
    let was_open = events.iter().any(|event| matches!(event.kind, EventKind::Recovered { .. }));
    let judged = record.positions.iter().any(|one| matches!(one.verdict, Verdict::Pass | Verdict::Fail));
    if was_open && (record.halted.is_none() || judged) {
        return Err(String::from("left open, but the record is not halted or has verdicts"));
    }
    Ok((record, trace))
}

/// The events of a journal that is opened after its program has ended, in the way of the program; opened again, it must not change.
fn recovered(bytes: &[u8]) -> Result<Vec<Event>, String> {
    let path = path();
    let in_the_file = |bytes: &[u8]| std::fs::write(&path, bytes).map_err(|error| error.to_string());
    let open = || recover(&path, Halt::Killed).map_err(|error| format!("cannot be opened: {error:?}"));
    let both = in_the_file(bytes).and_then(|()| open()).and_then(|first| {
        // A closed journal is opened without a change.
        let again = if first.was_open { Some(open()?) } else { None };
        Ok((first, again))
    });
    remove(&path);
    let (Recovered { events, .. }, again) = both?;
    if again.is_some_and(|again| again.was_open || again.events != events) {
        return Err(String::from("opened again, the journal differs"));
    }
    if !matches!(events.last().map(|event| &event.kind), Some(EventKind::Ended { .. })) {
        return Err(String::from("the closed journal has no end"));
    }
    Ok(events)
}

/// A new file, in memory if the system has such a folder.
fn path() -> PathBuf {
    static NUMBER: AtomicU64 = AtomicU64::new(0);
    let shared = Path::new("/dev/shm");
    let folder = if shared.is_dir() { shared.to_owned() } else { std::env::temp_dir() };
    let number = NUMBER.fetch_add(1, Ordering::Relaxed);
    folder.join(format!("tripbench-search-{}-{number}.journal", std::process::id()))
}

/// Removes a journal and its torn tail, if there is one.
fn remove(journal: &Path) {
    drop(std::fs::remove_file(journal));
    drop(std::fs::remove_file(journal.with_extension("torn")));
}
