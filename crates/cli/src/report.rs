//! `tripbench report`: from a stored record, or from a journal that was left open.

use crate::args::FolderOptions;
use crate::exit::Exit;
use crate::load;
use crate::{output, say, table};
use anyhow::{Context, Result, bail};
use std::path::Path;
use std::sync::Arc;
pub(crate) use tripbench_job::{doubts, stored};
use tripbench_record::{Halt, LoadedSheets, Record, Trace, Verdict};
use tripbench_sheet::Findings;

pub(crate) fn report(options: &FolderOptions) -> Result<Exit> {
    let folder = &options.folder;
    let has = |file| folder.join(file).exists();
    if !has(output::RECORD) && !has(output::JOURNAL) {
        bail!("`{}` holds neither {} nor {}", folder.display(), output::RECORD, output::JOURNAL);
    }
    let mut believed = true;
    let record = match stored(folder) {
        Ok((mut record, trace)) => {
            let doubts = doubts(folder, &record, &trace);
            for doubt in &doubts {
                say::error(doubt);
            }
            believed = doubts.is_empty();
            if !believed {
                not_believed(&mut record, doubts);
            }
            output::write_report(folder, &record, &trace, &*sheets(&record)?)?;
            record
        }
        Err(error) if has(output::JOURNAL) => {
            // Nothing was written yet, or not whole: the journal has it all.
            if has(output::RECORD) {
                let error = anyhow::Error::from(error);
                say::note(&format!("{error:#}; taken from the journal instead."));
            }
            let (record, trace) = from_journal(folder)?;
            output::write(folder, &record, &trace, &*sheets(&record)?)?;
            record
        }
        Err(error) => return Err(error.into()),
    };
    table::print(&record, sheets(&record)?.site.style);
    say::out(&format!("Report: {}", folder.join(output::REPORT).display()));
    Ok(if believed { Exit::of(&record) } else { Exit::Failed })
}

/// What is shown of a record that can not be believed: why, and no verdict. The stored one stays as it is.
fn not_believed(record: &mut Record, doubts: Vec<String>) {
    record
        .header
        .warnings
        .splice(0..0, doubts.into_iter().map(|doubt| format!("NOT TO BE BELIEVED: {doubt}")));
    for position in &mut record.positions {
        position.verdict = Verdict::Aborted;
    }
}

fn from_journal(folder: &Path) -> Result<(Record, Trace)> {
    let journal = folder.join(output::JOURNAL);
    let told = tripbench_job::told(&journal, Halt::Killed)?;
    if told.was_open {
        say::note("The program had ended before the run did: the journal was closed as aborted.");
    }
    output::record(&told.view).context("the journal holds no run")
}

/// The sheets that a record carries.
pub(crate) fn sheets(record: &Record) -> Result<Arc<LoadedSheets>> {
    let findings = Findings::new();
    let loaded = load::load(&tripbench_job::carried(record, false), &findings);
    if load::show(findings) {
        bail!("the sheets in the record have errors");
    }
    loaded.sheets.context("the sheets in the record are not whole")
}
