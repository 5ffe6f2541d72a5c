//! Judging a step, a run, or a stored trace again: one path.

use crate::air_saving::air_saving;
use crate::alike::{DELAYS, late_response, late_states, shared_delay_s, shared_delays};
use crate::channel::Channels;
use crate::condition::{leak, zero};
use crate::own_edges::own_edges;
use crate::own_input::own_input;
use crate::promise::{is_last, verdict};
use crate::response::response;
use crate::rig_check::{path_lag, settling, signals, silence, tried};
use crate::states::{Run, output_states};
use crate::switch_points::switch_points;
use tripbench_record::{Check, CheckVerdict, Mark, QuantityName, Record, StepTask, Task, Trace, sha256_hex};

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
                take_back_states(&mut states, &channels, (marks, step));
                checks.extend(states);
                checks.extend(run.iter().flat_map(|run| own_edges(run, step)));
            }
            checks
        }
        StepTask::Leak(task) => leak(&channels, marks, step, task),
        StepTask::SwitchPoints(ramps) => {
            let mut checks = switch_points(&channels, marks, step, ramps);
            shared_delays(task, &mut checks);
            checks
        }
        StepTask::Response(task) => {
            let mut checks = response(&channels, marks, step, task);
            take_back_responses(&mut checks, &channels, (marks, step));
            checks
        }
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

/// Judges the states that fail again with the delay that every output showed before.
fn take_back_states(states: &mut [Check], channels: &Channels<'_>, (marks, step): (&[Mark], u16)) {
    if !any_fails(states) {
        return;
    }
    let found = found_before(channels, marks, step);
    let late_s = |check: &Check| shared_before_s(channels.task, &found, check.position, &DELAYS);
    let mut failed: Vec<&mut Check> = states
        .iter_mut()
        .filter(|check| check.verdict == CheckVerdict::Fail && late_s(check).is_some())
        .collect();
    if let Some(longest_s) = failed.iter().filter_map(|check| late_s(check)).reduce(f64::max) {
        let run = Run::with_delay(channels, (marks, step), longest_s);
        let when_late = output_states(channels, run.as_ref(), (marks, step));
        for check in &mut failed {
            late_states(check, &when_late);
        }
    }
}

/// Responses that fail by no more than what every output was late by before are open.
fn take_back_responses(checks: &mut [Check], channels: &Channels<'_>, (marks, step): (&[Mark], u16)) {
    if !any_fails(checks) {
        return;
    }
    let found = found_before(channels, marks, step);
    for check in checks {
        let of_switch = [QuantityName::OnDelay, QuantityName::OffDelay];
        if let Some(shared_s) = shared_before_s(channels.task, &found, check.position, &of_switch) {
            late_response(check, shared_s);
        }
    }
}

fn any_fails(checks: &[Check]) -> bool {
    checks.iter().any(|check| check.verdict == CheckVerdict::Fail)
}

/// What the ramps of the steps before showed, as it was found.
fn found_before(channels: &Channels<'_>, marks: &[Mark], step: u16) -> Vec<Vec<Check>> {
    let found = |before: u16| {
        let StepTask::SwitchPoints(ramps) = &channels.task.steps.get(usize::from(before))?.task else {
            return None;
        };
        Some(switch_points(channels, marks, before, ramps))
    };
    (0..step).filter_map(found).collect()
}

fn shared_before_s(
    task: &Task,
    found: &[Vec<Check>],
    position: Option<u8>,
    delays: &[QuantityName],
) -> Option<f64> {
    found.iter().filter_map(|step| shared_delay_s(task, step, position, delays)).reduce(f64::max)
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
