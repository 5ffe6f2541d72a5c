//! Judging a step, a run, or a stored trace again: one path.

use crate::air_saving::air_saving;
use crate::alike::{late_alike, taken_back_s};
use crate::channel::Channels;
use crate::condition::{leak, zero};
use crate::own_edges::own_edges;
use crate::own_input::own_input;
use crate::promise::{is_last, verdict};
use crate::response::response;
use crate::rig_check::{path_lag, settling, signals, silence, tried};
use crate::states::{Run, output_states};
use crate::switch_points::switch_points;
use tripbench_record::{Check, CheckVerdict, Mark, Record, StepTask, Task, Trace, sha256_hex};

/// The checks of one step.
pub fn judge_step(task: &Task, trace: &Trace, marks: &[Mark], step: u16) -> Vec<Check> {
    let Some(planned) = task.steps.get(usize::from(step)) else { return Vec::new() };
    // A step without a mark was not done, or not to its end: it has no checks at all.
    if !marks.iter().any(|mark| mark.step == step) {
        return Vec::new();
    }
    let channels = Channels::new(task, trace);
    match &planned.task {
        StepTask::Zero { again, .. } => {
            let mut checks = zero(&channels, marks, step, *again);
            if is_last(task, step) {
                let run = Run::up_to(&channels, marks, step);
                let mut states = output_states(&channels, run.as_ref(), (marks, step));
                if states.iter().any(|check| check.verdict == CheckVerdict::Fail) {
                    let before = (0..step).filter(|step| shows_delays(task, *step));
                    let before: Vec<Check> =
                        before.flat_map(|step| judge_step(task, trace, marks, step)).collect();
                    let late_s = states.iter().filter_map(|check| taken_back_s(&before, check.position));
                    if let Some(late_s) = late_s.reduce(f64::max) {
                        let run = Run::with_delay(&channels, (marks, step), late_s);
                        let when_late = output_states(&channels, run.as_ref(), (marks, step));
                        late_alike(&mut states, &before, &when_late);
                    }
                }
                checks.extend(states);
                checks.extend(run.iter().flat_map(|run| own_edges(run, step)));
            }
            checks
        }
        StepTask::Leak(task) => leak(&channels, marks, step, task),
        StepTask::SwitchPoints(task) => switch_points(&channels, marks, step, task),
        StepTask::Response(task) => response(&channels, marks, step, task),
        StepTask::AirSaving(task) => air_saving(&channels, marks, step, task),
        StepTask::Signals { .. } => signals(&channels, marks, step),
        StepTask::TryOutput { output, .. } => tried(&channels, marks, step, *output),
        StepTask::OwnInput { position, output, .. } => {
            own_input(&channels, marks, step, (*position, *output))
        }
        StepTask::PathLag { times } => path_lag(&channels, marks, step, *times),
        StepTask::Silence { time } => silence(&channels, marks, step, *time),
        StepTask::Settling { .. } => settling(&channels, marks, step),
        StepTask::Drive { .. }
        | StepTask::Hold { .. }
        | StepTask::WaitUntil { .. }
        | StepTask::Ask { .. } => Vec::new(),
    }
}

fn shows_delays(task: &Task, step: u16) -> bool {
    task.steps.get(usize::from(step)).is_some_and(|step| matches!(step.task, StepTask::SwitchPoints(_)))
}

/// The checks of all steps, in order.
pub fn judge_all(task: &Task, trace: &Trace, marks: &[Mark]) -> Vec<Check> {
    let count = u16::try_from(task.steps.len()).unwrap_or(u16::MAX);
    (0..count).flat_map(|step| judge_step(task, trace, marks, step)).collect()
}

/// A stored record judged again from its raw trace: stored checks and verdicts are not looked at.
pub fn rejudge(record: &Record, task: &Task, trace: &Trace) -> Record {
    let done = record.steps_done.iter().copied();
    let checks: Vec<Check> = done.flat_map(|step| judge_step(task, trace, &record.marks, step)).collect();
    let mut again = record.clone();
    let set_aside: Vec<_> =
        record.positions.iter().filter_map(|position| position.set_aside.clone()).collect();
    again.place_checks(&checks);
    for position in &mut again.positions {
        position.verdict = verdict(task, position.number, &checks, &set_aside, record.halted.as_ref());
    }
    again.trace.sha256 = sha256_hex(trace.to_csv().as_bytes());
    again.trace.scans = trace.scans.len() as u64;
    again
}

#[cfg(test)]
mod tests;
