//! `run --again`: one device that was left undecided, tested again with as many ramps as would decide it. The first record
//! stays as it is; the new one names it.

use super::{Prepared, prepare as prepare_run};
use crate::args::WhatOptions;
use crate::{output, report, say};
use anyhow::{Context, Result, bail};
use std::path::{Path, PathBuf};
use tripbench_record::{Again, PositionRecord, Record, Verdict, canonical_json, sha256_hex};
use tripbench_report::Content;

pub(super) fn prepare(position: u8, what: &WhatOptions) -> Result<Option<Prepared>> {
    let folder = what.of.clone().map_or_else(latest, Ok)?;
    let (record, _) = report::stored(&folder)?;
    let Some(left) = record.positions.iter().find(|left| left.number == position) else {
        let there: Vec<String> = record.positions.iter().map(|left| left.number.to_string()).collect();
        bail!("`{}` has no position {position}; it has {}", folder.display(), there.join(", "));
    };
    if left.verdict != Verdict::Undecided {
        bail!(
            "position {position} was not left undecided in `{}`: {}. What was decided is tested again as a new run, with the reason \
             on paper",
            folder.display(),
            left.verdict.word()
        );
    }
    let ramps = left.checks.iter().filter_map(|check| check.to_decide.as_ref()?.ramps).max();
    let mut loaded = report::loaded(&record, true)?;
    match ramps {
        Some(ramps) => {
            loaded.script = loaded.script.map(|script| script.with_ramps(ramps));
            say::note(&format!("Again: position {position}, serial {}, {ramps} ramps.", left.serial));
        }
        None => say::note(&format!(
            "Again: position {position}, serial {}, as before: more ramps were not found to decide it.",
            left.serial
        )),
    }
    let positions = record.header.positions.iter().filter(|plan| plan.number == position).cloned().collect();
    let operators =
        if what.devices.operator.is_empty() { &record.header.operators } else { &what.devices.operator };
    let Some(mut prepared) = prepare_run(&loaded, positions, operators, &what.output)? else {
        return Ok(None);
    };
    prepared.header.again = Some(earlier(&record, left)?);
    Ok(Some(prepared))
}

fn earlier(record: &Record, left: &PositionRecord) -> Result<Again> {
    let bytes = canonical_json(record).context("the record has a figure that is none")?;
    let content = Content { record, style: report::sheets(record)?.site.style };
    Ok(Again {
        run: record.header.run.clone(),
        sha256: sha256_hex(&bytes),
        attempt: record.header.again.as_ref().map_or(1, |again| again.attempt) + 1,
        found: format!("{}. {}", left.verdict.word(), content.sentence(left)),
    })
}

/// The latest folder of a run in `out`: their names begin with the time.
fn latest() -> Result<PathBuf> {
    let entries =
        std::fs::read_dir("out").context("there is no folder `out` here: name the run with --of")?;
    let folders =
        entries.flatten().map(|entry| entry.path()).filter(|path| path.join(output::RECORD).exists());
    folders
        .max()
        .context("no run in `out`: name it with --of")
        .map(|path: PathBuf| Path::new(&path).to_owned())
}
