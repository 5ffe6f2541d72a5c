//! Checks whether a stored record agrees with its sources: its trace, its sheets, its journal, and the figures that the trace gives
//! when judged again. No figure of a record that does not agree is shown as a result.

use crate::{load, say};
use anyhow::{Context, Result};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tripbench_judge::rejudge;
use tripbench_record::{Check, LoadedSheets, Record, Task, Trace, same_but_for_rounding};
use tripbench_sheet::Findings;

/// A stored run, and what is wrong with it.
pub(crate) struct Stored {
    pub(crate) folder: PathBuf,
    pub(crate) record: Record,
    pub(crate) trace: Trace,
    /// The record judged again from its trace; `None` if its sheets are incomplete.
    pub(crate) again: Option<Record>,
    /// Contradictions between the record and its sources.
    pub(crate) doubts: Vec<String>,
    /// Differences from the record judged again: where, and how.
    pub(crate) differences: Vec<(String, String)>,
}

impl Stored {
    /// Reads the run in a folder.
    pub(crate) fn of(folder: &Path) -> Result<Self, tripbench_runner::JobError> {
        let (record, trace) = tripbench_runner::stored(folder)?;
        let others = tripbench_runner::written_by_others(folder, &record, &trace);
        let mut stored = Self::made(folder, record, trace);
        stored.doubts.extend(others);
        Ok(stored)
    }

    /// Like [`Stored::of`], for a record just made from the journal in its folder.
    pub(crate) fn made(folder: &Path, record: Record, trace: Trace) -> Self {
        let mut doubts = tripbench_runner::doubts(folder, &record, &trace);
        doubts.extend(against_itself(&record));
        let findings = Findings::new();
        let again =
            load::load(&tripbench_runner::carried(&record.header, false), &findings).sheets.map(|sheets| {
                let (steps, positions) = (record.header.steps.clone(), record.header.positions.clone());
                rejudge(&record, &Task { sheets, steps, positions, plan: record.header.plan.clone() }, &trace)
            });
        if again.is_none() {
            doubts.push(String::from("the sheets in the record are incomplete, so nothing can be judged"));
        }
        let differences = again.as_ref().map(|again| differences(&record, again)).unwrap_or_default();
        Self { folder: folder.to_owned(), record, trace, again, doubts, differences }
    }

    /// Whether the record agrees with its sources.
    pub(crate) fn fits(&self) -> bool {
        self.doubts.is_empty() && self.differences.is_empty()
    }

    /// Why the record cannot be trusted. Contains no figures and no verdict.
    pub(crate) fn reasons(&self) -> impl Iterator<Item = String> + '_ {
        let again = self
            .differences
            .iter()
            .map(|(place, _)| format!("{place}: judging the trace again gives another result"));
        self.doubts.iter().cloned().chain(again)
    }

    /// Reports that the record does not agree, and why.
    pub(crate) fn say_unfit(&self) {
        for reason in self.reasons() {
            say::error(&reason);
        }
        let own = &self.record.software.version;
        let made = if own == env!("CARGO_PKG_VERSION") {
            String::new()
        } else {
            format!(" It was made by version {own}.")
        };
        say::error(&format!(
            "The record in `{}` does not fit its raw data: none of its figures and verdicts is shown.{made} `tripbench rejudge` shows what the trace gives.",
            self.folder.display()
        ));
    }
}

/// Contradictions between two places in the record.
fn against_itself(record: &Record) -> Vec<String> {
    let planned =
        record.header.positions.iter().map(|plan| (plan.number, &plan.identity.serial, plan.identity.how));
    let kept = record.positions.iter().map(|position| (position.number, &position.serial, position.identity));
    let mut doubts = Vec::new();
    if !planned.eq(kept) {
        doubts.push(String::from(
            "the positions of the record differ from those of its plan: number, serial or origin of the serial",
        ));
    }
    doubts
}

/// The sheets that a record carries.
pub(crate) fn sheets(record: &Record) -> Result<Arc<LoadedSheets>> {
    let findings = Findings::new();
    let loaded = load::load(&tripbench_runner::carried(&record.header, false), &findings);
    if load::show(findings) {
        anyhow::bail!("the sheets in the record have errors");
    }
    loaded.sheets.context("the sheets in the record are incomplete")
}

/// Differences between two records: where, and how.
fn differences(stored: &Record, again: &Record) -> Vec<(String, String)> {
    let mut all = Vec::new();
    let counts = [stored.checks().count(), again.checks().count()];
    if counts[0] != counts[1] {
        let how = format!("{} stored, {} found", counts[0], counts[1]);
        all.push((String::from("number of checks"), how));
    }
    for check in again.checks() {
        let same = |other: &&Check| {
            let key = |check: &Check| (check.position, check.step, check.quantity, check.role);
            key(other) == key(check)
        };
        let other = stored.checks().find(same);
        all.extend(other.and_then(|other| difference(other, check)));
    }
    for (stored, again) in stored.positions.iter().zip(&again.positions) {
        if stored.verdict != again.verdict {
            let how = format!("stored {}, found {}", stored.verdict, again.verdict);
            all.push((format!("position {}", stored.number), how));
        }
    }
    // Anything else that differs. `doubts` already reports another trace.
    let mut again = again.clone();
    if again.trace.sha256 != stored.trace.sha256 {
        again.trace = stored.trace.clone();
    }
    if all.is_empty() && !same_but_for_rounding(stored, &again) {
        let how = "checks and verdicts are the same; something else in it differs";
        all.push((String::from("record"), how.to_owned()));
    }
    all
}

fn difference(stored: &Check, found: &Check) -> Option<(String, String)> {
    if same_but_for_rounding(stored, found) {
        return None;
    }
    let place = found.position.map_or_else(|| String::from("rig"), |number| format!("position {number}"));
    let shown = |check: &Check| match &check.measured {
        Some(measured) => format!("{} {} {}", check.verdict, measured.value, check.unit),
        None => check.verdict.to_string(),
    };
    let (was, is) = (shown(stored), shown(found));
    let how = if was == is {
        format!("{was}, but its limits, budget, crossings or remarks differ")
    } else {
        format!("stored {was}, found {is}")
    };
    Some((format!("{place}, {}", found.quantity), how))
}
