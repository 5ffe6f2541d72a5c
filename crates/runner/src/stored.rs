//! Runs stored in a folder.

use crate::planned::{other_planner, step_doubt};
use crate::{JobError, RecoverError, Texts, disk, folder, load, recover};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;
use tripbench_quantity::Mono;
use tripbench_record::journal::{Ending, open};
use tripbench_record::{
    Event, EventKind, FORMAT, Halt, PositionRecord, Record, RunHeader, RunView, SheetRole, Trace, VERSION,
    Verdict, canonical_json, sha256_hex,
};
use tripbench_rig::{Identification, LONGEST_GAP, Scan};
use tripbench_sheet::{Findings, Source};

/// A run as read from its journal. A journal that was left open is closed with a halt.
#[derive(Debug)]
pub struct FoldedRun {
    /// The complete run.
    pub view: RunView,
    /// Whether the program had ended before the run did.
    pub was_open: bool,
}

/// Reads a journal and folds it.
///
/// # Errors
/// If the journal cannot be read or written, its run is still in progress, or it is damaged.
pub fn fold_journal(journal: &Path, halt: Halt) -> Result<FoldedRun, JobError> {
    let recovered = recover(journal, halt)?;
    let mut view = RunView::default();
    recovered.events.iter().for_each(|event| view.fold(event));
    Ok(FoldedRun { view, was_open: recovered.was_open })
}

/// Reads and folds the journal of a run that has just ended. If the thread of the run panicked, waits up to 2 s for the journal writer to
/// finish.
///
/// # Errors
/// As [`fold_journal`].
pub fn fold_journal_at_end(journal: &Path, halt: &Halt) -> Result<FoldedRun, JobError> {
    const TRIES: u32 = 100;
    for _ in 0..TRIES {
        match fold_journal(journal, halt.clone()) {
            Err(JobError::Recover(RecoverError::StillGoing { .. })) => {
                std::thread::park_timeout(Duration::from_millis(20));
            }
            ended => return ended,
        }
    }
    fold_journal(journal, halt.clone())
}

/// Record and trace from the journal alone, because a live view may have missed events. A journal that was left open is closed with a
/// halt.
///
/// # Errors
/// If the journal cannot be read, or contains no run.
pub fn from_journal(journal: &Path, halt: &Halt) -> Result<(Record, Trace), JobError> {
    folder::record(&fold_journal_at_end(journal, halt)?.view).ok_or(JobError::NoRun)
}

