//! What all devices show alike is the rig's until it is shown to be theirs: a delay of every output by about the same time is a filter
//! of the module's inputs that the sheet does not declare, or the age of its image.

use crate::promised::{longest_delay_s, response_s, selectable_s};
use crate::transition::{SWITCH, VALVE};
use tripbench_record::{Check, CheckVerdict, QuantityName, SURELY_IN_U, Task};

/// Delays of several outputs that can be one and the same but for what is promised of a device.
struct Alike {
    /// Where they stand among the checks.
    members: Vec<usize>,
    /// So late every one of them can be, seconds.
    all_s: f64,
    /// Whether they are of one device.
    of_device: bool,
}

/// Takes back the fails of delays that are late by about as much at every position where they were found, but for devices that are later
/// still; where no other position shows that the rig is in time, also of a device whose outputs are all late by about as much, unless a
/// delay of the type explains it. They stay open, and say where to look.
pub(crate) fn shared_delays(task: &Task, checks: &mut [Check]) {
    let mut late: Vec<Option<u8>> = Vec::new();
    for group in late_alike(task, checks) {
        late.extend(group.members.iter().map(|index| checks[*index].position));
        let failed = |index: &usize| checks[*index].verdict == CheckVerdict::Fail;
        let failed: Vec<usize> = group.members.into_iter().filter(failed).collect();
        let remark = remark(group.of_device, selected(task, checks, &failed));
        for index in failed {
            checks[index].verdict = CheckVerdict::Undecided;
            checks[index].remark = Some(remark.clone());
            leave_unstated_open(checks, index);
        }
    }
    leave_spreads_open(checks, &late);
}

/// Delays that are late alike, one of them at least surely so: of the same output and direction at several positions. The outputs of one
/// device are compared where no other position shows that the rig is not late.
fn late_alike(task: &Task, checks: &[Check]) -> Vec<Alike> {
    let failed =
        |group: &Alike| group.members.iter().any(|index| checks[*index].verdict == CheckVerdict::Fail);
    let of = |quantity| indices(checks, |check| check.quantity == quantity && check.measured.is_some());
    let at_positions: Vec<Alike> =
        DELAYS.into_iter().filter_map(|quantity| as_late(task, checks, &of(quantity))).collect();
    let (shared, alone): (Vec<Alike>, Vec<Alike>) =
        at_positions.into_iter().partition(|group| is_suspected(task, checks, group));
    let mut numbers: Vec<Option<u8>> = checks.iter().map(|check| check.position).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let of_device = |position: &Option<u8>| {
        let own = indices(checks, |check| {
            check.position == *position && check.quantity.is_delay() && check.measured.is_some()
        });
        // Where another position shows that the rig is in time, it is the device.
        let may_be_shared = |index: &usize| {
            let has_it = |group: &Alike| group.members.contains(index);
            shared.iter().any(has_it)
                || alone.iter().any(|group| has_it(group) && none_is_faster(checks, group, *index))
        };
        let group = as_late(task, checks, &own).filter(|group| group.members.iter().all(may_be_shared))?;
        let suspected = group.members.len() == own.len() && is_suspected(task, checks, &group);
        let unexplained = selected(task, checks, &group.members).is_none();
        (suspected && failed(&group) && unexplained).then_some(Alike { of_device: true, ..group })
    };
    let by_device: Vec<Alike> = numbers.iter().filter_map(of_device).collect();
    shared.into_iter().filter(failed).chain(by_device).collect()
}

/// Whether no other of a group is faster than one of them. One whose U reaches up to it may be as late.
fn none_is_faster(checks: &[Check], group: &Alike, index: usize) -> bool {
    let Some([least_s, _]) = interval(&checks[index], 1.0) else { return false };
    let others = group.members.iter().filter(|other| **other != index);
    others.filter_map(|other| interval(&checks[*other], 1.0)).all(|[_, most_s]| most_s >= least_s)
}

/// Those of some delays that can be as late as all of them; `None` where one is surely in time.
fn as_late(task: &Task, checks: &[Check], group: &[usize]) -> Option<Alike> {
    let surely = group.iter().filter_map(|index| interval(&checks[*index], SURELY_IN_U));
    let all_s = surely.map(|[_, most_s]| most_s).reduce(f64::min)?;
    let within = |index: &usize| {
        interval(&checks[*index], 1.0).is_some_and(|[least_s, _]| least_s <= all_s + response_s(task))
    };
    let members: Vec<usize> = group.iter().copied().filter(within).collect();
    (all_s > longest_delay_s(task)).then_some(Alike { members, all_s, of_device: false })
}

