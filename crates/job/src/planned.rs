//! The steps of a record held against those that its own sheets and script make. A journal vouches for a record only as far as nobody
//! made both anew; a plan follows from the sheets.

use crate::{Loaded, carried, load, task};
use serde_json::Value;
use tripbench_engine::{PersonAtPlugs, rig_check};
use tripbench_record::{PlannedStep, Record, StepTask, Task, Way};
use tripbench_sheet::Findings;

/// How the steps of a record differ from those that its own sheets and script make; `None` where they do not, and where another version
/// of the program planned them.
pub(crate) fn step_doubt(record: &Record) -> Option<String> {
    if other_planner(record).is_some() {
        return None;
    }
    let plans = plans(record);
    if plans.iter().any(|plan| same(&plan.steps, &record.header.steps) && plan.plan == record.header.plan) {
        return None;
    }
    let Some(plan) = plans.into_iter().next() else {
        return Some(String::from("the sheets and the script in the record make no plan, and it has steps"));
    };
    Some(difference(&plan.steps, &record.header.steps))
}

/// The version of the program that planned a record, if it is another one than this: its plan may rightly differ, and is not compared.
pub fn other_planner(record: &Record) -> Option<&str> {
    record.other_version(env!("CARGO_PKG_VERSION"))
}

/// Whether steps are the same but for the last digits of their figures, in which two computers may differ.
fn same(planned: &[PlannedStep], stored: &[PlannedStep]) -> bool {
    let [planned, stored] = [planned, stored].map(serde_json::to_value);
    planned.ok().zip(stored.ok()).is_some_and(|(planned, stored)| alike(&planned, &stored))
}

fn alike(planned: &Value, stored: &Value) -> bool {
    /// Relative difference of two figures that are the same: far more than rounding makes, far less than anyone would alter.
    const ROUNDING: f64 = 1e-9;
    match (planned, stored) {
        (Value::Number(planned), Value::Number(stored)) => {
            let figures = planned.as_f64().zip(stored.as_f64());
            figures.is_some_and(|(planned, stored)| {
                (planned - stored).abs() <= ROUNDING * planned.abs().max(stored.abs())
            })
        }
        (Value::Array(planned), Value::Array(stored)) => {
            planned.len() == stored.len()
                && planned.iter().zip(stored).all(|(planned, stored)| alike(planned, stored))
        }
        (Value::Object(planned), Value::Object(stored)) => {
            planned.len() == stored.len()
                && planned
                    .iter()
                    .all(|(key, planned)| stored.get(key).is_some_and(|stored| alike(planned, stored)))
        }
        (planned, stored) => planned == stored,
    }
}

fn difference(planned: &[PlannedStep], stored: &[PlannedStep]) -> String {
    const MADE: &str = "its own sheets and script make";
    if planned.len() != stored.len() {
        return format!("the record has {} steps, {MADE} {}", stored.len(), planned.len());
    }
    let other = (1..)
        .zip(planned.iter().zip(stored))
        .find(|(_, (planned, stored))| !same(std::slice::from_ref(planned), std::slice::from_ref(stored)));
    other.map_or_else(
        || format!("the record reads other addresses than {MADE}"),
        |(number, (_, stored))| {
            format!("step {number}, `{}`, of the record is not the one that {MADE}", stored.name)
        },
    )
}

/// The plans that the sheets in a record make: one for a run, for a repeat also those with as many ramps as it had, for a rig check
/// those with a person at the plugs and without.
fn plans(record: &Record) -> Vec<Task> {
    let findings = Findings::new();
    let loaded = load(&carried(record, true), &findings);
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
