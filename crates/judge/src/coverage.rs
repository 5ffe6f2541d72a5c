//! What a run did not check: a delay that no ramp timed, a selection that no delay showed, changes between two reads. It is reported
//! beside the verdict; if the site requires it, it prevents a pass.

use crate::condition::judged;
use crate::promised::{selectable_s, selected_delay_s};
use crate::transition::{Timed, fitting_s, is_set, not_doubted_s, possible_s, shows_selected};
use tripbench_device::NotChecked;
use tripbench_measure::{Acceptance, MeasurementResult};
use tripbench_record::{Check, CheckVerdict, QuantityName, Role, Task};
use tripbench_rig::Position;

/// The role of a check of coverage: reported beside the verdict, or required for it.
pub(crate) fn role(task: &Task) -> Role {
    match task.sheets.site.not_checked {
        NotChecked::Say => Role::Informative,
        NotChecked::Undecided => Role::Required,
    }
}

/// A delay left open because all ramps passed its level at about the same rate.
pub(crate) fn not_timed(task: &Task, check: Check) -> Check {
    let remark = if task.sheets.device.is_some() {
        "all ramps crossed the level at about the same rate, which does not show the delay: U of the level includes it"
    } else {
        "all ramps crossed the level at about the same rate, which does not show the delay: the stated level is that at \
         the edge, off by the rate times the whole delay"
    };
    Check { role: role(task), remark: Some(remark.into()), ..check }
}

/// A set level, or a promised delay or spread, of a valve output that no step of the run tests for it.
pub(crate) fn not_seen(task: &Task, check: Check) -> Check {
    let levels = matches!(check.quantity, QuantityName::CutOff | QuantityName::Resume);
    let remark = if levels {
        "no step of this run checks the valve output"
    } else {
        "no ramp checks the valve output, and air saving at one rate does not show this"
    };
    Check { role: role(task), remark: Some(remark.into()), ..check }
}

/// Whether the type has selectable delays other than the one that is set.
pub(crate) fn selects(task: &Task) -> bool {
    selectable_s(task).into_iter().any(|other_s| !is_set(task, other_s))
}

/// For each position that takes part, whether the module counts the edges of every judged output; for each position of the rig where
/// the task names none.
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

/// Whether the delays of a device's outputs fit the selected delay and no other selectable one. A selected delay that does not fit
/// where another does, or that is in doubt, counts against the device; it is not only a gap in coverage.
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
        let remark = "nothing timed the output: all ramps crossed the levels at about the same rate";
        return Check { remark: Some(remark.into()), ..check };
    };
    // Whether a delay fits is not decided by limits.
    let said = |by: &MeasurementResult, verdict, remark: String| Check {
        verdict,
        remark: Some(remark),
        to_decide: None,
        conformance_probability: None,
        ..judged(check.clone(), by, None, Acceptance::GuardBand)
    };
    let known: Vec<Timed<'_>> = found.iter().map(|(_, timed)| *timed).collect();
    if shows_selected(task, &known) {
        let remark = format!("no other delay of the type fits; best resolved by {finest_of}");
        return said(finest, CheckVerdict::Pass, remark);
    }
    let (open, set) = (CheckVerdict::Undecided, listed(&[selected_delay_s(task)]));
    let fitting_s = fitting_s(task, &known);
    if fitting_s.iter().any(|delay_s| is_set(task, *delay_s)) {
        let possible = listed(&possible_s(task, &known));
        let remark = format!("each of {possible} ms can be the selected delay; best resolved by {finest_of}");
        return said(finest, open, remark);
    }
    // The output whose delay contradicts the selected one most.
    let against = |timed: &Timed<'_>| {
        timed.beside_s(task, selected_delay_s(task)) / timed.delay.expanded_uncertainty.max(f64::MIN_POSITIVE)
    };
    let most = found.iter().max_by(|(_, a), (_, b)| against(a).total_cmp(&against(b)));
    let (by, result) = most.map_or((finest_of, finest), |(of, timed)| (output(*of), timed.delay));
    let instead = match fitting_s.as_slice() {
        [] => String::from("no other delay of the type fits all outputs either"),
        [one] => format!("only {} ms fits", listed(&[*one])),
        all => format!("each of {} ms fits", listed(all)),
    };
    let against = said(result, open, format!("{set} ms is set and does not fit {by}: {instead}"));
    // Where no delay fits within U, the selected one must also be in doubt: with four outputs, U alone excludes the true delay too
    // often.
    let doubted = !not_doubted_s(task, &known).iter().any(|delay_s| is_set(task, *delay_s));
    let speaks = doubted || !fitting_s.is_empty();
    let role = if speaks && against.role == Role::Informative { Role::Screening } else { against.role };
    Check { role, ..against }
}

/// Delays in milliseconds, separated by commas.
fn listed(delays_s: &[f64]) -> String {
    let delays: Vec<String> = delays_s.iter().map(|delay_s| format!("{:.0}", delay_s * 1e3)).collect();
    delays.join(", ")
}

/// Name of the output and direction of a delay, for remarks.
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

/// Whether changes between two reads would be noticed, which takes an edge counter on every judged output.
pub(crate) fn bounce(check: Check, task: &Task, position: &Position, valve: bool) -> Check {
    let (verdict, remark) = if is_counted(position, valve) {
        (CheckVerdict::Pass, "the module counts the edges")
    } else {
        (CheckVerdict::Undecided, "no edge counter: a pulse between two reads is not seen")
    };
    Check { role: role(task), unit: String::from("1"), verdict, remark: Some(remark.into()), ..check }
}

#[cfg(test)]
mod tests;