/// Whether so many of them are themselves later than promised that it is hardly chance.
fn is_suspected(task: &Task, checks: &[Check], group: &Alike) -> bool {
    let promised_s = longest_delay_s(task);
    let later =
        |index: &&usize| interval(&checks[**index], 1.0).is_some_and(|[least_s, _]| least_s > promised_s);
    group.members.iter().filter(later).count() >= FEWEST
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
/// the delay of a direction is hardly known. A scatter far beyond that of the others, or beyond what is promised, is the device's own.
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
            let others = found.iter().filter(|(other, _)| other != position).map(|(_, pa)| *pa).collect();
            let usual = middle(others).unwrap_or(f64::INFINITY);
            let shared = |check: &Check| {
                let promised = check.limits.and_then(|limits| limits.high).unwrap_or(f64::INFINITY);
                let most = (OF_OTHERS * usual).min(OF_PROMISE * promised);
                check.quantity == spread && spread_of(check).is_some_and(|own| own <= most)
            };
            leave_open(checks, *position, shared);
        }
    }
}

/// A scatter by so many times that of the others is the device's own. Judgement of this project.
const OF_OTHERS: f64 = 2.0;
/// And one by so many times what is promised. Judgement of this project.
const OF_PROMISE: f64 = 3.0;

/// The middle one of some values, of an even number the greater of the two in the middle.
fn middle(mut all: Vec<f64>) -> Option<f64> {
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied()
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

/// The longest of some delays of a position that is late like every other, its U included, seconds; `None` where none is. The checks are
/// as they were found: nothing is taken back in them.
pub(crate) fn shared_delay_s(
    task: &Task,
    found: &[Check],
    position: Option<u8>,
    delays: &[QuantityName],
) -> Option<f64> {
    let longest = |group: &Alike| {
        let mine = group.members.iter().map(|index| &found[*index]);
        let mine = mine.filter(|check| check.position == position && delays.contains(&check.quantity));
        let most_s = mine.filter_map(|check| interval(check, 1.0)).map(|[_, most_s]| most_s);
        Some(most_s.reduce(f64::max)?.min(group.all_s + response_s(task)))
    };
    late_alike(task, found).iter().filter_map(longest).reduce(f64::max)
}

/// Takes back the fail of a response that is no longer than what every output is late by.
pub(crate) fn late_response(check: &mut Check, shared_s: f64) {
    if check.verdict == CheckVerdict::Fail
        && interval(check, 1.0).is_some_and(|[least_s, _]| least_s <= shared_s)
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

fn remark(of_device: bool, selected_s: Option<f64>) -> String {
    let whose = if of_device {
        "Every output of this device whose delay was found is late by about as much"
    } else {
        "At other positions too this output is late by about as much"
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

pub(crate) const DELAYS: [QuantityName; 4] =
    [QuantityName::OnDelay, QuantityName::OffDelay, QuantityName::CutOffDelay, QuantityName::ResumeDelay];

fn indices(checks: &[Check], wanted: impl Fn(&Check) -> bool) -> Vec<usize> {
    checks.iter().enumerate().filter(|(_, check)| wanted(check)).map(|(index, _)| index).collect()
}

/// Interval of a delay by so many U, seconds.
fn interval(check: &Check, times: f64) -> Option<[f64; 2]> {
    let measured = check.measured.as_ref()?;
    let away_s = times * measured.expanded_uncertainty;
    Some([measured.value - away_s, measured.value + away_s])
}

/// The delay that the type lets one select and that explains all of them, seconds.
fn selected(task: &Task, checks: &[Check], group: &[usize]) -> Option<f64> {
    let explains = |delay_s: f64, index: &usize| {
        interval(&checks[*index], 1.0)
            .is_some_and(|[low, high]| delay_s <= high && low <= delay_s + response_s(task))
    };
    selectable_s(task).into_iter().find(|delay_s| group.iter().all(|index| explains(*delay_s, index)))
}

#[cfg(test)]
mod tests;
