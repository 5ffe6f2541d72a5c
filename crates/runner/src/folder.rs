//! The folder of a run, with record, report and trace.

use crate::{JobError, disk};
use std::path::{Path, PathBuf};
use tripbench_record::{LoadedSheets, Record, RunView, Trace, TraceRecord, canonical_json, sha256_hex};
use tripbench_report::report_html;

/// File name of the trace.
pub const TRACE: &str = "trace.csv";
/// File name of the record.
pub const RECORD: &str = "record.json";
/// File name of the report.
pub const REPORT: &str = "report.html";
/// File name of the journal.
pub const JOURNAL: &str = "run.journal";

/// The folder for a new run, which is not created yet. Without `out` it is `out/STAMP`, with a number appended if that exists.
///
/// # Errors
/// If the folder already contains a run, which is left untouched.
pub fn free(out: Option<&PathBuf>, stamp: &str) -> Result<PathBuf, JobError> {
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
    Ok(folder)
}

/// Creates the folder of a run.
///
/// # Errors
/// If it cannot be created.
pub fn create(folder: &Path) -> Result<(), JobError> {
    let make = |source| JobError::File { what: "create the folder", path: folder.to_owned(), source };
    disk::create_folders(folder).map_err(make)
}

/// Creates the folder for a new run, as [`free`] names it.
///
/// # Errors
/// If the folder already contains a run, which is left untouched, or cannot be created.
pub fn folder(out: Option<&PathBuf>, stamp: &str) -> Result<PathBuf, JobError> {
    let folder = free(out, stamp)?;
    create(&folder)?;
    Ok(folder)
}

/// Record and trace of a view; `None` before its header.
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

/// Writes trace, report and record, the record last, so that a folder with a record is complete. Returns the SHA-256 of the record's bytes,
/// hexadecimal.
///
/// # Errors
/// If a file cannot be written, or the record contains a non-finite number.
pub fn write(
    folder: &Path,
    record: &Record,
    trace: &Trace,
    sheets: &LoadedSheets,
) -> Result<String, JobError> {
    put(folder, TRACE, trace.to_csv().as_bytes())?;
    write_report(folder, record, trace, sheets)?;
    let bytes = canonical_json(record).map_err(JobError::NotWritable)?;
    put(folder, RECORD, &bytes)?;
    Ok(sha256_hex(&bytes))
}

/// Writes only the report.
///
/// # Errors
/// If it cannot be written.
pub fn write_report(
    folder: &Path,
    record: &Record,
    trace: &Trace,
    sheets: &LoadedSheets,
) -> Result<(), JobError> {
    put(folder, REPORT, report(record, trace, sheets).as_bytes())
}

/// The report of a record, as HTML.
pub fn report(record: &Record, trace: &Trace, sheets: &LoadedSheets) -> String {
    report_html(record, trace, &sheets.rig, &sheets.site)
}

fn put(folder: &Path, name: &str, bytes: &[u8]) -> Result<(), JobError> {
    let path = folder.join(name);
    disk::write_file(&path, bytes).map_err(|source| JobError::File { what: "write", path, source })
}
