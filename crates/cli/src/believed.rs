//! Whether a stored record fits what it was made from: its trace, its sheets, its journal, and the figures that the trace gives when
//! it is judged again. Of one that does not fit nothing is shown as found.

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
    /// What does not fit together.
    pub(crate) doubts: Vec<String>,
    /// What is not the same when it is judged again: where, and how.
    pub(crate) differences: Vec<(String, String)>,
}

impl Stored {
    /// A run in its folder.
    pub(crate) fn of(folder: &Path) -> Result<Self, tripbench_job::JobError> {
        let (record, trace) = tripbench_job::stored(folder)?;
        let others = tripbench_job::written_by_others(folder, &record, &trace);
        let mut stored = Self::made(folder, record, trace);
        stored.doubts.extend(others);
        Ok(stored)
    }

    /// The same of a record that was just made from the journal in its folder.
    pub(crate) fn made(folder: &Path, record: Record, trace: Trace) -> Self {
        let mut doubts = tripbench_job::doubts(folder, &record, &trace);
        doubts.extend(against_itself(&record));
        let findings = Findings::new();
        let again = load::load(&tripbench_job::carried(&record, false), &findings).sheets.map(|sheets| {
            let (steps, positions) = (record.header.steps.clone(), record.header.positions.clone());
            rejudge(&record, &Task { sheets, steps, positions, plan: record.header.plan.clone() }, &trace)
        });
        if again.is_none() {
            doubts.push(String::from("the sheets in the record are incomplete, so nothing can be judged"));
        }
        let differences = again.as_ref().map(|again| differences(&record, again)).unwrap_or_default();
        Self { folder: folder.to_owned(), record, trace, again, doubts, differences }
    }

    /// Whether everything fits.
    pub(crate) fn fits(&self) -> bool {
        self.doubts.is_empty() && self.differences.is_empty()
    }

    /// Why the record cannot be trusted. Contains no figures and no verdict.
    pub(crate) fn reasons(&self) -> impl Iterator<Item = String> + '_ {
        let again = self
            .differences
            .iter()
            .map(|(place, _)| format!("{place}: judged again from the trace it is another"));
        self.doubts.iter().cloned().chain(again)
    }

    /// Says that it does not fit, and why.
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
            "The record in `{}` does not fit its raw data: no figure and no verdict of it is shown.{made} `tripbench rejudge` says what the trace gives.",
            self.folder.display()
        ));
    }
}

/// What the record says twice, and not alike.
fn against_itself(record: &Record) -> Vec<String> {
    let planned =
        record.header.positions.iter().map(|plan| (plan.number, &plan.identity.serial, plan.identity.how));
    let kept = record.positions.iter().map(|position| (position.number, &position.serial, position.identity));
    let mut doubts = Vec::new();
    if !planned.eq(kept) {
        doubts.push(String::from(
            "the positions of the record are not those of its plan: number, serial or how it was given",
        ));
    }
    doubts
}

/// The sheets that a record carries.
pub(crate) fn sheets(record: &Record) -> Result<Arc<LoadedSheets>> {
    let findings = Findings::new();
    let loaded = load::load(&tripbench_job::carried(record, false), &findings);
    if load::show(findings) {
        anyhow::bail!("the sheets in the record have errors");
    }
    loaded.sheets.context("the sheets in the record are incomplete")
}

/// What is not the same: where, and how.
fn differences(stored: &Record, again: &Record) -> Vec<(String, String)> {
    let mut all = Vec::new();
    let counts = [stored.checks().count(), again.checks().count()];
    if counts[0] != counts[1] {
        let how = format!("{} are stored, {} were found", counts[0], counts[1]);
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
    // Whatever else: two records that do not say the same are not the same.
    if all.is_empty() && !same_but_for_rounding(stored, again) {
        let how = "what is stored is not in the form or order in which it is found";
        all.push((String::from("record"), how.to_owned()));
    }
    all
}

fn difference(stored: &Check, found: &Check) -> Option<(String, String)> {
    if same_but_for_rounding(stored, found) {
        return None;
    }
    let place = found.position.map_or_else(|| String::from("rig"), |number| format!("position {number}"));
    let value = |check: &Check| check.measured.as_ref().map_or(f64::NAN, |measured| measured.value);
    let told = |check: &Check| format!("{} {} {}", check.verdict, value(check), check.unit);
    let (was, is) = (told(stored), told(found));
    let how = if was == is {
        format!("{was}, but its limits, budget, crossings or remarks are others")
    } else {
        format!("stored {was}, found {is}")
    };
    Some((format!("{place}, {}", found.quantity), how))
}
