//! `tripbench report`: from a stored record, or from a journal that was left open.

use crate::args::FolderOptions;
use crate::exit::Exit;
use crate::load::{self, Loaded};
use crate::{output, say, table};
use anyhow::{Context, Result, bail};
use std::path::Path;
use std::sync::Arc;
use tripbench_record::journal::open;
use tripbench_record::{Halt, LoadedSheets, Record, RunView, Trace, Verdict, canonical_json, sha256_hex};
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
                say::note(&format!("{error:#}; taken from the journal instead."));
            }
            let (record, trace) = from_journal(folder)?;
            output::write(folder, &record, &trace, &*sheets(&record)?)?;
            record
        }
        Err(error) => return Err(error),
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

/// What does not fit together in a folder.
pub(crate) fn doubts(folder: &Path, record: &Record, trace: &Trace) -> Vec<String> {
    let mut doubts = Vec::new();
    if sha256_hex(trace.to_csv().as_bytes()) != record.trace.sha256 {
        doubts.push("the trace is not the one that the record was made from: its SHA-256 differs".to_owned());
    }
    for sheet in &record.header.sheets {
        if sha256_hex(sheet.text.as_bytes()) != sheet.sha256 {
            doubts.push(format!("the {} sheet in the record was changed: its SHA-256 differs", sheet.role));
        }
    }
    let path = folder.join(output::JOURNAL);
    // A rehearsal has none, and no device was tested in it.
    if record.header.simulated && !path.exists() {
        return doubts;
    }
    let opened = match std::fs::read(&path).map_err(anyhow::Error::from).and_then(|bytes| Ok(open(&bytes)?)) {
        Ok(opened) => opened,
        Err(error) => {
            doubts.push(format!("the journal that the record was made from can not be read: {error:#}"));
            return doubts;
        }
    };
    let mut view = RunView::default();
    opened.events.iter().for_each(|event| view.fold(event));
    let same = output::record(&view)
        .and_then(|(journalled, _)| Some(canonical_json(&journalled).ok()? == canonical_json(record).ok()?));
    if same != Some(true) {
        doubts.push("the record is not what its journal says: one of them was changed".to_owned());
    }
    doubts
}

fn from_journal(folder: &Path) -> Result<(Record, Trace)> {
    let journal = folder.join(output::JOURNAL);
    let told = tripbench_job::told(&journal, Halt::Killed)?;
    if told.was_open {
        say::note("The program had ended before the run did: the journal was closed as aborted.");
    }
    output::record(&told.view).context("the journal holds no run")
}

/// Record and trace of a folder.
pub(crate) fn stored(folder: &Path) -> Result<(Record, Trace)> {
    let path = folder.join(output::RECORD);
    if !path.exists() && folder.join(output::JOURNAL).exists() {
        bail!("`{0}` holds a journal and no record: first run `tripbench report {0}`", folder.display());
    }
    let bytes = std::fs::read(&path).with_context(|| format!("can not read `{}`", path.display()))?;
    let record: Record =
        serde_json::from_slice(&bytes).with_context(|| format!("`{}` is not a record", path.display()))?;
    if record.version != tripbench_record::VERSION || record.format != tripbench_record::FORMAT {
        bail!(
            "`{}` is `{}` version {}, this program reads version {}",
            path.display(),
            record.format,
            record.version,
            tripbench_record::VERSION
        );
    }
    let path = folder.join(output::TRACE);
    let text =
        std::fs::read_to_string(&path).with_context(|| format!("can not read `{}`", path.display()))?;
    let trace = Trace::from_csv(record.header.plan.clone(), &text)
        .with_context(|| format!("`{}` can not be used", path.display()))?;
    Ok((record, trace))
}

/// The sheets that a record carries.
pub(crate) fn sheets(record: &Record) -> Result<Arc<LoadedSheets>> {
    let loaded = loaded(record, false)?;
    loaded.sheets.context("the sheets in the record are not whole")
}

/// Everything that the record holds of its sheets, with the script or without.
pub(crate) fn loaded(record: &Record, with_script: bool) -> Result<Loaded> {
    let texts = tripbench_job::carried(record, with_script);
    let findings = Findings::new();
    let loaded = load::load(&texts, &findings);
    if load::show(findings) {
        bail!("the sheets in the record have errors");
    }
    Ok(loaded)
}