/// Texts of the sheets in the header of a run, with or without the script.
pub fn carried(header: &RunHeader, with_script: bool) -> Texts {
    let source = |role| {
        let copy = header.sheets.iter().find(|sheet| sheet.role == role)?;
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

/// Format and version of a record.
#[derive(Deserialize)]
struct Made {
    format: String,
    version: u32,
}

/// Record and trace of a folder.
///
/// # Errors
/// If one of them is missing or cannot be read, or the record has another version.
pub fn stored(of: &Path) -> Result<(Record, Trace), JobError> {
    let path = of.join(folder::RECORD);
    let journal = of.join(folder::JOURNAL);
    if !path.exists() && journal.exists() {
        // Nothing would make a record of a journal without a run.
        let none = has_no_run(&journal);
        let folder = of.to_owned();
        return Err(if none {
            JobError::NothingRecorded { folder }
        } else {
            JobError::NoRecordYet { folder }
        });
    }
    let read = |path: &Path| {
        disk::read(path).map_err(|source| JobError::File { what: "read", path: path.to_owned(), source })
    };
    let not_one = |source| JobError::NotARecord { path: path.clone(), source };
    let bytes = read(&path)?;
    // Read first, because another version may have other fields.
    let made = serde_json::from_slice::<Made>(&bytes).map_err(not_one)?;
    if made.version != VERSION || made.format != FORMAT {
        let found = format!("`{}` version {}", made.format, made.version);
        return Err(JobError::OtherVersion { path, found });
    }
    let record: Record = serde_json::from_slice(&bytes).map_err(not_one)?;
    let path = of.join(folder::TRACE);
    let bytes = read(&path)?;
    let trace = Trace::from_csv(record.header.plan.clone(), &String::from_utf8_lossy(&bytes));
    Ok((record, trace.map_err(|source| JobError::NotATrace { path, source })?))
}

/// Whether a journal has no event of a run.
fn has_no_run(journal: &Path) -> bool {
    /// Longer than the first event of any run, bytes.
    const LONG: u64 = 4 << 20;
    let begins = |event: &Event| matches!(event.kind, EventKind::Started(_));
    std::fs::metadata(journal).is_ok_and(|file| file.len() < LONG)
        && disk::read(journal)
            .is_ok_and(|bytes| open(&bytes).is_ok_and(|opened| !opened.events.iter().any(begins)))
}

/// The files of a folder that are not byte for byte as this program writes them: a less strict reader might understand them
/// differently.
pub fn written_by_others(of: &Path, record: &Record, trace: &Trace) -> Vec<String> {
    // Another version may write the same data differently.
    if other_planner(record).is_some() {
        return Vec::new();
    }
    let written =
        [(folder::TRACE, Some(trace.to_csv().into_bytes())), (folder::RECORD, canonical_json(record).ok())];
    let differs = |(file, bytes): &(&str, Option<Vec<u8>>)| disk::read(&of.join(file)).ok() != *bytes;
    written.into_iter().filter(differs).map(|(file, _)| changed(file)).collect()
}

fn changed(file: &str) -> String {
    format!("`{file}` is not as this program writes it: it was changed")
}

/// Inconsistencies between the files of a folder, and within its record.
pub fn doubts(of: &Path, record: &Record, trace: &Trace) -> Vec<String> {
    let mut doubts = Vec::new();
    if sha256_hex(trace.to_csv().as_bytes()) != record.trace.sha256 {
        doubts.push(
            "`trace.csv` is not the trace that the record was made from: its SHA-256 differs".to_owned(),
        );
    }
    for sheet in &record.header.sheets {
        if sha256_hex(sheet.text.as_bytes()) != sheet.sha256 {
            doubts.push(format!("the {} sheet in the record was changed: its SHA-256 differs", sheet.role));
        }
    }
    doubts.extend(step_doubt(record));
    doubts.extend(header_doubts(record));
    doubts.extend(gap(record, trace));
    doubts.extend(journal_doubts(of, record));
    doubts
}

/// What a record's own bytes and the journal in its folder say against it. Needs neither its trace nor its sheets, and is much faster than
/// [`doubts`].
pub fn record_doubts(of: &Path, record: &Record, bytes: &[u8]) -> Vec<String> {
    let mut doubts = journal_doubts(of, record);
    // Another version may write the same data differently.
    if other_planner(record).is_none() && canonical_json(record).ok().as_deref() != Some(bytes) {
        doubts.push(changed(folder::RECORD));
    }
    doubts
}

/// Contradictions between a record and the journal in its folder.
fn journal_doubts(of: &Path, record: &Record) -> Vec<String> {
    let mut doubts = Vec::new();
    let path = of.join(folder::JOURNAL);
    let unread = |why: String| format!("the journal of the record cannot be read: {why}");
    let opened = match disk::read(&path).map(|bytes| open(&bytes)) {
        Ok(Ok(opened)) => opened,
        Ok(Err(damaged)) => {
            doubts.push(unread(damaged.to_string()));
            return doubts;
        }
        Err(error) => {
            doubts.push(unread(error.to_string()));
            return doubts;
        }
    };
    if opened.ending != Ending::Complete {
        doubts.push("the journal has no closing line: it was cut off".to_owned());
    }
    let mut view = RunView::default();
    opened.events.iter().for_each(|event| view.fold(event));
    if !is_of(&view, record) {
        doubts.push("the record does not match its journal: one of them was changed".to_owned());
    }
    doubts
}

/// Whether a record is the one that its journal gives. Another version, by the journal's own header, may have made its record of the same
/// events in another way: then it has to agree in what the events themselves say.
fn is_of(view: &RunView, record: &Record) -> bool {
    let Some((journalled, _)) = folder::record(view) else { return false };
    let same = canonical_json(&journalled).ok().zip(canonical_json(record).ok());
    if same.is_some_and(|(one, other)| one == other) {
        return true;
    }
    other_planner(&journalled).is_some() && says_the_same(view, &journalled, record)
}

/// Whether a record agrees with the events of a run: start, halt, end, scans, stretches, checks and verdicts.
fn says_the_same(view: &RunView, journalled: &Record, record: &Record) -> bool {
    let verdicts = |of: &Record| -> BTreeMap<u8, (String, Verdict)> {
        let verdict = |one: &PositionRecord| (one.number, (one.serial.clone(), one.verdict));
        of.positions.iter().map(verdict).collect()
    };
    let mut checks = record.rig_checks.iter().chain(record.positions.iter().flat_map(|one| &one.checks));
    record.header == journalled.header
        && record.software == journalled.software
        && (&record.halted, &record.ended) == (&journalled.halted, &journalled.ended)
        && record.safe_confirmed == journalled.safe_confirmed
        && record.trace.scans == journalled.trace.scans
        && (&record.marks, &record.thrown) == (&journalled.marks, &journalled.thrown)
        && record.positions.len() == journalled.positions.len()
        && verdicts(record) == verdicts(journalled)
        && checks.all(|check| view.checks.contains(check))
}

/// Marks that the header of a record lacks although its sheets or its module require them: trial, simulated.
fn header_doubts(record: &Record) -> Vec<String> {
    let header = &record.header;
    let trial = load(&carried(header, true), &Findings::new()).trial && !header.trial;
    let simulated = header.module.as_ref().is_some_and(Identification::is_simulator) && !header.simulated;
    let doubts = [
        trial.then_some("a sheet in the record is a draft, but the record is not marked as a trial"),
        simulated.then_some(
            "its module identified itself as simulated, but the record is not marked as simulated",
        ),
    ];
    doubts.into_iter().flatten().map(String::from).collect()
}

/// A gap between scans before the end of the last mark that is longer than a run allows, so that no run can have recorded it. A rig check
/// may have such gaps, because it makes the outputs safe and keeps silent in between.
fn gap(record: &Record, trace: &Trace) -> Option<String> {
    let last = record.marks.iter().map(|mark| mark.to).max().filter(|_| !record.is_rig_check())?;
    let scans = trace.within(Mono::START, last);
    let ends = scans.iter().map(Scan::end).chain([last]);
    let mut pairs = scans.iter().map(Scan::end).zip(ends.skip(1));
    let (before, _) = pairs.find(|(before, next)| next.since(*before) > LONGEST_GAP)?;
    Some(format!(
        "the trace has no scan for more than {} ms after {:.3} s, before the end of the judged part: a run would have ended there",
        LONGEST_GAP.as_millis(),
        before.seconds()
    ))
}
