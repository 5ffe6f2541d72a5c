//! Comparison of the steps of a record with the plan from its own sheets and script. A journal does not reveal that journal and record
//! were both rewritten; a plan can be computed from the sheets.

use crate::{Loaded, carried, load, task};
use tripbench_engine::{PersonAtPlugs, rig_check};
use tripbench_record::{PlannedStep, Record, StepTask, Task, Way, same_but_for_rounding};
use tripbench_sheet::Findings;

/// How the steps of a record differ from the plan from its own sheets and script; `None` if they do not differ, or if another version of
/// the program planned them.
pub(crate) fn step_doubt(record: &Record) -> Option<String> {
    if other_planner(record).is_some() {
        return None;
    }
    let plans = plans(record);
    if plans.iter().any(|plan| {
        same_but_for_rounding(&plan.steps, &record.header.steps) && plan.plan == record.header.plan
    }) {
        return None;
    }
    let Some(plan) = plans.into_iter().next() else {
        return Some(String::from("the record has steps, but its sheets and script give no plan"));
    };
    Some(difference(&plan.steps, &record.header.steps))
}

/// The version of the program that planned or wrote a record, if it differs from this one. Its plan may rightly differ, so it is not
/// compared.
pub fn other_planner(record: &Record) -> Option<&str> {
    record.other_version(env!("CARGO_PKG_VERSION"))
}

fn difference(planned: &[PlannedStep], stored: &[PlannedStep]) -> String {
    const MADE: &str = "its own sheets and script give";
    if planned.len() != stored.len() {
        return format!("the record has {} steps, {MADE} {}", stored.len(), planned.len());
    }
    let other = (1..)
        .zip(planned.iter().zip(stored))
        .find(|(_, (planned, stored))| !same_but_for_rounding(*planned, *stored));
    other.map_or_else(
        || format!("the record reads other addresses than {MADE}"),
        |(number, (_, stored))| {
            format!("step {number}, `{}`, of the record is not the one that {MADE}", stored.name)
        },
    )
}

/// The plans from the sheets in a record: for a run one, for a repeat also those with its number of ramps, for a rig check those with and
/// without a person at the plugs.
fn plans(record: &Record) -> Vec<Task> {
    let findings = Findings::new();
    let loaded = load(&carried(&record.header, true), &findings);
    if record.is_rig_check() {
        let persons = [PersonAtPlugs::Absent, PersonAtPlugs::OperatesEach];
        let sheets = loaded.sheets.into_iter();
        return sheets.flat_map(|sheets| persons.map(|person| rig_check(sheets.clone(), person))).collect();
    }
    let of = |loaded: &Loaded| task(loaded, record.header.positions.clone(), &findings);
    let repeated = ramps(record).filter(|_| record.header.again.is_some());
    let ways = [None, Some(Way::FullFlow), Some(Way::Throttled)];
    let more = repeated.into_iter().flat_map(|ramps| ways.map(|way| with_ramps(&loaded, ramps, way)));
    std::iter::once(of(&loaded)).chain(more.map(|loaded| of(&loaded))).flatten().collect()
}

fn ramps(record: &Record) -> Option<u16> {
    record.header.steps.iter().find_map(|step| {
        if let StepTask::SwitchPoints(ramps) = &step.task { Some(ramps.cycles) } else { None }
    })
}

fn with_ramps(loaded: &Loaded, ramps: u16, way: Option<Way>) -> Loaded {
    let script = loaded.script.clone().map(|script| script.with_ramps(ramps, way));
    Loaded { script, ..loaded.clone() }
}
