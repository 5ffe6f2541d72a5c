//! The one fold over events: what progress, page, report and store show, live and old alike.

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

/// How far a step is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepState {
    /// Not begun.
    Ahead,
    /// Under way since then.
    Running(Mono),
    /// Done.
    Done,
}

/// How far a run is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// The step under way.
    pub step: Option<u16>,
    /// Share of the step's predicted time that has passed, 0 to 1.
    pub share: f64,
    /// Predicted time left.
    pub left: TimeSpan,
}

/// A run as its events tell it.
#[derive(Debug, Clone, Default)]
pub struct RunView {
    /// What was known at the start.
    pub header: Option<Arc<RunHeader>>,
    /// Number of the last event seen.
    pub last: Option<Seq>,
    /// Time of the last event seen.
    pub at: Mono,
    /// All scans.
    pub scans: Vec<Scan>,
    /// State of each step.
    pub steps: Vec<StepState>,
    /// Cycle under way and of how many.
    pub cycle: Option<(u16, u16)>,
    /// What a person at a rig without valves was told last.
    pub guide: Option<Guide>,
    /// What the air was last ordered to do; `null` for safe.
    pub air: Option<Air>,
    /// Complete stretches.
    pub marks: Vec<Mark>,
    /// Stretches thrown away.
    pub thrown: Vec<Thrown>,
    /// The question that is open.
    pub open: Option<(PromptId, String)>,
    /// Questions with answer and who.
    pub answers: Vec<(String, String, String)>,
    /// What the run waits for.
    pub waiting: Option<WaitReason>,
    /// Positions set aside.
    pub set_aside: Vec<SetAside>,
    /// Doubts of the link.
    pub doubts: Vec<Doubt>,
    /// Checks.
    pub checks: Vec<Check>,
    /// Why it was stopped.
    pub halted: Option<Halt>,
    /// Whether the safe state was confirmed at the end.
    pub safe: Option<bool>,
    /// Verdicts by position.
    pub verdicts: BTreeMap<u8, Verdict>,
    /// Wall time of the end, once it is over.
    pub ended: Option<Option<String>>,
}

impl RunView {
    /// Takes in one event. Events that were seen before are passed over.
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
            EventKind::Check(check) => self.checks.push(check.as_ref().clone()),
            EventKind::Halted(halt) => {
                // What was stopped has no verdict, whatever was said before.
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

    /// How far the run is, by the plan's predicted times.
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

    /// Steps that were done to their end.
    fn steps_done(&self) -> Vec<u16> {
        (0..)
            .zip(&self.steps)
            .filter(|(_, state)| **state == StepState::Done)
            .map(|(index, _)| index)
            .collect()
    }

    /// The trace so far.
    pub fn trace(&self) -> Option<Trace> {
        let plan = self.header.as_ref()?.plan.clone();
        Some(Trace { plan, scans: self.scans.clone() })
    }

    /// The record, once a header was seen. Positions without a verdict are aborted.
    pub fn record(&self, trace: TraceRecord) -> Option<Record> {
        let header = self.header.as_ref()?.as_ref().clone();
        let mut record = Record {
            format: FORMAT.to_owned(),
            version: VERSION,
            software: Software { name: String::from("tripbench"), version: header.software.clone() },
            positions: header
                .positions
                .iter()
                .map(|position| PositionRecord::new(position.number, &position.identity))
                .collect(),
            header,
            ended: self.ended.clone().flatten(),
            halted: self.halted.clone(),
            safe_confirmed: self.safe == Some(true),
            rig_checks: Vec::new(),
            steps_done: self.steps_done(),
            marks: self.marks.clone(),
            thrown: self.thrown.clone(),
            answers: self.answers.clone(),
            remarks: Vec::new(),
            attachments: Vec::new(),
            trace,
        };
        for position in &mut record.positions {
            position.set_aside =
                self.set_aside.iter().find(|aside| aside.position == position.number).cloned();
            position.verdict = self.verdicts.get(&position.number).copied().unwrap_or(Verdict::Aborted);
        }
        // A step that was not done to its end has none: the program ended while they were written.
        let is_done = |check: &&Check| self.steps.get(usize::from(check.step)) == Some(&StepState::Done);
        let checks: Vec<Check> = self.checks.iter().filter(is_done).cloned().collect();
        record.place_checks(&checks);
        Some(record)
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
