//! `tripbench report`: from a stored record, or from a journal that was left open.

use crate::args::FolderOptions;
use crate::believed::Stored;
pub(crate) use crate::believed::sheets;
use crate::exit::Exit;
use crate::{output, say, table};
use anyhow::{Context, Result, bail};
use std::path::Path;
use tripbench_record::{Halt, Record, Trace, Verdict};
use tripbench_runner::JobError;
pub(crate) use tripbench_runner::stored;

pub(crate) fn report(options: &FolderOptions) -> Result<Exit> {
    let folder = &options.folder;
    let has = |file| folder.join(file).exists();
    if !has(output::RECORD) && !has(output::JOURNAL) {
        bail!("`{}` contains neither {} nor {}", folder.display(), output::RECORD, output::JOURNAL);
    }
    let record = match Stored::of(folder) {
        Ok(stored) if stored.fits() => {
            output::write_report(folder, &stored.record, &stored.trace, &*sheets(&stored.record)?)?;
            stored.record
        }
        Ok(stored) => return not_believed(stored),
        // The version that wrote it can read it; where nothing was recorded, nothing can be made.
        Err(error @ (JobError::OtherVersion { .. } | JobError::NothingRecorded { .. })) => {
            return Err(error.into());
        }
        Err(error) if has(output::JOURNAL) => {
            // The record is missing or incomplete: the journal contains everything.
            if has(output::RECORD) {
                let error = anyhow::Error::from(error);
                say::note(&format!("{error:#}; taken from the journal instead."));
            }
            let (record, trace) = from_journal(folder)?;
            // Anyone can write a journal: its verdicts must be those of its trace, or none is shown.
            let made = Stored::made(folder, record, trace);
            if !made.fits() {
                return not_believed(made);
            }
            output::write(folder, &made.record, &made.trace, &*sheets(&made.record)?)?;
            made.record
        }
        Err(error) => return Err(error.into()),
    };
    table::print(&record, sheets(&record)?.site.style);
    say::out(&format!("Report: {}", folder.join(output::REPORT).display()));
    Ok(Exit::of(&record))
}

/// Writes a report that says why the record cannot be trusted and shows no figure and no verdict. The stored record stays as it is.
fn not_believed(mut stored: Stored) -> Result<Exit> {
    stored.say_unfit();
    let reasons: Vec<String> = stored.reasons().map(|why| format!("NOT TO BE BELIEVED: {why}")).collect();
    let record = &mut stored.record;
    record.header.warnings.splice(0..0, reasons);
    record.place_checks(&[]);
    record.positions.iter_mut().for_each(|position| position.verdict = Verdict::Aborted);
    match sheets(record) {
        Ok(sheets) => output::write_report(&stored.folder, record, &stored.trace, &sheets)?,
        // An earlier report would now be untrue.
        Err(_) => {
            let report = stored.folder.join(output::REPORT);
            if report.exists() {
                std::fs::remove_file(&report)
                    .with_context(|| format!("cannot remove `{}`", report.display()))?;
            }
        }
    }
    Ok(Exit::Differs)
}

fn from_journal(folder: &Path) -> Result<(Record, Trace)> {
    let journal = folder.join(output::JOURNAL);
    let folded = tripbench_runner::fold_journal(&journal, Halt::Killed)?;
    let made = output::record(&folded.view).ok_or(JobError::NoRun)?;
    if folded.was_open {
        say::note("The program had ended before the run did: the journal was closed as aborted.");
    }
    Ok(made)
}
