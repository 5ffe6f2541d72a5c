//! The engine's surface: inputs with their time in; commands, events and the next deadline out.

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
use std::task::{Context, Poll, Waker};
use std::time::Duration;
use tripbench_judge::verdict;
use tripbench_quantity::Mono;
use tripbench_record::{Check, CheckVerdict, Event, EventKind, Halt, PromptId, RunHeader, Seq, Task};
use tripbench_rig::{Command, CommandId, Doubt, Guide, Hint, Order, ReadBack, Scan};

/// What the loop tells the engine.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// A scan.
    Scan(Scan),
    /// A command was carried out and read back; for safe also held.
    Done {
        /// Which.
        id: CommandId,
        /// Outputs as read back.
        read_back: ReadBack,
    },
    /// A command could not be carried out.
    NotDone {
        /// Which.
        id: CommandId,
        /// Why.
        why: Doubt,
    },
    /// The link is in doubt.
    Doubt(Doubt),
    /// An answer to a prompt.
    Answer {
        /// Which prompt.
        to: PromptId,
        /// The answer.
        answer: String,
        /// Who.
        by: String,
    },
    /// The checks of the step that was given out to be judged.
    Judged(Vec<Check>),
    /// The run is to be stopped.
    Abort(Halt),
    /// The record holds everything up to this event.
    Recorded {
        /// The event.
        through: Seq,
    },
    /// The record cannot be written any more.
    RecordLost,
    /// A deadline has come.
    Deadline,
}

/// How far the engine is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// Steps are driven.
    Running,
    /// The safe state is being ordered and confirmed.
    MakingSafe,
    /// Nothing more will come.
    Ended,
}

/// A task with what is known at its start.
#[derive(Debug, Clone)]
pub struct Plan {
    /// What is to be done.
    pub task: Task,
    /// What is known at the start.
    pub header: RunHeader,
}

/// Longest time that the engine waits for safe to be confirmed before it says that it is not.
const SAFE_WITHIN: Duration = Duration::from_secs(15);
/// Events that may wait for the record before the run is stopped.
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
    /// An engine that is about to begin: its first command is to power the devices with the valves at rest.
    pub fn new(plan: Plan, now: Mono) -> Self {
        let state = Rc::new(RefCell::new(State::new(plan.task, now)));
        state.borrow_mut().emit(EventKind::Started(Box::new(plan.header)));
        let run: Run = Box::pin(run(Rc::clone(&state)));
        let mut engine = Self { state, run: Some(run), phase: Phase::Running, halted: None, safe_until: now };
        engine.poll();
        engine
    }

    /// Takes in what happened at `now`.
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

    /// A step to be judged, if one has ended. The engine goes on taking scans, and waits for [`Input::Judged`] before the next step.
    pub fn poll_judging(&mut self) -> Option<Judging> {
        self.state.borrow_mut().judging.take()
    }

    /// When the engine next wants a [`Input::Deadline`].
    pub fn poll_deadline(&self) -> Option<Mono> {
        match self.phase {
            Phase::Running => self.state.borrow().deadline,
            Phase::MakingSafe => Some(self.safe_until),
            Phase::Ended => None,
        }
    }

    /// By how much the next scan is to come later than its turn, once: the phase of a crossing is planned.
    pub fn poll_shift(&mut self) -> Duration {
        std::mem::take(&mut self.state.borrow_mut().shift)
    }

    /// How far it is.
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
                        // No scan was to come meanwhile: nothing was said, or safe was watched until it had lasted.
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

    /// Drives the steps as far as they go. A panic in a step leaves the engine able to order safe.
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

    /// Drops the steps, takes back what was not sent yet, and orders safe.
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
    match state.prompt.as_mut().filter(|prompt| prompt.id == to && prompt.answer.is_none()) {
        Some(prompt) => {
            prompt.answer = Some(answer.clone());
            state.emit(EventKind::Answered { id: to, answer, by });
        }
        None => state.emit(EventKind::AnswerRefused(to)),
    }
}

fn panic_text(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| String::from("a panic without text"))
}

/// The run: rest, then each step, judged when it is done.
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
        if failed && step.stop_on_failure {
            break;
        }
    }
    Ok(())
}

/// Devices powered, valves at rest, and a first scan.
async fn at_rest(bench: &Bench) -> Result<(), Halt> {
    loop {
        // A scan first: with the emergency stop pressed or the guard open nothing is powered, not for a moment.
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

/// Has a step judged; whether any of its checks failed.
async fn judge(bench: &Bench) -> Result<bool, Halt> {
    let checks = bench.judged().await?;
    let mut state = bench.state.borrow_mut();
    let bad = |verdict| matches!(verdict, CheckVerdict::Fail | CheckVerdict::NotMet);
    let failed = checks.iter().any(|check| bad(check.verdict));
    for check in checks {
        state.emit(EventKind::Check(Box::new(check.clone())));
        state.checks.push(check);
    }
    Ok(failed)
}

#[cfg(test)]
mod tests;
