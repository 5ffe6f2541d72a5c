//! `tripbench rejudge`: the same figures from the raw trace, or what differs.

use crate::args::RejudgeOptions;
use crate::exit::Exit;
use crate::{report, say};
use anyhow::{Context, Result};
use tripbench_judge::rejudge as judge_again;
use tripbench_record::{Record, Task, canonical_json};

pub(crate) fn rejudge(options: &RejudgeOptions) -> Result<Exit> {
    let (record, trace) = report::stored(&options.folder)?;
    let task = Task {
        sheets: report::sheets(&record)?,
        steps: record.header.steps.clone(),
        positions: record.header.positions.clone(),
        plan: record.header.plan.clone(),
    };
    let doubts = report::doubts(&options.folder, &record, &trace);
    for doubt in &doubts {
        say::error(doubt);
    }
    let again = judge_again(&record, &task, &trace);
    let bytes = canonical_json(&again).context("the record has a figure that is none")?;
    if let Some(path) = &options.out {
        std::fs::write(path, &bytes).with_context(|| format!("can not write `{}`", path.display()))?;
    }
    if options.json {
        say::out(&String::from_utf8_lossy(&bytes));
    }
    let differences = differences(&record, &again);
    for difference in &differences {
        say::note(&format!("  {difference}"));
    }
    if differences.is_empty() {
        say::note("Judged again from the raw trace: the same checks and verdicts.");
        return Ok(if doubts.is_empty() { Exit::of(&again) } else { Exit::Failed });
    }
    say::note(&format!(
        "Judged again from the raw trace: {} differ. The stored record was left as it is.",
        differences.len()
    ));
    Ok(Exit::Failed)
}

/// What is not the same, in words.
fn differences(stored: &Record, again: &Record) -> Vec<String> {
    let mut all = Vec::new();
    if stored.checks().count() != again.checks().count() {
        all.push(format!(
            "{} checks are stored, {} were found",
            stored.checks().count(),
            again.checks().count()
        ));
    }
    for check in again.checks() {
        let same = |other: &&tripbench_record::Check| {
            other.position == check.position && other.step == check.step && other.quantity == check.quantity
        };
        let place = check.position.map_or_else(|| String::from("rig"), |number| format!("position {number}"));
        match stored.checks().find(same) {
            Some(other) if canonical_json(other).ok() == canonical_json(check).ok() => {}
            Some(other) => {
                let value = |check: &tripbench_record::Check| {
                    check.measured.as_ref().map_or(f64::NAN, |measured| measured.value)
                };
                all.push(format!(
                    "{place}, {}: stored {} {} {}, found {} {} {}",
                    check.quantity,
                    other.verdict,
                    value(other),
                    other.unit,
                    check.verdict,
                    value(check),
                    check.unit
                ));
            }
            None => {}
        }
    }
    for (stored, again) in stored.positions.iter().zip(&again.positions) {
        if stored.verdict != again.verdict {
            all.push(format!(
                "position {}: stored {}, found {}",
                stored.number, stored.verdict, again.verdict
            ));
        }
    }
    all
}
