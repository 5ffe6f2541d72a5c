//! What all devices show alike is the rig's until it is shown to be theirs: a delay of every output by about the same time is a filter
//! of the module's inputs that the sheet does not declare, or the age of its image.

use crate::promised::{longest_delay_s, response_s, selectable_s};
use crate::transition::{SWITCH, VALVE};
use tripbench_record::{Check, CheckVerdict, QuantityName, Task};

/// Delays of several outputs that can be one and the same but for what is promised of a device.
struct Alike {
    /// Where they stand among the checks.
    members: Vec<usize>,
    /// So late every one of them can be, seconds.
    all_s: f64,
}

/// Takes back the fails of delays that are late by about as much at every position where they were found, but for devices that are later
/// still; of a single position at all its outputs, unless a delay of the type explains it. They stay open, and say where to look.
pub(crate) fn shared_delays(task: &Task, checks: &mut [Check]) {
    let mut late: Vec<Option<u8>> = Vec::new();
    for group in late_alike(task, checks) {
        late.extend(group.members.iter().map(|index| checks[*index].position));
        let failed = |index: &usize| checks[*index].verdict == CheckVerdict::Fail;
        let failed: Vec<usize> = group.members.into_iter().filter(failed).collect();
        let remark = remark(task, selected(task, checks, &failed));
        for index in failed {
            checks[index].verdict = CheckVerdict::Undecided;
            checks[index].remark = Some(remark.clone());
            leave_unstated_open(checks, index);
        }
    }
    leave_spreads_open(checks, &late);
}

/// Delays that are late alike, one of them at least surely so.
fn late_alike(task: &Task, checks: &[Check]) -> Vec<Alike> {
    let found = |check: &Check| check.measured.is_some();
    let several = task.positions.len() > 1;
    let groups: Vec<Vec<usize>> = if several {
        let of = |quantity| indices(checks, |check| check.quantity == quantity && found(check));
        DELAYS.into_iter().map(of).collect()
    } else {
        vec![indices(checks, |check| check.quantity.is_delay() && found(check))]
    };
    let failed = |index: &usize| checks[*index].verdict == CheckVerdict::Fail;
    let groups = groups.into_iter().filter_map(|group| alike(task, checks, &group));
    let groups = groups.filter(|group| group.members.iter().any(failed));
    groups.filter(|group| several || selected(task, checks, &group.members).is_none()).collect()
}

/// Those of a group that can be as late as all of them. `None` where one is not late, or fewer than two are.
fn alike(task: &Task, checks: &[Check], group: &[usize]) -> Option<Alike> {
    let interval = |index: &usize| interval(&checks[*index]);
    let all_s = group.iter().filter_map(interval).map(|[_, most_s]| most_s).reduce(f64::min)?;
    let promised_s = longest_delay_s(task);
    let as_late =
        |index: &usize| interval(index).is_some_and(|[least_s, _]| least_s <= all_s + response_s(task));
    let members: Vec<usize> = group.iter().copied().filter(as_late).collect();
    let later =
        |index: &&usize| checks[**index].measured.as_ref().is_some_and(|found| found.value > promised_s);
    let suspected = all_s > promised_s && members.iter().filter(later).count() >= FEWEST;
    suspected.then_some(Alike { members, all_s })
}

/// Takes back what fails because of such a delay: a level that could not be stated.
fn leave_unstated_open(checks: &mut [Check], delay: usize) {
    let (position, quantity) = (checks[delay].position, checks[delay].quantity);
    let transitions = [SWITCH, VALVE].into_iter().flatten();
    let Some([level, _, _]) = transitions.into_iter().find(|[_, _, delay]| *delay == quantity) else {
        return;
    };
    let unstated = |check: &Check| {
        check.measured.is_none() && [level, QuantityName::Hysteresis].contains(&check.quantity)
    };
    leave_open(checks, position, unstated);
}

/// Takes back the scatter of all edges of a device that is late like every other: it grows when edges are followed far back, and where
/// the delay of a direction is hardly known.
fn leave_spreads_open(checks: &mut [Check], late: &[Option<u8>]) {
    let spread_of = |check: &Check| check.measured.as_ref().map(|found| found.value);
    let transitions = [SWITCH, VALVE].into_iter().flatten();
    for [_, spread, _] in transitions {
        let found: Vec<(Option<u8>, f64)> = checks
            .iter()
            .filter(|check| check.quantity == spread)
            .filter_map(|check| Some((check.position, spread_of(check)?)))
            .collect();
        for position in late {
            // A scatter that is far beyond that of the others is the device's own.
            let others = found.iter().filter(|(other, _)| other != position).map(|(_, pa)| *pa);
            let most = others.reduce(f64::max).unwrap_or(f64::INFINITY);
            let shared = |check: &Check| {
                check.quantity == spread && spread_of(check).is_some_and(|own| own <= 2.0 * most)
            };
            leave_open(checks, *position, shared);
        }
    }
}

fn leave_open(checks: &mut [Check], position: Option<u8>, wanted: impl Fn(&Check) -> bool) {
    let mine = checks.iter_mut().filter(|check| check.position == position);
    for check in mine.filter(|check| check.verdict == CheckVerdict::Fail && wanted(check)) {
        check.verdict = CheckVerdict::Undecided;
        check.remark = Some(String::from(FOLLOWED));
    }
}

const FOLLOWED: &str =
    "its output is late like every other: what its edges show of it is not the device's alone";

/// The longest delay of a position that is late like every other, its U included, seconds; `None` where none is. The checks are as they
/// were found: nothing is taken back in them.
pub(crate) fn shared_delay_s(task: &Task, found: &[Check], position: Option<u8>) -> Option<f64> {
    let longest = |group: &Alike| {
        let mine =
            group.members.iter().map(|index| &found[*index]).filter(|check| check.position == position);
        let most_s = mine.filter_map(interval).map(|[_, most_s]| most_s).reduce(f64::max)?;
        Some(most_s.min(group.all_s + response_s(task)))
    };
    late_alike(task, found).iter().filter_map(longest).reduce(f64::max)
}

/// Takes back the fail of a response that is no longer than what every output is late by.
pub(crate) fn late_response(check: &mut Check, shared_s: f64) {
    if check.verdict == CheckVerdict::Fail && interval(check).is_some_and(|[least_s, _]| least_s <= shared_s)
    {
        check.verdict = CheckVerdict::Undecided;
        check.remark = Some(String::from(FOLLOWED));
    }
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

fn remark(task: &Task, selected_s: Option<f64>) -> String {
    let whose = if task.positions.len() > 1 {
        "At other positions too this output is late by about as much"
    } else {
        "Every output whose delay was found is late by about as much"
    };
    let selected = selected_s.map_or_else(String::new, |delay_s| {
        format!("is a delay of {:.0} ms selected on every device? Or is it ", delay_s * 1e3)
    });
    format!(
        "{whose}: {selected}an input filter or image age that the rig sheet does not declare, its lag, or hoses that are all too narrow? Try a device that is known to be good"
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
