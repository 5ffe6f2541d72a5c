//! What an earlier run left in its folder.

use crate::{JobError, Texts, folder};
use std::path::Path;
use std::time::Duration;
use tripbench_record::{Halt, Record, RunView, SheetRole, Trace};
use tripbench_runner::{RecoverError, recover};
use tripbench_sheet::Source;

/// A run as its journal tells it. One that was left open is closed with a halt.
#[derive(Debug)]
pub struct Told {
    /// The run, whole.
    pub view: RunView,
    /// Whether the program had ended before the run did.
    pub was_open: bool,
}

/// Reads a journal and folds it.
///
/// # Errors
/// If it can not be read or written, or is damaged.
pub fn told(journal: &Path, halt: Halt) -> Result<Told, JobError> {
    let recovered = recover(journal, halt)?;
    let mut view = RunView::default();
    recovered.events.iter().for_each(|event| view.fold(event));
    Ok(Told { view, was_open: recovered.was_open })
}

/// The same for a run that has just ended: where its thread panicked, the journal's own writer may still be at its last lines, and is
/// waited for.
///
/// # Errors
/// As [`told`].
pub fn told_at_end(journal: &Path, halt: &Halt) -> Result<Told, JobError> {
    const TRIES: u32 = 100;
    for _ in 0..TRIES {
        match told(journal, halt.clone()) {
            Err(JobError::Recover(RecoverError::StillGoing { .. })) => {
                std::thread::park_timeout(Duration::from_millis(20));
            }
            ended => return ended,
        }
    }
    told(journal, halt.clone())
}

/// The record, from the journal alone: what is shown live may have missed events, the journal has not. One that was left
/// open is closed with a halt.
///
/// # Errors
/// If the journal can not be read, or holds no run.
pub fn from_journal(journal: &Path, halt: &Halt) -> Result<(Record, Trace), JobError> {
    folder::record(&told_at_end(journal, halt)?.view).ok_or(JobError::NoRun)
}

/// Texts of the sheets that a record carries, with the script or without.
pub fn carried(record: &Record, with_script: bool) -> Texts {
    let source = |role| {
        let copy = record.header.sheets.iter().find(|sheet| sheet.role == role)?;
        Some(Source::new(format!("{} in the record", copy.file), copy.text.clone()))
    };
    Texts {
        site: source(SheetRole::Site),
        rig: source(SheetRole::Rig),
        device_type: source(SheetRole::Type),
        settings: source(SheetRole::Settings),
        script: source(SheetRole::Script).filter(|_| with_script),
    }
}
