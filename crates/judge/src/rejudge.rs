//! Judges a step, a run or a stored trace by the same code.

use crate::air_saving::air_saving;
use crate::alike::{DELAYS, late_response, late_states, shared_delay_s, shared_delays};
use crate::channel::Channels;
use crate::condition::{leak, zero};
use crate::own_edges::own_edges;
use crate::own_input::own_input;
use crate::person::{inputs_as_read, seen_to_act};
use crate::promise::{is_last, verdict};
use crate::response::response;
use crate::rig_check::{path_lag, settling, signals, tried};
use crate::silence::silence;
use crate::states::{Run, output_states};
use crate::switch_points::switch_points;
use std::sync::{Arc, OnceLock};
use tripbench_record::{Check, CheckVerdict, Mark, QuantityName, Record, StepTask, Task, Trace, sha256_hex};

/// The judge of one run. Each step is judged after the steps before it; the ramp results are kept because later steps need them.
#[derive(Debug)]
pub struct Judge {
    /// For each step, the checks of its ramps as first judged, before delays shared by all positions are set to undecided.
    found: Vec<OnceLock<Vec<Check>>>,
}

impl Judge {
    /// The judge for a run of this task.
    pub fn of(task: &Task) -> Self {
        Self { found: task.steps.iter().map(|_| OnceLock::new()).collect() }
    }

    /// The checks of one step of that run.
    pub fn step(&self, task: &Task, trace: &Trace, marks: &[Mark], step: u16) -> Vec<Check> {
        self.checks(&Channels::new(task, trace), marks, step)
    }

    fn checks(&self, channels: &Channels<'_>, marks: &[Mark], step: u16) -> Vec<Check> {
        let task = channels.task;
        let Some(planned) = task.steps.get(usize::from(step)) else { return Vec::new() };
        // A step without a mark was not done, or not finished: it has no checks.
        if !marks.iter().any(|mark| mark.step == step) {
            return Vec::new();
        }
        match &planned.task {
            StepTask::Zero { again, .. } => {
                let mut checks = zero(channels, marks, step, *again);
                if is_last(task, step) {
                    let run = Run::up_to(channels, marks, step);
                    let mut states = output_states(channels, run.as_ref(), (marks, step));
                    self.take_back_states(&mut states, channels, (marks, step));
                    checks.extend(states);
                    checks.extend(run.iter().flat_map(|run| own_edges(run, step)));
                }
                checks
            }
            StepTask::Leak(task) => leak(channels, marks, step, task),
            StepTask::SwitchPoints(_) => {
                let mut checks = self.ramps(channels, marks, step).to_vec();
                shared_delays(task, &mut checks);
                checks
            }
            StepTask::Response(task) => {
                let mut checks = response(channels, marks, step, task);
                self.take_back_responses(&mut checks, channels, (marks, step));
                checks
            }
            StepTask::AirSaving(task) => air_saving(channels, marks, step, task),
            StepTask::Signals { .. } => signals(channels, marks, step)
                .into_iter()
                .chain(inputs_as_read(channels, marks, step))
                .collect(),
            StepTask::TryOutput { output, position } => tried(channels, marks, step, *output)
                .into_iter()
                .chain(seen_to_act(channels, marks, step, (*output, *position)))
                .collect(),
            StepTask::OwnInput { position, output, .. } => {
                own_input(channels, marks, step, (*position, *output))
            }
            StepTask::PathLag { times } => path_lag(channels, marks, step, *times),
            StepTask::Silence { time } => silence(channels, marks, step, *time),
            StepTask::Settling { .. } => settling(channels, marks, step),
            StepTask::Drive { .. }
            | StepTask::Hold { .. }
            | StepTask::WaitUntil { .. }
            | StepTask::Ask { .. } => Vec::new(),
        }
    }

    /// The checks of the ramps of a step as first judged; empty if the step has no ramps.
    fn ramps(&self, channels: &Channels<'_>, marks: &[Mark], step: u16) -> &[Check] {
        let index = usize::from(step);
        let planned = channels.task.steps.get(index).map(|planned| &planned.task);
        let (Some(StepTask::SwitchPoints(ramps)), Some(found)) = (planned, self.found.get(index)) else {
            return &[];
        };
        found.get_or_init(|| switch_points(channels, marks, step, ramps))
    }

    /// Judges failed output states again with the longest delay that every output showed in earlier steps.
    fn take_back_states(&self, states: &mut [Check], channels: &Channels<'_>, (marks, step): (&[Mark], u16)) {
        if !any_fails(states) {
            return;
        }
        let late_s = |check: &Check| self.shared_before_s(channels, (marks, step), check.position, &DELAYS);
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

    /// Sets failed responses to undecided if they are no longer than the delay that every output showed before.
    fn take_back_responses(
        &self,
        checks: &mut [Check],
        channels: &Channels<'_>,
        (marks, step): (&[Mark], u16),
    ) {
        if !any_fails(checks) {
            return;
        }
        for check in checks {
            let of_switch = [QuantityName::OnDelay, QuantityName::OffDelay];
            if let Some(shared_s) = self.shared_before_s(channels, (marks, step), check.position, &of_switch)
            {
                late_response(check, shared_s);
            }
        }
    }

    /// Delay by which every output was late in the ramps of earlier steps, as first judged, seconds.
    fn shared_before_s(
        &self,
        channels: &Channels<'_>,
        (marks, step): (&[Mark], u16),
        position: Option<u8>,
        delays: &[QuantityName],
    ) -> Option<f64> {
        let found = (0..step).map(|before| self.ramps(channels, marks, before));
        found.filter_map(|found| shared_delay_s(channels.task, found, position, delays)).reduce(f64::max)
    }
}

fn any_fails(checks: &[Check]) -> bool {
    checks.iter().any(|check| check.verdict == CheckVerdict::Fail)
}

/// The checks of one step alone.
pub fn judge_step(task: &Task, trace: &Trace, marks: &[Mark], step: u16) -> Vec<Check> {
    Judge::of(task).step(task, trace, marks, step)
}

/// The checks of all steps, in order.
pub fn judge_all(task: &Task, trace: &Trace, marks: &[Mark]) -> Vec<Check> {
    let count = u16::try_from(task.steps.len()).unwrap_or(u16::MAX);
    judge_steps(task, trace, marks, 0..count)
}

fn judge_steps(task: &Task, trace: &Trace, marks: &[Mark], steps: impl Iterator<Item = u16>) -> Vec<Check> {
    let (judge, channels) = (Judge::of(task), Channels::new(task, trace));
    steps.flat_map(|step| judge.checks(&channels, marks, step)).collect()
}

/// Judges a stored record again from its raw trace. Stored checks and verdicts are ignored.
pub fn rejudge(record: &Record, task: &Task, trace: &Trace) -> Record {
    let checks = judge_steps(task, trace, &record.marks, record.steps_done.iter().copied());
    let mut again = record.clone();
    let set_aside: Vec<_> =
        record.positions.iter().filter_map(|position| position.set_aside.clone()).collect();
    for position in &mut again.positions {
        position.verdict = verdict(task, position.number, &checks, &set_aside, record.halted.as_ref());
    }
    again.place_checks(&checks.into_iter().map(Arc::new).collect::<Vec<_>>());
    again.trace.sha256 = sha256_hex(trace.to_csv().as_bytes());
    again.trace.scans = trace.scans.len() as u64;
    again
}

#[cfg(test)]
mod tests;
