//! What a run leaves: a folder with record, report and trace.

use crate::JobError;
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use tripbench_record::{LoadedSheets, Record, RunView, Trace, TraceRecord, canonical_json, sha256_hex};
use tripbench_report::report_html;

/// Name of the trace beside the record.
pub const TRACE: &str = "trace.csv";
/// Name of the record.
pub const RECORD: &str = "record.json";
/// Name of the report.
pub const REPORT: &str = "report.html";
/// Name of the journal.
pub const JOURNAL: &str = "run.journal";

/// Makes the folder of a run; one that already holds a run is not touched. Without a name of the user's, the time, and a
/// number where that is taken.
///
/// # Errors
/// If the folder holds a run, or cannot be made.
pub fn folder(out: Option<&PathBuf>, stamp: &str) -> Result<PathBuf, JobError> {
    let default = |number: u32| {
        let suffix = if number == 1 { String::new() } else { format!("-{number}") };
        Path::new("out").join(format!("{stamp}{suffix}"))
    };
    let folder = match out {
        Some(folder) => folder.clone(),
        None => (1..1_000).map(default).find(|folder| !folder.exists()).unwrap_or_else(|| default(1)),
    };
    for file in [RECORD, JOURNAL] {
        if folder.join(file).exists() {
            return Err(JobError::HoldsARun { folder, file });
        }
    }
    let make = |source| JobError::File { what: "make the folder", path: folder.clone(), source };
    std::fs::create_dir_all(&folder).map_err(make)?;
    Ok(folder)
}

/// The record and trace of a view.
pub fn record(view: &RunView) -> Option<(Record, Trace)> {
    let trace = view.trace()?;
    let csv = trace.to_csv();
    let kept = TraceRecord {
        file: TRACE.to_owned(),
        sha256: sha256_hex(csv.as_bytes()),
        scans: trace.scans.len() as u64,
    };
    Some((view.record(kept)?, trace))
}

/// Writes record, report and trace; the record last, so that a folder with a record is whole.
///
/// # Errors
/// If a file cannot be written.
pub fn write(folder: &Path, record: &Record, trace: &Trace, sheets: &LoadedSheets) -> Result<(), JobError> {
    put(folder, TRACE, trace.to_csv().as_bytes())?;
    write_report(folder, record, trace, sheets)?;
    put(folder, RECORD, &canonical_json(record).map_err(JobError::NotWritable)?)
}

/// Writes the report alone.
///
/// # Errors
/// If it cannot be written.
pub fn write_report(
    folder: &Path,
    record: &Record,
    trace: &Trace,
    sheets: &LoadedSheets,
) -> Result<(), JobError> {
    put(folder, REPORT, report_html(record, trace, &sheets.rig, &sheets.site).as_bytes())
}

/// A file is there whole or not at all: written beside, brought to the disk, renamed, and the folder that names it brought to the disk.
fn put(folder: &Path, name: &str, bytes: &[u8]) -> Result<(), JobError> {
    let (path, beside) = (folder.join(name), folder.join(format!("{name}.part")));
    let written = File::create(&beside).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_all()
    });
    let renamed = written.and_then(|()| std::fs::rename(&beside, &path));
    let kept = renamed.and_then(|()| File::open(folder)?.sync_all());
    kept.map_err(|source| JobError::File { what: "write", path, source })
}
