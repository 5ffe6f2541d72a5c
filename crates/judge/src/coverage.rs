//! What a run did not check: a delay that nothing timed, a selection that nothing showed, changes between two reads. It stands
//! beside the verdict, and where the site has it so it takes a pass away.

use crate::condition::judged;
use crate::promised::{response_s, selectable_s, selected_delay_s};
use crate::transition::{fitting_s, shows_selected};
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

/// Whether the device shows the delay that is set, and none of the others that its type lets one select, by the delays of its outputs. One
/// that does not fit while another does is no gap in what was checked: it speaks against the device.
pub(crate) fn selected_delay(
    task: &Task,
    check: Check,
    found: &[(QuantityName, MeasurementResult)],
) -> Check {
    let check = Check { role: role(task), ..check };
    if !selects(task) {
        return Check {
            verdict: CheckVerdict::Pass,
            remark: Some(String::from("the type has no other delay")),
            ..check
        };
    }
    let known: Vec<&MeasurementResult> = found.iter().map(|(_, result)| result).collect();
    let Some(best) = known.iter().min_by(|a, b| a.expanded_uncertainty.total_cmp(&b.expanded_uncertainty))
    else {
        let remark = "nothing timed the output: every ramp crossed the levels at about one rate";
        return Check { remark: Some(remark.into()), ..check };
    };
    // Which of the delays fits is no question of limits.
    let of = |result: &MeasurementResult| judged(check.clone(), result, None, Acceptance::GuardBand);
    let said = |check: Check, verdict, remark: String| Check {
        verdict,
        remark: Some(remark),
        to_decide: None,
        conformance_probability: None,
        ..check
    };
    if shows_selected(task, &known) {
        return said(of(best), CheckVerdict::Pass, String::from("no other delay of the type fits"));
    }
    let fitting_s = fitting_s(task, &known);
    let selected_s = selected_delay_s(task);
    let is_set = |delay_s: &f64| (delay_s - selected_s).abs() <= f64::EPSILON;
    let open = CheckVerdict::Undecided;
    if fitting_s.iter().any(is_set) {
        return said(
            of(best),
            open,
            match fitting_s.as_slice() {
                [_] => String::from("it fits, but no other delay of the type is surely ruled out"),
                _ => format!("each of {} ms fits", listed(&fitting_s)),
            },
        );
    }
    // The output that speaks most against it.
    let beside = |result: &MeasurementResult| {
        let away_s = (result.value - selected_s - response_s(task)).max(selected_s - result.value);
        away_s / result.expanded_uncertainty.max(f64::MIN_POSITIVE)
    };
    let against = found.iter().max_by(|(_, a), (_, b)| beside(a).total_cmp(&beside(b)));
    let (by, result) = against.map_or(("", *best), |(of, result)| (output(*of), result));
    let set = listed(&[selected_s]);
    match fitting_s.as_slice() {
        [] => said(of(result), open, format!("none of {} ms fits {by}", listed(&selectable_s(task)))),
        all => {
            let only = if all.len() == 1 { "only " } else { "each of " };
            let remark = format!("{set} ms is set and does not fit {by}: {only}{} ms fits", listed(all));
            let against = said(of(result), open, remark);
            let role = if against.role == Role::Informative { Role::Screening } else { against.role };
            Check { role, ..against }
        }
    }
}

/// Delays in milliseconds, one after another.
fn listed(delays_s: &[f64]) -> String {
    let delays: Vec<String> = delays_s.iter().map(|delay_s| format!("{:.0}", delay_s * 1e3)).collect();
    delays.join(", ")
}

/// What an output's delay is called in a sentence.
const fn output(delay: QuantityName) -> &'static str {
    if matches!(delay, QuantityName::OnDelay) {
        "the output switching on"
    } else if matches!(delay, QuantityName::OffDelay) {
        "the output switching off"
    } else if matches!(delay, QuantityName::CutOffDelay) {
        "the valve output at cut-off"
    } else {
        "the valve output at resume"
    }
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
