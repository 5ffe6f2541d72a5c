//! What all devices show alike is the rig's until it is shown to be theirs: a delay of every output by about the same time is a filter
//! of the module's inputs that the sheet does not declare, or the age of its image.

use crate::promised::{longest_delay_s, response_s, selectable_s};
use crate::transition::{SWITCH, VALVE};
use tripbench_record::{Check, CheckVerdict, QuantityName, Task};

/// Takes back the fails of delays that are late by about as much at every position where they were found; of a single position at all its
/// outputs, unless a delay of the type explains it. They stay open, and say where to look.
pub(crate) fn shared_delays(task: &Task, checks: &mut [Check]) {
    for group in late_alike(task, checks) {
        let remark = remark(selected(task, checks, &group));
        for index in group {
            checks[index].verdict = CheckVerdict::Undecided;
            checks[index].remark = Some(remark.clone());
            take_back_with(checks, index);
        }
    }
}

/// Delays that fail, by groups that are late by about as much.
fn late_alike(task: &Task, checks: &[Check]) -> Vec<Vec<usize>> {
    let promised_s = longest_delay_s(task);
    let later =
        |index: &usize| checks[*index].measured.as_ref().is_some_and(|found| found.value > promised_s);
    let positions = task.positions.len();
    let groups: Vec<Vec<usize>> = if positions > 1 {
        let of = |quantity: QuantityName| {
            indices(checks, |check| check.quantity == quantity && check.measured.is_some())
        };
        DELAYS.into_iter().map(of).filter(|all| all.len() >= FEWEST).collect()
    } else {
        let all = indices(checks, |check| check.quantity.is_delay() && check.measured.is_some());
        vec![all]
            .into_iter()
            .filter(|all| all.len() >= FEWEST && selected(task, checks, all).is_none())
            .collect()
    };
    let late = groups.into_iter().filter(|group| group.iter().all(later) && alike(task, checks, group));
    let failed = |index: &usize| checks[*index].verdict == CheckVerdict::Fail;
    late.map(|group| group.into_iter().filter(failed).collect()).collect()
}

/// Takes back what fails because of such a delay: a level that could not be stated, and the scatter of its edges, which grows when they are
/// followed far back.
fn take_back_with(checks: &mut [Check], delay: usize) {
    let (position, quantity) = (checks[delay].position, checks[delay].quantity);
    let transitions = [SWITCH, VALVE].into_iter().flatten();
    let Some([level, spread, _]) = transitions.into_iter().find(|[_, _, delay]| *delay == quantity) else {
        return;
    };
    let unstated = |check: &Check| {
        check.measured.is_none() && [level, QuantityName::Hysteresis].contains(&check.quantity)
    };
    // A scatter that is far beyond that of the others is the device's own.
    let spread_of = |check: &Check| check.measured.as_ref().map(|found| found.value);
    let others = checks.iter().filter(|check| check.quantity == spread && check.position != position);
    let most = others.filter_map(spread_of).reduce(f64::max).unwrap_or(f64::INFINITY);
    let shared =
        |check: &Check| check.quantity == spread && spread_of(check).is_some_and(|own| own <= 2.0 * most);
    let mine = checks.iter_mut().filter(|check| check.position == position);
    for check in mine.filter(|check| check.verdict == CheckVerdict::Fail) {
        if shared(check) || unstated(check) {
            check.verdict = CheckVerdict::Undecided;
            check.remark = Some(String::from(FOLLOWED));
        }
    }
}

const FOLLOWED: &str =
    "its output is late like every other: what its edges show of it is not the device's alone";

/// The longest delay of a position that is late like every other, its U included, seconds; `None` where none is. The checks are as they
/// were found: nothing is taken back in them.
pub(crate) fn shared_delay_s(task: &Task, found: &[Check], position: Option<u8>) -> Option<f64> {
    let late = late_alike(task, found).into_iter().flatten().map(|index| &found[index]);
    let mine = late.filter(|check| check.position == position);
    mine.filter_map(interval).map(|[_, most_s]| most_s).reduce(f64::max)
}

/// Takes back fails of an output's states where nothing fails that is judged with as long a delay as every output shows.
pub(crate) fn late_states(state: &mut Check, when_late: &[Check]) {
    let mine = when_late.iter().find(|check| check.position == state.position);
    if mine.is_some_and(|check| check.verdict != CheckVerdict::Fail) {
        let found = state.remark.take().unwrap_or_default();
        state.verdict = CheckVerdict::Undecided;
        state.remark = Some(format!("{found}; its output is late like every other: see its delays"));
    }
}

fn remark(selected_s: Option<f64>) -> String {
    let selected = selected_s.map_or_else(String::new, |delay_s| {
        format!("is a delay of {:.0} ms selected on every device? Or is it ", delay_s * 1e3)
    });
    format!(
        "Every output whose delay was found is late by about as much: {selected}an input filter or image age that the rig sheet does not declare, or its lag? Try another device"
    )
}

/// Outputs and directions of one device, or devices, that have to be late alike before the rig is suspected.
const FEWEST: usize = 2;

const DELAYS: [QuantityName; 4] =
    [QuantityName::OnDelay, QuantityName::OffDelay, QuantityName::CutOffDelay, QuantityName::ResumeDelay];

fn indices(checks: &[Check], wanted: impl Fn(&Check) -> bool) -> Vec<usize> {
    checks.iter().enumerate().filter(|(_, check)| wanted(check)).map(|(index, _)| index).collect()
}

/// Interval of a delay, seconds.
fn interval(check: &Check) -> Option<[f64; 2]> {
    let measured = check.measured.as_ref()?;
    Some([measured.value - measured.expanded_uncertainty, measured.value + measured.expanded_uncertainty])
}

/// Whether the delays can be one and the same but for what is promised of a device.
fn alike(task: &Task, checks: &[Check], group: &[usize]) -> bool {
    let all: Vec<[f64; 2]> = group.iter().filter_map(|index| interval(&checks[*index])).collect();
    let latest_low = all.iter().map(|one| one[0]).fold(f64::NEG_INFINITY, f64::max);
    let earliest_high = all.iter().map(|one| one[1]).fold(f64::INFINITY, f64::min);
    all.len() == group.len() && latest_low <= earliest_high + response_s(task)
}

/// The delay that the type lets one select and that explains all of them, seconds.
fn selected(task: &Task, checks: &[Check], group: &[usize]) -> Option<f64> {
    let explains = |delay_s: f64, index: &usize| {
        interval(&checks[*index])
            .is_some_and(|[low, high]| delay_s <= high && low <= delay_s + response_s(task))
    };
    selectable_s(task).into_iter().find(|delay_s| group.iter().all(|index| explains(*delay_s, index)))
}

#[cfg(test)]
mod tests;
