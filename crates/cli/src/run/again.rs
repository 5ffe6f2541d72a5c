//! `run --again`: one device that was left undecided, tested again with as many ramps as would decide it. The first record
//! stays as it is; the new one names it.

use super::prepare as prepare_run;
use crate::args::WhatOptions;
use crate::{output, report, say};
use anyhow::{Context, Result, bail};
use std::path::{Path, PathBuf};
use tripbench_job::Prepared;
use tripbench_record::{
    Again, Motion, PositionRecord, Record, StepTask, Verdict, Way, canonical_json, sha256_hex,
};
use tripbench_report::Content;

pub(super) fn prepare(position: u8, what: &WhatOptions, rehearsed: bool) -> Result<Option<Prepared>> {
    let folder = what.of.clone().map_or_else(latest, Ok)?;
    let (record, trace) = report::stored(&folder)?;
    if record.header.simulated && !rehearsed {
        bail!(
            "`{}` is a rehearsal or a simulated run: no device was tested in it, so none is tested again. Name a run with --of",
            folder.display()
        );
    }
    if let Some(doubt) = report::doubts(&folder, &record, &trace).first() {
        bail!("`{}` can not be gone on from: {doubt}", folder.display());
    }
    if let Some(later) = marked(&folder, position).or_else(|| repeated_in(&folder, &record, position)) {
        bail!(
            "position {position} of that run was tested again already, in `{}`: name that one with --of",
            later.display()
        );
    }
    let Some(left) = record.positions.iter().find(|left| left.number == position) else {
        let there: Vec<String> = record.positions.iter().map(|left| left.number.to_string()).collect();
        bail!("`{}` has no position {position}; it has {}", folder.display(), there.join(", "));
    };
    if left.verdict == Verdict::Aborted {
        bail!(
            "position {position} of `{}` has no judgement: aborted or set aside. Start it again as a new run",
            folder.display()
        );
    }
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
            loaded.script = loaded.script.map(|script| script.with_ramps(ramps, way(&record)));
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
    if !rehearsed {
        let path = folder.join(marker(position));
        let there = std::path::absolute(&prepared.folder)?;
        std::fs::write(&path, there.display().to_string())
            .with_context(|| format!("can not write `{}`: every repeat is counted there", path.display()))?;
    }
    Ok(Some(prepared))
}

/// The way in which the first run moved the air, where all its ramps were alike: the time that was foreseen is for that.
fn way(record: &Record) -> Option<Way> {
    record.header.steps.iter().find_map(|step| {
        let StepTask::SwitchPoints(ramps) = &step.task else { return None };
        match ramps.rising {
            Motion::FullFlow if !ramps.two_rates(true) && !ramps.two_rates(false) => Some(Way::FullFlow),
            Motion::Throttled => Some(Way::Throttled),
            Motion::FullFlow | Motion::Regulated { .. } | Motion::Pulses { .. } | Motion::ByHand { .. } => {
                None
            }
        }
    })
}

/// File in the folder of a run that says where a position of it was tested again.
fn marker(position: u8) -> String {
    format!("again-{position}.txt")
}

/// The run that the folder itself says repeats it, if that one was begun.
fn marked(folder: &Path, position: u8) -> Option<PathBuf> {
    let later = PathBuf::from(std::fs::read_to_string(folder.join(marker(position))).ok()?.trim());
    [output::RECORD, output::JOURNAL].iter().any(|file| later.join(file).exists()).then_some(later)
}

/// A run beside the first that repeats it for a position: every repeat is counted, so they follow each other.
fn repeated_in(folder: &Path, first: &Record, position: u8) -> Option<PathBuf> {
    let beside =
        folder.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    let folders = std::fs::read_dir(beside).ok()?.flatten().map(|entry| entry.path());
    let mut all: Vec<PathBuf> = folders.filter(|path| path.join(output::RECORD).exists()).collect();
    all.sort();
    all.into_iter().find(|path| {
        report::stored(path).is_ok_and(|(record, _)| {
            let of_it = record.header.again.as_ref().is_some_and(|again| again.run == first.header.run);
            of_it && record.positions.iter().any(|again| again.number == position)
        })
    })
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
