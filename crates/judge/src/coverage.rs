//! What a run did not check: a delay that nothing timed, a selection that nothing showed, changes between two reads. It stands
//! beside the verdict, and where the site has it so it takes a pass away.

use crate::condition::judged;
use crate::promised::{selectable_s, selected_delay_s};
use crate::transition::{Timed, fitting_s, is_set, not_doubted_s, possible_s, shows_selected};
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
    selectable_s(task).into_iter().any(|other_s| !is_set(task, other_s))
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
/// that does not fit where another does, or that is in doubt, is no gap in what was checked: it speaks against the device.
pub(crate) fn selected_delay(task: &Task, check: Check, found: &[(QuantityName, Timed<'_>)]) -> Check {
    let check = Check { role: role(task), ..check };
    if !selects(task) {
        return Check {
            verdict: CheckVerdict::Pass,
            remark: Some(String::from("the type has no other delay")),
            ..check
        };
    }
    let Some((finest, finest_of)) = found
        .iter()
        .map(|(of, timed)| (timed.delay, output(*of)))
        .min_by(|(a, _), (b, _)| a.expanded_uncertainty.total_cmp(&b.expanded_uncertainty))
    else {
        let remark = "nothing timed the output: every ramp crossed the levels at about one rate";
        return Check { remark: Some(remark.into()), ..check };
    };
    // Which of the delays fits is no question of limits.
    let said = |by: &MeasurementResult, verdict, remark: String| Check {
        verdict,
        remark: Some(remark),
        to_decide: None,
        conformance_probability: None,
        ..judged(check.clone(), by, None, Acceptance::GuardBand)
    };
    let known: Vec<Timed<'_>> = found.iter().map(|(_, timed)| *timed).collect();
    if shows_selected(task, &known) {
        let remark = format!("no other delay of the type fits; finest told by {finest_of}");
        return said(finest, CheckVerdict::Pass, remark);
    }
    let (open, set) = (CheckVerdict::Undecided, listed(&[selected_delay_s(task)]));
    let fitting_s = fitting_s(task, &known);
    if fitting_s.iter().any(|delay_s| is_set(task, *delay_s)) {
        let possible = listed(&possible_s(task, &known));
        let remark =
            format!("each of {possible} ms can be the one that is selected; finest told by {finest_of}");
        return said(finest, open, remark);
    }
    // The output that speaks most against it.
    let against = |timed: &Timed<'_>| {
        timed.beside_s(task, selected_delay_s(task)) / timed.delay.expanded_uncertainty.max(f64::MIN_POSITIVE)
    };
    let most = found.iter().max_by(|(_, a), (_, b)| against(a).total_cmp(&against(b)));
    let (by, result) = most.map_or((finest_of, finest), |(of, timed)| (output(*of), timed.delay));
    let instead = match fitting_s.as_slice() {
        [] => String::from("nor does another delay of the type fit all outputs"),
        [one] => format!("only {} ms fits", listed(&[*one])),
        all => format!("each of {} ms fits", listed(all)),
    };
    let against = said(result, open, format!("{set} ms is set and does not fit {by}: {instead}"));
    // Where no delay fits by U, the set one has to be in doubt: of four outputs U alone leaves out the true one too often.
    let doubted = !not_doubted_s(task, &known).iter().any(|delay_s| is_set(task, *delay_s));
    let speaks = doubted || !fitting_s.is_empty();
    let role = if speaks && against.role == Role::Informative { Role::Screening } else { against.role };
    Check { role, ..against }
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
