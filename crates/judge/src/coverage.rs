//! What a run did not check: a delay that nothing timed, a selection that nothing showed, changes between two reads. It stands
//! beside the verdict, and where the site has it so it takes a pass away.

use crate::condition::judged;
use crate::promised::{selectable_s, selected_delay_s};
use tripbench_device::NotChecked;
use tripbench_measure::{Acceptance, MeasurementResult};
use tripbench_record::{Check, CheckVerdict, QuantityName, Role, Task};
use tripbench_rig::Position;

/// What a check that covers something counts for: shown beside the verdict, or needed by it.
pub(crate) fn role(task: &Task) -> Role {
    match task.sheets.site.not_checked {
        NotChecked::Say => Role::Informative,
        NotChecked::Undecided => Role::Required,
    }
}

/// A delay that all ramps leave open, for all of them passed its level at about one rate.
pub(crate) fn not_timed(task: &Task, check: Check) -> Check {
    let remark = if task.sheets.device.is_some() {
        "every ramp crossed the level at about one rate, which does not show the delay: the level allows for it"
    } else {
        "every ramp crossed the level at about one rate, which does not show the delay: the level is the one at the edge, later by the rate times the whole delay"
    };
    Check { role: role(task), remark: Some(remark.into()), ..check }
}

/// A level that is set, or a delay or spread that is promised, of a valve output at which no step of the run looks for it.
pub(crate) fn not_seen(task: &Task, check: Check) -> Check {
    let levels = matches!(check.quantity, QuantityName::CutOff | QuantityName::Resume);
    let remark = if levels {
        "the valve output is not looked at in this run"
    } else {
        "the valve output is not looked at in ramps, and at its own one rate nothing shows it"
    };
    Check { role: role(task), remark: Some(remark.into()), ..check }
}

/// Whether the type lets one select another delay than the one that is set.
pub(crate) fn selects(task: &Task) -> bool {
    let selected_s = selected_delay_s(task);
    selectable_s(task).iter().any(|other_s| (other_s - selected_s).abs() > f64::EPSILON)
}

/// Whether the module counts the edges of every output that is looked at, for each position that takes part; where none does, for each
/// position of the rig.
pub(crate) fn counts_edges(task: &Task, valve: bool) -> impl Iterator<Item = bool> + '_ {
    let takes_part = move |position: &&Position| {
        task.positions.is_empty() || task.positions.iter().any(|plan| plan.number == *position.number)
    };
    task.sheets.rig.positions.iter().filter(takes_part).map(move |position| is_counted(position, valve))
}

fn is_counted(position: &Position, valve: bool) -> bool {
    let inputs = std::iter::once(&position.switch).chain(position.valve.as_ref().filter(|_| valve));
    inputs.into_iter().all(|input| input.counter.is_some())
}

/// Whether the device shows the delay that is set, and none of the others that its type lets one select. One that does not fit while
/// another does is no gap in what was checked: it speaks against the device.
pub(crate) fn selected_delay(
    task: &Task,
    check: Check,
    found: Option<&MeasurementResult>,
    (shown, fitting_s): (bool, &[f64]),
) -> Check {
    let check = Check { role: role(task), ..check };
    if !selects(task) {
        return Check {
            verdict: CheckVerdict::Pass,
            remark: Some(String::from("the type has no other delay")),
            ..check
        };
    }
    let Some(found) = found else {
        let remark = "nothing timed the output: every ramp crossed the levels at about one rate";
        return Check { remark: Some(remark.into()), ..check };
    };
    // Which of the delays fits is no question of limits.
    let mut check = judged(check, found, None, Acceptance::GuardBand);
    let is_set = |delay_s: &f64| (delay_s - selected_delay_s(task)).abs() <= f64::EPSILON;
    if check.role == Role::Informative && !fitting_s.is_empty() && !fitting_s.iter().any(is_set) {
        check.role = Role::Screening;
    }
    let (verdict, remark) = if shown {
        (CheckVerdict::Pass, String::from("no other delay of the type fits"))
    } else {
        let listed = |delays_s: &[f64]| {
            let delays: Vec<String> =
                delays_s.iter().map(|delay_s| format!("{:.0}", delay_s * 1e3)).collect();
            delays.join(", ")
        };
        let selected_s = selected_delay_s(task);
        let remark = match fitting_s {
            [] => format!("none of {} ms fits", listed(&selectable_s(task))),
            [other_s] if !is_set(other_s) => {
                format!("{} ms is set, and only {} ms fits", listed(&[selected_s]), listed(fitting_s))
            }
            _ if !fitting_s.iter().any(is_set) => {
                format!(
                    "{} ms is set and does not fit, but each of {} ms does",
                    listed(&[selected_s]),
                    listed(fitting_s)
                )
            }
            _ => format!("each of {} ms fits", listed(fitting_s)),
        };
        (CheckVerdict::Undecided, remark)
    };
    Check { verdict, remark: Some(remark), to_decide: None, conformance_probability: None, ..check }
}

/// Whether changes of the outputs between two reads would be seen: by counters of their edges alone.
pub(crate) fn bounce(check: Check, task: &Task, position: &Position, valve: bool) -> Check {
    let (verdict, remark) = if is_counted(position, valve) {
        (CheckVerdict::Pass, "the module counts the edges")
    } else {
        (CheckVerdict::Undecided, "no counter of edges: what is over between two reads is not seen")
    };
    Check { role: role(task), unit: String::from("1"), verdict, remark: Some(remark.into()), ..check }
}

#[cfg(test)]
mod tests;
