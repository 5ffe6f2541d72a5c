//! What a run promises for a position, and the verdict over it.

use tripbench_device::expected;
use tripbench_record::{Check, Halt, QuantityName, Role, SetAside, StepTask, Task, Verdict};

/// Every required check and condition that a position's verdict needs, by step.
pub fn promised(task: &Task) -> Vec<(u16, QuantityName, Role)> {
    let steps = task.steps.iter().zip(0_u16..);
    steps
        .flat_map(|(step, index)| {
            of_step(task, &step.task).into_iter().map(move |(quantity, role)| (index, quantity, role))
        })
        .collect()
}

fn of_step(task: &Task, step: &StepTask) -> Vec<(QuantityName, Role)> {
    let condition = |quantity| (quantity, Role::Condition);
    match step {
        StepTask::Zero { again: false, .. } => vec![condition(QuantityName::Zero)],
        StepTask::Zero { again: true, .. } => {
            vec![condition(QuantityName::Zero), condition(QuantityName::ZeroDrift)]
        }
        StepTask::Leak(_) => vec![condition(QuantityName::LeakRate)],
        StepTask::SwitchPoints(switch_points) => {
            let steady = switch_points.rising.is_free();
            let mut all: Vec<_> =
                steady.then_some(condition(QuantityName::EvacuationSteady)).into_iter().collect();
            if let Some((settings, device)) = task.sheets.settings.as_ref().zip(task.sheets.device.as_ref()) {
                let expected = expected(settings, device);
                all.extend([
                    (QuantityName::SwitchPoint, Role::Required),
                    (QuantityName::ResetPoint, Role::Required),
                    (QuantityName::Chatter, Role::Required),
                ]);
                let spread = repeatability_judged(task, switch_points.cycles);
                all.extend(spread.then_some((QuantityName::Repeatability, Role::Screening)));
                all.extend(expected.hysteresis.map(|_| (QuantityName::Hysteresis, Role::Required)));
                let (on, off) = (switch_points.two_rates(true), switch_points.two_rates(false));
                all.extend(on.then_some((QuantityName::OnDelay, Role::Screening)));
                let off = off || switch_points.fast_fall;
                all.extend(off.then_some((QuantityName::OffDelay, Role::Screening)));
                if switch_points.valve && settings.air_saving.is_some() {
                    all.extend([
                        (QuantityName::CutOff, Role::Required),
                        (QuantityName::Resume, Role::Required),
                    ]);
                }
            }
            all
        }
        StepTask::Response(_) => {
            vec![(QuantityName::ResponseOn, Role::Required), (QuantityName::ResponseOff, Role::Required)]
        }
        StepTask::AirSaving(_) => vec![
            (QuantityName::CutOff, Role::Required),
            (QuantityName::Resume, Role::Required),
            (QuantityName::LowestLevel, Role::Required),
        ],
        StepTask::Signals { .. }
        | StepTask::TryOutput { .. }
        | StepTask::PathLag { .. }
        | StepTask::Silence { .. }
        | StepTask::Settling { .. }
        | StepTask::Drive { .. }
        | StepTask::Hold { .. }
        | StepTask::WaitUntil { .. }
        | StepTask::Ask { .. } => Vec::new(),
    }
}

/// Whether the spread of a switch point is judged: with limits, from three ramps on.
pub(crate) fn repeatability_judged(task: &Task, cycles: u16) -> bool {
    const FEWEST: u16 = 3;
    task.sheets.settings.is_some() && task.sheets.device.is_some() && cycles >= FEWEST
}

/// The verdict of a position. What was stopped or set aside is aborted, whatever it had shown so far.
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
