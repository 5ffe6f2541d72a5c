//! The checks that a run promises for a position, and the verdict from them.

use crate::coverage;
use crate::hose::has_hoses;
use std::collections::BTreeSet;
use tripbench_device::expected;
use tripbench_record::{
    Check, Halt, PlannedStep, QuantityName, Role, SetAside, StepTask, SwitchPointsTask, Task, Verdict,
};

/// Every check that a run promises for a position, with its role, by step.
pub fn promised(task: &Task) -> Vec<(u16, QuantityName, Role)> {
    let steps = task.steps.iter().zip(0_u16..);
    steps
        .flat_map(|(step, index)| {
            let over_the_run = if is_last(task, index) { over_the_run(task).to_vec() } else { Vec::new() };
            let first = if is_first(task, index) { first(task).to_vec() } else { Vec::new() };
            let all = of_step(task, &step.task).into_iter().chain(first).chain(over_the_run);
            all.map(move |(quantity, role)| (index, quantity, role))
        })
        .collect()
}

/// The first operation after rest, and whether it was located closely enough.
fn first(task: &Task) -> [(QuantityName, Role); 2] {
    [Role::Screening, coverage::role(task)].map(|role| (QuantityName::FirstOperation, role))
}

/// Checks over the whole run, made at its last step.
fn over_the_run(task: &Task) -> [(QuantityName, Role); 3] {
    [
        (QuantityName::OutputStates, Role::Required),
        (QuantityName::OwnEdges, Role::Screening),
        (QuantityName::OwnEdges, coverage::role(task)),
    ]
}

/// Whether levels of devices are judged at all.
fn judges(task: &Task) -> bool {
    task.sheets.settings.is_some() && task.sheets.device.is_some()
}

/// Whether a step is the first that measures levels, where levels are judged.
pub(crate) fn is_first(task: &Task, step: u16) -> bool {
    let finds = |planned: &PlannedStep| matches!(planned.task, StepTask::SwitchPoints(_));
    judges(task) && task.steps.iter().position(finds) == Some(usize::from(step))
}

/// Whether a step is the last zero of a run that judges levels; the checks over the whole run are reported there.
pub(crate) fn is_last(task: &Task, step: u16) -> bool {
    let zero = |planned: &PlannedStep| matches!(planned.task, StepTask::Zero { again: true, .. });
    let finds = |planned: &PlannedStep| matches!(planned.task, StepTask::SwitchPoints(_));
    judges(task)
        && task.steps.iter().any(finds)
        && task.steps.iter().rposition(zero) == Some(usize::from(step))
}

fn of_step(task: &Task, step: &StepTask) -> Vec<(QuantityName, Role)> {
    let condition = |quantity| (quantity, Role::Condition);
    match step {
        StepTask::Zero { again: false, .. } => vec![condition(QuantityName::Zero)],
        StepTask::Zero { again: true, .. } => {
            vec![condition(QuantityName::Zero), condition(QuantityName::ZeroDrift)]
        }
        StepTask::Leak(_) => vec![condition(QuantityName::LeakRate)],
        StepTask::SwitchPoints(ramps) => of_ramps(task, ramps),
        StepTask::Response(_) => {
            vec![(QuantityName::ResponseOn, Role::Required), (QuantityName::ResponseOff, Role::Required)]
        }
        StepTask::AirSaving(_) => vec![
            (QuantityName::CutOff, Role::Required),
            (QuantityName::Resume, Role::Required),
            (QuantityName::LeastDeepLevel, Role::Required),
        ],
        StepTask::Signals { .. }
        | StepTask::TryOutput { .. }
        | StepTask::OwnInput { .. }
        | StepTask::PathLag { .. }
        | StepTask::Silence { .. }
        | StepTask::Settling { .. }
        | StepTask::Drive { .. }
        | StepTask::Hold { .. }
        | StepTask::WaitUntil { .. }
        | StepTask::Ask { .. } => Vec::new(),
    }
}

fn of_ramps(task: &Task, switch_points: &SwitchPointsTask) -> Vec<(QuantityName, Role)> {
    let condition = |quantity| (quantity, Role::Condition);
    let steady = switch_points.rising.is_free();
    let mut all: Vec<_> = steady.then_some(condition(QuantityName::EvacuationSteady)).into_iter().collect();
    if let Some((settings, device)) = task.sheets.settings.as_ref().zip(task.sheets.device.as_ref()) {
        let expected = expected(settings, device);
        all.extend([
            (QuantityName::SwitchPoint, Role::Required),
            (QuantityName::ResetPoint, Role::Required),
            (QuantityName::Chatter, Role::Required),
        ]);
        all.extend(expected.hysteresis.map(|_| (QuantityName::Hysteresis, Role::Required)));
        if judges_valve(task, switch_points) {
            all.extend([(QuantityName::CutOff, Role::Required), (QuantityName::Resume, Role::Required)]);
        }
        let [shown, open] = screened(task, switch_points);
        all.extend(shown.iter().map(|quantity| (*quantity, Role::Screening)));
        // Where the site requires full coverage, anything left unchecked prevents a pass.
        let spreads = shown.into_iter().filter(|quantity| quantity.is_spread());
        let hose = has_hoses(task).then_some(QuantityName::Hose);
        let covered =
            [QuantityName::SelectedDelay, QuantityName::Bounce].into_iter().chain(hose).chain(spreads);
        all.extend(covered.chain(open).map(|quantity| (quantity, coverage::role(task))));
    }
    all
}

