//! The one fold over events. Progress, page and report all show its state, for live and stored runs alike.

use crate::check::Check;
use crate::event::{Event, EventKind, PromptId, RunHeader, Seq};
use crate::halt::{Halt, SetAside, WaitReason};
use crate::mark::{Mark, Thrown};
use crate::record::{FORMAT, PositionRecord, Record, Software, TraceRecord, VERSION};
use crate::trace::Trace;
use crate::verdict::Verdict;
use std::collections::BTreeMap;
use std::sync::Arc;
use tripbench_quantity::{Mono, TimeSpan};
use tripbench_rig::{Air, Doubt, Guide, Order, Scan};

/// State of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepState {
    /// Not started.
    Ahead,
    /// In progress, with its start time.
    Running(Mono),
    /// Complete.
    Done,
}

/// Progress of a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// Index of the step in progress.
    pub step: Option<u16>,
    /// Elapsed share of the predicted time of the step, 0 to 1.
    pub share: f64,
    /// Predicted time left.
    pub left: TimeSpan,
}

/// The state of a run, folded from its events.
#[derive(Debug, Clone, Default)]
pub struct RunView {
    /// Header of the run.
    pub header: Option<Arc<RunHeader>>,
    /// Number of the last event taken in.
    pub last: Option<Seq>,
    /// Time of the last event taken in.
    pub at: Mono,
    /// All scans.
    pub scans: Vec<Scan>,
    /// State of each step.
    pub steps: Vec<StepState>,
    /// Number of the cycle in progress, and of how many.
    pub cycle: Option<(u16, u16)>,
    /// Last guidance to the person who operates a rig without valves.
    pub guide: Option<Guide>,
    /// Last ordered state of the air; `None` for safe.
    pub air: Option<Air>,
    /// Complete stretches.
    pub marks: Vec<Mark>,
    /// Discarded stretches.
    pub thrown: Vec<Thrown>,
    /// The open prompt.
    pub open: Option<(PromptId, String)>,
    /// Answered prompts: question, answer, and who answered.
    pub answers: Vec<(String, String, String)>,
    /// Why the run waits.
    pub waiting: Option<WaitReason>,
    /// Positions set aside.
    pub set_aside: Vec<SetAside>,
    /// Doubts of the link.
    pub doubts: Vec<Doubt>,
    /// Checks, as judged.
    pub checks: Vec<Arc<Check>>,
    /// Why the run was stopped.
    pub halted: Option<Halt>,
    /// Whether the safe state was confirmed, once known.
    pub safe: Option<bool>,
    /// Verdicts by position.
    pub verdicts: BTreeMap<u8, Verdict>,
    /// End of the run, once it is over, with its wall-clock time if known.
    pub ended: Option<Option<String>>,
}

impl RunView {
    /// Takes in one event. Ignores events that were already taken in.
    pub fn fold(&mut self, event: &Event) {
        if self.last.is_some_and(|last| event.seq <= last) {
            return;
        }
        self.last = Some(event.seq);
        self.at = event.at;
        match &event.kind {
            EventKind::Started(header) => {
                self.steps = vec![StepState::Ahead; header.steps.len()];
                self.header = Some(Arc::new(header.as_ref().clone()));
            }
            EventKind::Scan(scan) => self.scans.push(scan.clone()),
            EventKind::StepBegan(index) => self.set_step(*index, StepState::Running(event.at)),
            EventKind::StepDone(index) => self.set_step(*index, StepState::Done),
            EventKind::Cycle(cycle, of) => self.cycle = Some((*cycle, *of)),
            EventKind::Mark(mark) => self.marks.push(*mark),
            EventKind::Thrown(thrown) => self.thrown.push(thrown.clone()),
            EventKind::Ordered { order, .. } => {
                self.air = match order {
                    Order::Safe => None,
                    Order::Powered(_)
                    | Order::Regulated(_)
                    | Order::HandedOver { .. }
                    | Order::Looped(_)
                    | Order::Silent(_) => Some(order.air()),
                };
            }
            EventKind::Guide(guide) => self.guide = Some(*guide),
            EventKind::Asked { id, text } => self.open = Some((*id, text.clone())),
            EventKind::Answered { answer, by, .. } => self.take_answer(answer, by),
            EventKind::Waiting(why) => self.waiting = Some(why.clone()),
            EventKind::GoesOn => self.waiting = None,
            EventKind::SetAside(set_aside) => self.set_aside.push(set_aside.clone()),
            EventKind::Doubt(doubt) => self.doubts.push(doubt.clone()),
            EventKind::Check(check) => self.checks.push(Arc::clone(check)),
            EventKind::Halted(halt) => {
                // A stopped run has no verdicts, not even those from before the stop.
                self.verdicts.clear();
                self.halted = Some(halt.clone());
            }
            EventKind::Safe => self.safe = Some(true),
            EventKind::NotSafe => self.safe = Some(false),
            EventKind::Verdict { position, verdict } => drop(self.verdicts.insert(*position, *verdict)),
            EventKind::Ended { ended } => self.ended = Some(ended.clone()),
            EventKind::Confirmed { .. } | EventKind::AnswerRefused(_) | EventKind::Recovered { .. } => {}
        }
    }

