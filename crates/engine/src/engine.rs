//! The engine's surface: timed inputs go in; commands, events and the next deadline come out.

use crate::bench::{Bench, Break};
use crate::judging::Judging;
use crate::state::State;
use crate::steps::drive;
use std::cell::RefCell;
use std::fmt;
use std::future::Future;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::Pin;
use std::rc::Rc;
use std::sync::Arc;
use std::task::{Context, Poll, Waker};
use std::time::Duration;
use tripbench_judge::verdict;
use tripbench_quantity::Mono;
use tripbench_record::{
    Answer, Check, CheckVerdict, Event, EventKind, Halt, Mark, PlannedStep, PromptId, RunHeader, Segment,
    Seq, StepTask, Task,
};
use tripbench_rig::{Command, CommandId, Doubt, Guide, Hint, Order, ReadBack, Scan};

/// What the loop tells the engine.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// A scan.
    Scan(Scan),
    /// A command was carried out and read back; for safe, the outputs also stayed safe for the required time.
    Done {
        /// The command.
        id: CommandId,
        /// Outputs as read back.
        read_back: ReadBack,
    },
    /// A command could not be carried out.
    NotDone {
        /// The command.
        id: CommandId,
        /// The reason.
        why: Doubt,
    },
    /// A fault of the link.
    Doubt(Doubt),
    /// An answer to a prompt.
    Answer {
        /// The prompt.
        to: PromptId,
        /// The answer.
        answer: String,
        /// Who answered.
        by: String,
    },
    /// The checks of the step given out by [`Engine::poll_judging`].
    Judged(Vec<Check>),
    /// The run is to be aborted.
    Abort(Halt),
    /// The record is written up to and including this event.
    Recorded {
        /// The event.
        through: Seq,
    },
    /// The record can no longer be written.
    RecordLost,
    /// A deadline has passed.
    Deadline,
}

/// Phase of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// Steps are running.
    Running,
    /// The safe state is being ordered and confirmed.
    MakingSafe,
    /// No further command or event follows.
    Ended,
}

/// A task with what is known when the run starts.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The task.
    pub task: Task,
    /// Header of the run.
    pub header: RunHeader,
}

/// Longest time that the engine waits for safe to be confirmed before it reports that it is not.
const SAFE_WITHIN: Duration = Duration::from_secs(15);
/// Largest number of events not yet written; beyond it the run is aborted.
const LARGEST_LAG: u64 = 20_000;

type Run = Pin<Box<dyn Future<Output = Result<(), Halt>>>>;

/// The engine of one run. Stays on its rig's thread.
pub struct Engine {
    state: Rc<RefCell<State>>,
    run: Option<Run>,
    phase: Phase,
    halted: Option<Halt>,
    safe_until: Mono,
}

impl fmt::Debug for Engine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Engine")
            .field("phase", &self.phase)
            .field("halted", &self.halted)
            .finish_non_exhaustive()
    }
}

impl Engine {
    /// A started engine: its first command, after a first scan, powers the devices with the valves at rest.
    pub fn new(plan: Plan, now: Mono) -> Self {
        let state = Rc::new(RefCell::new(State::new(plan.task, now)));
        state.borrow_mut().emit(EventKind::Started(Box::new(plan.header)));
        let run: Run = Box::pin(run(Rc::clone(&state)));
        let mut engine = Self { state, run: Some(run), phase: Phase::Running, halted: None, safe_until: now };
        engine.poll();
        engine
    }

    /// Processes an input at time `now`.
    pub fn handle(&mut self, now: Mono, input: Input) {
        {
            let mut state = self.state.borrow_mut();
            state.now = state.now.max(now);
        }
        if self.phase == Phase::Ended {
            return;
        }
        let taken = catch_unwind(AssertUnwindSafe(|| self.take(input)));
        match taken.unwrap_or_else(|panic| Err(Halt::StepFault { why: panic_text(panic.as_ref()) })) {
            Err(halt) => self.halt(halt),
            Ok(()) => match self.phase {
                Phase::Running => self.poll(),
                Phase::MakingSafe => self.make_safe(),
                Phase::Ended => {}
            },
        }
    }

    /// The next command, if any.
    pub fn poll_command(&mut self) -> Option<Command> {
        self.state.borrow_mut().commands.pop_front()
    }

    /// The next event, if any.
    pub fn poll_event(&mut self) -> Option<Event> {
        self.state.borrow_mut().events.pop_front()
    }