fn judges_valve(task: &Task, ramps: &SwitchPointsTask) -> bool {
    ramps.valve && task.sheets.settings.as_ref().is_some_and(|settings| settings.air_saving.is_some())
}

/// Delays and spreads that the ramps show, because they have two rates in that direction or enough cycles; and those that they do not
/// show.
fn screened(task: &Task, ramps: &SwitchPointsTask) -> [Vec<QuantityName>; 2] {
    use QuantityName as Q;
    let mut all = vec![Q::Repeatability, Q::ResetSpread, Q::CutOffSpread, Q::ResumeSpread];
    all.extend([Q::OnDelay, Q::OffDelay, Q::CutOffDelay, Q::ResumeDelay]);
    if !judges_valve(task, ramps) {
        let of_valve = [Q::CutOffSpread, Q::ResumeSpread, Q::CutOffDelay, Q::ResumeDelay];
        all.retain(|quantity| !of_valve.contains(quantity));
    }
    let is_shown = |quantity: &QuantityName| {
        delay_direction(*quantity)
            .map_or_else(|| spread_judged(task, ramps.cycles), |rising| ramps.timed(rising))
    };
    let (shown, mut open): (Vec<_>, Vec<_>) = all.into_iter().partition(is_shown);
    open.extend(valve_left_open(task, ramps));
    [shown, open]
}

/// Which devices an unchecked quantity concerns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OfDevices {
    /// At least one device.
    Any,
    /// Every device.
    Every,
}

/// Quantities that the sheets and steps leave unchecked, whatever the run shows; each once, in the order of the steps.
pub fn left_open(task: &Task, of: OfDevices) -> Vec<QuantityName> {
    let mut all = Vec::new();
    let ramps = task
        .steps
        .iter()
        .filter_map(|step| if let StepTask::SwitchPoints(ramps) = &step.task { Some(ramps) } else { None });
    for ramps in ramps.filter(|_| judges(task)) {
        let [_, open] = screened(task, ramps);
        let unselected = coverage::selects(task) && !ramps.timed(true) && !ramps.timed(false);
        all.extend(unselected.then_some(QuantityName::SelectedDelay));
        let mut counted = coverage::counts_edges(task, ramps.valve);
        let uncounted = match of {
            OfDevices::Any => counted.any(|counted| !counted),
            OfDevices::Every => counted.all(|counted| !counted),
        };
        all.extend(uncounted.then_some(QuantityName::Bounce));
        let pinched = has_hoses(task) && !ramps.timed(true) && !ramps.timed(false);
        all.extend(pinched.then_some(QuantityName::Hose));
        all.extend(open);
    }
    let mut seen = BTreeSet::new();
    all.retain(|quantity| seen.insert(*quantity));
    all
}

/// Set or promised quantities of a valve output that no step of the run checks: its levels; or, where the device drives its valve in an
/// `air-saving` step, at one rate, only its delays and spreads. Empty for a device without air saving.
pub(crate) fn valve_left_open(task: &Task, ramps: &SwitchPointsTask) -> Vec<QuantityName> {
    let saves = task.sheets.settings.as_ref().is_some_and(|settings| settings.air_saving.is_some());
    let in_ramps =
        |planned: &PlannedStep| matches!(&planned.task, StepTask::SwitchPoints(other) if other.valve);
    let by_itself = |planned: &PlannedStep| matches!(planned.task, StepTask::AirSaving(_));
    if !saves || task.sheets.device.is_none() || ramps.valve || task.steps.iter().any(in_ramps) {
        Vec::new()
    } else if task.steps.iter().any(by_itself) {
        vec![
            QuantityName::CutOffSpread,
            QuantityName::ResumeSpread,
            QuantityName::CutOffDelay,
            QuantityName::ResumeDelay,
        ]
    } else {
        vec![QuantityName::CutOff, QuantityName::Resume]
    }
}

/// Whether a delay shows in rising ramps (`true`) or falling ones; `None` for any other quantity.
pub(crate) const fn delay_direction(quantity: QuantityName) -> Option<bool> {
    if matches!(quantity, QuantityName::OnDelay | QuantityName::CutOffDelay) {
        Some(true)
    } else if matches!(quantity, QuantityName::OffDelay | QuantityName::ResumeDelay) {
        Some(false)
    } else {
        None
    }
}

/// Whether the spread of a level is judged: with limits and at least three ramps.
pub(crate) fn spread_judged(task: &Task, cycles: u16) -> bool {
    const FEWEST: u16 = 3;
    task.sheets.settings.is_some() && task.sheets.device.is_some() && cycles >= FEWEST
}

/// The verdict of a position. A halted run or a position set aside is aborted, whatever it had shown before.
pub fn verdict(
    task: &Task,
    position: u8,
    checks: &[Check],
    set_aside: &[SetAside],
    halted: Option<&Halt>,
) -> Verdict {
    if halted.is_some() || set_aside.iter().any(|aside| aside.position == position) {
        return Verdict::Aborted;
    }
    let mine: Vec<&Check> =
        checks.iter().filter(|check| check.position.is_none_or(|of| of == position)).collect();
    Verdict::of(&promised(task), &mine)
}

#[cfg(test)]
mod tests;
