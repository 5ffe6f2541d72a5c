//! `run --again`: one device that was left undecided, tested again with as many ramps as would decide it.

use super::prepare as prepare_run;
use crate::args::WhatOptions;
use crate::{output, report, say};
use anyhow::{Context, Result, bail};
use std::path::{Path, PathBuf};
use tripbench_record::{CheckVerdict, Record, Role, RunHeader, Verdict};
use tripbench_report::quantity_name;
use tripbench_runner::{AgainError, Prepared, Retest, mark, retest};

pub(super) fn prepare(
    position: u8,
    what: &WhatOptions,
    given: &[String],
    rehearsed: bool,
) -> Result<Option<Prepared>> {
    let folder = what.of.clone().map_or_else(latest, Ok)?;
    let (first, _) = report::stored(&folder)?;
    let known = repeats_beside(&folder, &first.header, position);
    if let Some((later, _)) = known.iter().find(|(_, again)| again.judged) {
        return Err(AgainError::Already { position, later: later.clone() }.into());
    }
    let known = known.iter().map(|(_, again)| again.attempt).max().unwrap_or(0);
    let Retest { loaded, ramps, position: plan, operators, again, simulated, at_simulator } =
        retest(&folder, position, known)?;
    if simulated && !at_simulator && !rehearsed {
        bail!(
            "`{}` is a rehearsal or a simulated run: it tested no device that could be tested again. Name a run with --of",
            folder.display()
        );
    }
    let how = ramps.map_or_else(|| String::from("ramps as before"), |ramps| format!("{ramps} ramps"));
    say::note(&format!("Again: position {position}, serial {}, {how}.", plan.identity.serial));
    let open = not_by_ramps(&first, position);
    if ramps.is_none() || !open.is_empty() {
        let what = if open.is_empty() { String::from("it") } else { open.join(", ") };
        say::note(&format!(
            "warning: more ramps alone will not decide {what}; unless something was changed at the rig, expect the same result. \
             `tripbench explain {} {position}` shows what would decide",
            folder.display()
        ));
    }
    let operators = if given.is_empty() { &operators } else { given };
    let Some(mut prepared) = prepare_run(&loaded, vec![plan], operators, &what.output)? else {
        return Ok(None);
    };
    prepared.header.again = Some(again);
    prepared.header.simulated |= simulated;
    if !rehearsed {
        mark(&folder, position, &prepared.folder)?;
    }
    Ok(Some(prepared))
}

/// Names of the checks of a position that are undecided, and that no number of ramps would decide.
fn not_by_ramps(first: &Record, position: u8) -> Vec<&'static str> {
    let left = first.positions.iter().filter(|left| left.number == position);
    let open = left.flat_map(|left| &left.checks).filter(|check| {
        check.verdict == CheckVerdict::Undecided
            && check.role != Role::Informative
            && check.to_decide.as_ref().and_then(|to_decide| to_decide.ramps).is_none()
    });
    open.map(|check| quantity_name(check.quantity)).collect()
}

/// A repeat: its attempt number, and whether it came to a judgement.
struct Repeat {
    attempt: u16,
    judged: bool,
}

/// Runs in the same parent folder that repeat the first run for a position, in order; every repeat is counted.
fn repeats_beside(folder: &Path, first: &RunHeader, position: u8) -> Vec<(PathBuf, Repeat)> {
    let beside =
        folder.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    let folders = std::fs::read_dir(beside).into_iter().flatten().flatten().map(|entry| entry.path());
    let mut all: Vec<PathBuf> = folders.filter(|path| path.join(output::RECORD).exists()).collect();
    all.sort();
    let repeat = |path: PathBuf| {
        let (record, _) = report::stored(&path).ok()?;
        // Neither a rehearsal nor a run at a simulated module tests a device.
        let alike = record.header.simulated == first.simulated
            && record.header.is_at_simulator() == first.is_at_simulator();
        let again = record.header.again.filter(|again| alike && again.run == first.run)?;
        let left = record.positions.iter().find(|left| left.number == position)?;
        Some((path, Repeat { attempt: again.attempt, judged: left.verdict != Verdict::Aborted }))
    };
    all.into_iter().filter_map(repeat).collect()
}

/// The latest run of devices in `out`; a rig check has none. What cannot be read may be one, and is not passed over in silence.
fn latest() -> Result<PathBuf> {
    let entries =
        std::fs::read_dir("out").context("there is no folder `out` here: name the run with --of")?;
    let folders = entries.flatten().map(|entry| entry.path());
    let mut folders: Vec<PathBuf> = folders.filter(|path| path.join(output::RECORD).exists()).collect();
    // By the time in the name, whatever else it begins with.
    let time = |path: &PathBuf| {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        name.trim_start_matches("rig-").to_owned()
    };
    folders.sort_by_key(time);
    let without = |path: &&PathBuf| report::stored(path).is_ok_and(|(record, _)| record.positions.is_empty());
    let latest = folders.iter().rev().find(|path| !without(path));
    latest.cloned().context("no run of devices in `out`: name it with --of")
}