    /// The step to be judged, if one has just ended. The engine keeps taking scans and starts the next step after [`Input::Judged`].
    pub fn poll_judging(&mut self) -> Option<Judging> {
        self.state.borrow_mut().judging.take()
    }

    /// When the engine next needs an [`Input::Deadline`].
    pub fn poll_deadline(&self) -> Option<Mono> {
        match self.phase {
            Phase::Running => self.state.borrow().deadline,
            Phase::MakingSafe => Some(self.safe_until),
            Phase::Ended => None,
        }
    }

    /// Delay of the next scan beyond its regular time, once: the engine plans the phase in which a crossing meets the scans.
    pub fn poll_shift(&mut self) -> Duration {
        std::mem::take(&mut self.state.borrow_mut().shift)
    }

    /// The present phase.
    pub const fn phase(&self) -> Phase {
        self.phase
    }

    fn take(&mut self, input: Input) -> Result<(), Halt> {
        let mut state = self.state.borrow_mut();
        let running = self.phase == Phase::Running;
        match input {
            Input::Scan(scan) if running => state.take_scan(scan)?,
            Input::Scan(scan) => state.emit(EventKind::Scan(scan)),
            Input::Done { id, read_back } => {
                state.emit(EventKind::Confirmed { id, outputs: read_back.outputs.clone() });
                if let Some(pending) = state.pending.filter(|pending| pending.id == id) {
                    if matches!(pending.order, Order::Silent(_) | Order::Safe) {
                        // No scan was due meanwhile: either nothing was sent, or the safe state was watched until it had lasted long
                        // enough.
                        state.last_scan = None;
                    }
                    state.confirmed_order = Some(pending.order);
                    state.carried_out = Some(read_back.span);
                    state.pending = None;
                }
                state.confirmed = Some((id, read_back.span.after, read_back.outputs));
            }
            Input::NotDone { id, why } => {
                state.emit(EventKind::Doubt(why.clone()));
                let safe =
                    state.pending.is_some_and(|pending| pending.id == id && pending.order == Order::Safe);
                if safe {
                    state.order(Order::Safe);
                } else if running {
                    return Err(Halt::Doubt(why));
                }
            }
            Input::Doubt(doubt) => {
                state.emit(EventKind::Doubt(doubt.clone()));
                if running {
                    return Err(Halt::Doubt(doubt));
                }
            }
            Input::Answer { to, answer, by } => take_answer(&mut state, to, answer, by),
            Input::Abort(halt) if running => return Err(halt),
            Input::RecordLost if running => return Err(Halt::RecordLost),
            Input::Recorded { through } => state.recorded = Some(through),
            Input::Judged(checks) if running => state.judged = Some(checks),
            Input::Abort(_) | Input::Judged(_) | Input::RecordLost | Input::Deadline => {}
        }
        let lag =
            state.last_seq().map_or(0, |last| last.0).saturating_sub(state.recorded.map_or(0, |seq| seq.0));
        if running && state.recorded.is_some() && lag > LARGEST_LAG {
            return Err(Halt::RecordLost);
        }
        Ok(())
    }

    /// Runs the steps until they wait. A panic in a step leaves the engine able to order safe.
    fn poll(&mut self) {
        let Some(run) = self.run.as_mut() else { return };
        {
            let mut state = self.state.borrow_mut();
            state.deadline = None;
            state.waited = false;
        }
        let mut context = Context::from_waker(Waker::noop());
        let polled = catch_unwind(AssertUnwindSafe(|| run.as_mut().poll(&mut context)));
        match polled {
            Ok(Poll::Ready(Ok(()))) => self.begin_safe(),
            Ok(Poll::Ready(Err(halt))) => self.halt(halt),
            Ok(Poll::Pending) if self.state.borrow().waited => {}
            Ok(Poll::Pending) => self.halt(Halt::StepFault { why: String::from("it waits for nothing") }),
            Err(panic) => self.halt(Halt::StepFault { why: panic_text(panic.as_ref()) }),
        }
    }

    fn halt(&mut self, halt: Halt) {
        if self.phase != Phase::Running {
            return;
        }
        self.state.borrow_mut().emit(EventKind::Halted(halt.clone()));
        self.halted = Some(halt);
        self.begin_safe();
    }

