//! A fault that all devices share is attributed to the rig until shown otherwise. If every output is late by about the same time, the
//! likely cause is an input filter or image age that the rig sheet does not declare.

use crate::promised::{longest_delay_s, response_s, selectable_s};
use crate::transition::{SWITCH, VALVE};
use tripbench_record::{Check, CheckVerdict, QuantityName, SURELY_IN_U, Task};

/// Delays of several outputs that can be one common delay, apart from the response that a device may add.
struct Alike {
    /// Their indices among the checks.
    members: Vec<usize>,
    /// Longest delay that all of them can have in common, seconds.
    all_s: f64,
    /// Whether they belong to one device.
    of_device: bool,
}

/// Sets failed delays to undecided where the same output is late by about the same time at several positions, except for devices that
/// are even later. Where no other position shows that the rig is in time, this applies also to a device whose outputs are all late by
/// about the same time, unless a selectable delay explains it. The remark says where to look.
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

/// Groups of delays that are late alike, at least one of them failed: the same output and direction at several positions. The outputs
/// of one device are compared only where no other position shows that the rig is in time.
fn late_alike(task: &Task, checks: &[Check]) -> Vec<Alike> {
    let failed =
        |group: &Alike| group.members.iter().any(|index| checks[*index].verdict == CheckVerdict::Fail);
    let (shared, alone): (Vec<Alike>, Vec<Alike>) =
        late_at_positions(task, checks).into_iter().partition(|group| is_suspected(task, checks, group));
    let mut numbers: Vec<Option<u8>> = checks.iter().map(|check| check.position).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let of_device = |position: &Option<u8>| {
        let own = indices(checks, |check| {
            check.position == *position && check.quantity.is_delay() && check.measured.is_some()
        });
        // If another position shows that the rig is in time, the device is the cause.
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

/// For each output and direction, the delays of all positions that can be as late as all of them.
fn late_at_positions(task: &Task, checks: &[Check]) -> Vec<Alike> {
    let of = |quantity| indices(checks, |check| check.quantity == quantity && check.measured.is_some());
    DELAYS.into_iter().filter_map(|quantity| as_late(task, checks, &of(quantity))).collect()
}

/// Whether a delay of a position was left open because the same output is late by about as much at other positions, so that the rig is
/// suspected. Judged without them, the same delay would count against the device.
pub fn rig_is_suspected(task: &Task, checks: &[Check], position: u8) -> bool {
    let mut steps: Vec<u16> = checks.iter().map(|check| check.step).collect();
    steps.sort_unstable();
    steps.dedup();
    steps.into_iter().any(|step| {
        let of_step: Vec<Check> = checks.iter().filter(|check| check.step == step).cloned().collect();
        late_at_positions(task, &of_step).iter().any(|group| {
            let members = || group.members.iter().map(|index| &of_step[*index]);
            let open = |check: &Check| matches!(check.verdict, CheckVerdict::Fail | CheckVerdict::Undecided);
            is_suspected(task, &of_step, group)
                && members().any(open)
                && members().any(|check| check.position == Some(position))
        })
    })
}

/// Whether no other member of a group is faster than this one. A member whose U reaches up to it may be as late.
fn none_is_faster(checks: &[Check], group: &Alike, index: usize) -> bool {
    let Some([least_s, _]) = interval(&checks[index], 1.0) else { return false };
    let others = group.members.iter().filter(|other| **other != index);
    others.filter_map(|other| interval(&checks[*other], 1.0)).all(|[_, most_s]| most_s >= least_s)
}

/// The members of a group that can be as late as all of them; `None` where one is surely in time.
fn as_late(task: &Task, checks: &[Check], group: &[usize]) -> Option<Alike> {
    let surely = group.iter().filter_map(|index| interval(&checks[*index], SURELY_IN_U));
    let all_s = surely.map(|[_, most_s]| most_s).reduce(f64::min)?;
    let within = |index: &usize| {
        interval(&checks[*index], 1.0).is_some_and(|[least_s, _]| least_s <= all_s + response_s(task))
    };
    let members: Vec<usize> = group.iter().copied().filter(within).collect();
    (all_s > longest_delay_s(task)).then_some(Alike { members, all_s, of_device: false })
}

/// Whether enough members are later than promised for this not to be chance.
fn is_suspected(task: &Task, checks: &[Check], group: &Alike) -> bool {
    let promised_s = longest_delay_s(task);
    let later =
        |index: &&usize| interval(&checks[**index], 1.0).is_some_and(|[least_s, _]| least_s > promised_s);
    group.members.iter().filter(later).count() >= FEWEST
}

/// Sets to undecided the failures that follow from such a delay: a level that could not be stated, and the hysteresis.
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

/// Sets failed spreads of a device that is late like every other to undecided: following edges far back, with a poorly known delay,
/// adds scatter. A spread far beyond that of the other devices, or beyond the promise, is the device's own.
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

/// A spread beyond this multiple of the others' median is the device's own. Judgement of this project.
const OF_OTHERS: f64 = 2.0;
/// So is a spread beyond this multiple of the promise. Judgement of this project.
const OF_PROMISE: f64 = 3.0;

/// The median; of an even number of values, the upper of the two in the middle.
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

const FOLLOWED: &str = "its output is late like every other, so its edges do not show this device alone";

/// The longest of these delays at a position that is late like every other, its U included, seconds; `None` where none is late. Expects
/// the checks as first judged, before any is set to undecided.
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

/// Sets a failed response to undecided if it is no longer than the shared delay.
pub(crate) fn late_response(check: &mut Check, shared_s: f64) {
    if check.verdict == CheckVerdict::Fail
        && interval(check, 1.0).is_some_and(|[least_s, _]| least_s <= shared_s)
    {
        check.verdict = CheckVerdict::Undecided;
        check.remark = Some(String::from(FOLLOWED));
    }
}

/// Sets failed output states to undecided where they do not fail when judged with the shared delay.
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

/// Fewest outputs that must be late alike before the rig is suspected.
const FEWEST: usize = 2;

pub(crate) const DELAYS: [QuantityName; 4] =
    [QuantityName::OnDelay, QuantityName::OffDelay, QuantityName::CutOffDelay, QuantityName::ResumeDelay];

fn indices(checks: &[Check], wanted: impl Fn(&Check) -> bool) -> Vec<usize> {
    checks.iter().enumerate().filter(|(_, check)| wanted(check)).map(|(index, _)| index).collect()
}

/// A delay's value ± `times` U, seconds.
fn interval(check: &Check, times: f64) -> Option<[f64; 2]> {
    let measured = check.measured.as_ref()?;
    let away_s = times * measured.expanded_uncertainty;
    Some([measured.value - away_s, measured.value + away_s])
}

/// The selectable delay of the type that explains all of them, seconds.
fn selected(task: &Task, checks: &[Check], group: &[usize]) -> Option<f64> {
    let explains = |delay_s: f64, index: &usize| {
        interval(&checks[*index], 1.0)
            .is_some_and(|[low, high]| delay_s <= high && low <= delay_s + response_s(task))
    };
    selectable_s(task).into_iter().find(|delay_s| group.iter().all(|index| explains(*delay_s, index)))
}

#[cfg(test)]
mod tests;
