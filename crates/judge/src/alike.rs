//! What all devices show alike is the rig's until it is shown to be theirs: a delay of every output by about the same time is a filter
//! of the module's inputs that the sheet does not declare, or the age of its image.

use crate::promised::{longest_delay_s, response_s, selectable_s};
use crate::transition::{SWITCH, VALVE};
use tripbench_record::{Check, CheckVerdict, QuantityName, Task};

/// Takes back the fails of delays that are late by about as much at every position where they were found; of a single position at all its
/// outputs, unless a delay of the type explains it. They stay open, and say where to look.
pub(crate) fn shared_delays(task: &Task, checks: &mut [Check]) {
    let promised_s = longest_delay_s(task);
    let later = |check: &Check| check.measured.as_ref().is_some_and(|found| found.value > promised_s);
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
    for group in groups {
        if group.iter().all(|index| later(&checks[*index])) && alike(task, checks, &group) {
            let failed = |index: &usize| checks[*index].verdict == CheckVerdict::Fail;
            let failed: Vec<usize> = group.into_iter().filter(failed).collect();
            let remark = remark(selected(task, checks, &failed));
            for &index in &failed {
                checks[index].verdict = CheckVerdict::Undecided;
                checks[index].remark = Some(remark.clone());
                take_back_with(checks, index);
            }
        }
    }
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

/// The longest delay that was taken back at a position because all are late alike, its U included, seconds; `None` where none was.
pub(crate) fn taken_back_s(before: &[Check], position: Option<u8>) -> Option<f64> {
    let late_alike =
        |check: &&Check| check.remark.as_ref().is_some_and(|remark| remark.starts_with(LATE_ALIKE));
    let mine = before.iter().filter(|check| check.position == position).filter(late_alike);
    mine.filter_map(interval).map(|[_, most_s]| most_s).reduce(f64::max)
}

/// Takes back fails of the outputs' states at positions whose outputs are late like every other, where nothing fails that is judged with as
/// long a delay.
pub(crate) fn late_alike(states: &mut [Check], before: &[Check], when_late: &[Check]) {
    let fails = |position| {
        let mine = when_late.iter().find(|check| check.position == position);
        mine.is_none_or(|check| check.verdict == CheckVerdict::Fail)
    };
    for check in states.iter_mut().filter(|check| check.verdict == CheckVerdict::Fail) {
        if taken_back_s(before, check.position).is_some() && !fails(check.position) {
            let found = check.remark.take().unwrap_or_default();
            check.verdict = CheckVerdict::Undecided;
            check.remark = Some(format!("{found}; its output is late like every other: see its delays"));
        }
    }
}

/// Start of the remark on a delay whose fail was taken back.
const LATE_ALIKE: &str = "Every output whose delay was found is late by about as much";

fn remark(selected_s: Option<f64>) -> String {
    let selected = selected_s.map_or_else(String::new, |delay_s| {
        format!("is a delay of {:.0} ms selected on every device? Or is it ", delay_s * 1e3)
    });
    format!(
        "{LATE_ALIKE}: {selected}an input filter or image age that the rig sheet does not declare, or its lag? Try another device"
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