    /// Drops the steps, discards commands not yet sent, and orders safe.
    fn begin_safe(&mut self) {
        self.run = None;
        self.phase = Phase::MakingSafe;
        let mut state = self.state.borrow_mut();
        state.commands.clear();
        if state.task.sheets.rig.by_hand() {
            state.guide(Guide { hint: Hint::LetIn, toward: None, rate: None });
        }
        state.order(Order::Safe);
        self.safe_until = state.now + SAFE_WITHIN;
    }

    fn make_safe(&mut self) {
        let mut state = self.state.borrow_mut();
        let safe = state.task.sheets.rig.image_of(Order::Safe);
        let confirmed =
            state.pending.is_none() && state.confirmed.as_ref().is_some_and(|(_, _, image)| *image == safe);
        if !confirmed && state.now < self.safe_until {
            return;
        }
        state.emit(if confirmed { EventKind::Safe } else { EventKind::NotSafe });
        let verdicts: Vec<_> = state
            .task
            .positions
            .iter()
            .map(|plan| {
                (
                    plan.number,
                    verdict(&state.task, plan.number, &state.checks, &state.set_aside, self.halted.as_ref()),
                )
            })
            .collect();
        for (position, verdict) in verdicts {
            state.emit(EventKind::Verdict { position, verdict });
        }
        state.emit(EventKind::Ended { ended: None });
        self.phase = Phase::Ended;
    }
}

fn take_answer(state: &mut State, to: PromptId, answer: String, by: String) {
    let prompt = state.prompt.as_mut().filter(|prompt| prompt.id == to && prompt.answer.is_none());
    match prompt.zip(Answer::of(&answer)) {
        Some((prompt, meant)) => {
            prompt.answer = Some(meant);
            state.emit(EventKind::Answered { id: to, answer, by });
        }
        None => state.emit(EventKind::AnswerRefused(to)),
    }
}

fn panic_text(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| String::from("panic without a message"))
}

/// The run: at rest, then each step, judged once it has ended.
async fn run(state: Rc<RefCell<State>>) -> Result<(), Halt> {
    let steps = state.borrow().task.steps.clone();
    let bench = Bench { state: Rc::clone(&state), step: 0 };
    at_rest(&bench).await?;
    for (index, step) in (0..).zip(&steps) {
        let bench = Bench { state: Rc::clone(&state), step: index };
        state.borrow_mut().emit(EventKind::StepBegan(index));
        drive(&bench, step).await?;
        let failed = judge(&bench).await?;
        state.borrow_mut().emit(EventKind::StepDone(index));
        if failed && (step.stop_on_failure || not_as_read(&bench, step)) {
            break;
        }
    }
    Ok(())
}

/// Whether a person found the rig not to be as its inputs show it: no output may move by them.
fn not_as_read(bench: &Bench, step: &PlannedStep) -> bool {
    let no = |mark: &Mark| mark.step == bench.step && mark.segment == Segment::Answered { yes: false };
    matches!(step.task, StepTask::Signals { .. }) && bench.state.borrow().marks.iter().any(no)
}

/// Waits until the devices are powered, the valves are at rest and a scan has been read.
async fn at_rest(bench: &Bench) -> Result<(), Halt> {
    loop {
        // A scan first: with the emergency stop pressed or the guard open, nothing is powered even for a moment.
        let ordered = match bench.scan().await {
            Ok(_) => match bench.rest().await {
                Ok(()) => bench.scan().await.map(|_| ()),
                Err(reason) => Err(reason),
            },
            Err(reason) => Err(reason),
        };
        match ordered {
            Ok(()) => return Ok(()),
            Err(Break::Halt(halt)) => return Err(halt),
            Err(Break::Wait(_) | Break::Again(_)) => match bench.ready().await {
                Err(Break::Halt(halt)) => return Err(halt),
                Ok(()) | Err(Break::Wait(_) | Break::Again(_)) => {}
            },
        }
    }
}

/// Waits for a step to be judged; returns whether any of its checks failed.
async fn judge(bench: &Bench) -> Result<bool, Halt> {
    let checks = bench.judged().await?;
    let mut state = bench.state.borrow_mut();
    let bad = |verdict| matches!(verdict, CheckVerdict::Fail | CheckVerdict::NotMet);
    let failed = checks.iter().any(|check| bad(check.verdict));
    for check in checks {
        state.emit(EventKind::Check(Arc::new(check.clone())));
        state.checks.push(check);
    }
    Ok(failed)
}

#[cfg(test)]
mod tests;