    fn set_step(&mut self, index: u16, state: StepState) {
        self.cycle = None;
        if let Some(step) = self.steps.get_mut(usize::from(index)) {
            *step = state;
        }
    }

    fn take_answer(&mut self, answer: &str, by: &str) {
        if let Some((_, question)) = self.open.take() {
            self.answers.push((question, answer.to_owned(), by.to_owned()));
        }
    }

    /// Progress of the run, from the predicted times of its plan.
    pub fn progress(&self) -> Progress {
        let predicted = |index: usize| {
            self.header
                .as_ref()
                .and_then(|header| header.steps.get(index))
                .map_or(0.0, |step| step.predicted.si())
        };
        let running = self.steps.iter().enumerate().find_map(|(index, state)| match state {
            StepState::Running(since) => Some((index, self.at.since(*since).as_secs_f64())),
            StepState::Ahead | StepState::Done => None,
        });
        let ahead: f64 = self
            .steps
            .iter()
            .enumerate()
            .filter(|(_, state)| **state == StepState::Ahead)
            .map(|(index, _)| predicted(index))
            .sum();
        let (share, rest) = running.map_or((0.0, 0.0), |(index, passed)| {
            let whole = predicted(index).max(1e-3);
            ((passed / whole).min(1.0), (whole - passed).max(0.0))
        });
        let step = running.and_then(|(index, _)| u16::try_from(index).ok());
        Progress { step, share, left: TimeSpan::new(ahead + rest) }
    }

    /// Indices of the completed steps.
    fn steps_done(&self) -> Vec<u16> {
        (0..)
            .zip(&self.steps)
            .filter(|(_, state)| **state == StepState::Done)
            .map(|(index, _)| index)
            .collect()
    }

    /// The trace so far; `None` before the header.
    pub fn trace(&self) -> Option<Trace> {
        let plan = self.header.as_ref()?.plan.clone();
        Some(Trace { plan, scans: self.scans.clone() })
    }

    /// Checks of the completed steps, in order. Those of an incomplete step do not count: the program may end while they are written.
    fn counting(&self) -> impl Iterator<Item = &Arc<Check>> {
        let is_done = |check: &&Arc<Check>| self.steps.get(usize::from(check.step)) == Some(&StepState::Done);
        self.checks.iter().filter(is_done)
    }

    /// Results of the positions so far, in the order of the header and as the record will have them; empty before the header. A position
    /// without a verdict is aborted. The checks are shared with the view, not copied.
    pub fn positions_so_far(&self) -> Vec<PositionRecord> {
        let plans = self.header.iter().flat_map(|header| &header.positions);
        let so_far = plans.map(|plan| {
            let mut position = PositionRecord::new(plan.number, &plan.identity);
            position.set_aside = self.set_aside.iter().find(|aside| aside.position == plan.number).cloned();
            position.verdict = self.verdicts.get(&plan.number).copied().unwrap_or(Verdict::Aborted);
            position.place_checks(self.counting());
            position
        });
        so_far.collect()
    }

    /// Checks of the rig so far, as the record will have them; shared with the view, not copied.
    pub fn rig_checks_so_far(&self) -> Vec<Arc<Check>> {
        self.counting().filter(|check| check.position.is_none()).cloned().collect()
    }

    /// Drops what only the record needs and the journal keeps: scans, marks and discarded stretches. Progress and results stay.
    pub fn drop_stretches(&mut self) {
        (self.scans, self.marks, self.thrown) = (Vec::new(), Vec::new(), Vec::new());
    }

    /// The record; `None` before the header. Its results are those of [`positions_so_far`](Self::positions_so_far).
    pub fn record(&self, trace: TraceRecord) -> Option<Record> {
        let header = self.header.as_ref()?.as_ref().clone();
        Some(Record {
            format: FORMAT.to_owned(),
            version: VERSION,
            software: Software { name: String::from("tripbench"), version: header.software.clone() },
            positions: self.positions_so_far(),
            header,
            ended: self.ended.clone().flatten(),
            halted: self.halted.clone(),
            safe_confirmed: self.safe == Some(true),
            rig_checks: self.rig_checks_so_far(),
            steps_done: self.steps_done(),
            marks: self.marks.clone(),
            thrown: self.thrown.clone(),
            answers: self.answers.clone(),
            remarks: Vec::new(),
            attachments: Vec::new(),
            trace,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_halt_takes_back_every_verdict_before_it() {
        let kinds = [
            EventKind::Verdict { position: 1, verdict: Verdict::Pass },
            EventKind::Halted(Halt::Killed),
            EventKind::Ended { ended: None },
        ];
        let mut view = RunView::default();
        for (seq, kind) in (0..).zip(kinds) {
            view.fold(&Event { seq: Seq(seq), at: Mono::START, kind });
        }
        assert!(view.verdicts.is_empty());
    }
}
