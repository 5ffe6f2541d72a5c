//! The loop that runs a rig: free-running scans, orders between them, and every event to the record. The same loop runs in real and in
//! virtual time; they differ in the clock, the wire, the keeper of the record, and where a step is judged.

use crate::JournalError;
use crate::identify::identify;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, TryRecvError};
use std::time::Duration;
use tripbench_engine::{Engine, Input, Judging, Phase, Plan};
use tripbench_link::{Clock, Link, StopLatch, Transport};
use tripbench_quantity::Mono;
use tripbench_record::{Event, EventKind, Halt, PromptId, Seq};
use tripbench_rig::{Command, CommandId, Doubt, Order, ReadBack, ReadPlan, RigSheet};

/// Longest sleep of the loop, and so the longest time until it notices a stop.
const LONGEST_SLEEP: Duration = Duration::from_millis(5);
/// Time between two attempts to make the outputs safe.
const BETWEEN_TRIES: Duration = Duration::from_millis(50);

/// A message from a person or a program to a run.
#[derive(Debug, Clone, PartialEq)]
pub enum Control {
    /// An answer to a prompt.
    Answer {
        /// The prompt.
        to: PromptId,
        /// The answer.
        answer: String,
        /// Who answered.
        by: String,
    },
    /// Stop, with the reason. Sent before the latch is set.
    Stop(Halt),
}

/// Keeps the events of a run.
pub(crate) trait Keeper {
    /// Takes an event, without blocking.
    fn keep(&mut self, event: Event) -> Result<(), JournalError>;

    /// The last event that was written, if any.
    fn written(&mut self) -> Option<Seq>;
}

/// Judges the steps of a run, one at a time.
pub(crate) trait Judges {
    /// Starts to judge a step that has ended.
    fn begin(&mut self, step: Judging, now: Mono);

    /// The result, returned once: the checks of the step, or a halt.
    fn poll(&mut self, now: Mono) -> Option<Input>;
}

/// Begins a run: makes the outputs safe before the first order, whatever ran before, asks the module for its identification, and starts the
/// engine. `place` says where the module is, if it is on this computer.
pub(crate) async fn begin<T: Transport>(
    mut plan: Plan,
    link: &mut Link<T>,
    (clock, latch): (&Clock, &StopLatch),
    place: impl FnOnce() -> Option<String>,
) -> Engine {
    let sheets = Arc::clone(&plan.task.sheets);
    let mut safe = safe_first(link, &sheets.rig).await;
    if safe.is_ok() && !latch.is_set() {
        identify(link, &mut plan.header, place).await;
        if link.is_in_doubt() {
            safe = safe_first(link, &sheets.rig).await;
        }
    }
    let mut engine = Engine::new(plan, clock.now());
    if let Err(doubt) = safe {
        engine.handle(clock.now(), Input::Doubt(doubt));
    }
    engine
}

/// Makes the outputs safe before the first order.
async fn safe_first<T: Transport>(link: &mut Link<T>, rig: &RigSheet) -> Result<ReadBack, Doubt> {
    let first = Command { id: CommandId(u32::MAX), order: Order::Safe, not_after: None };
    link.carry_out(&first, rig).await
}

/// Logs what whoever looks after the program must know of a run.
fn log(event: &EventKind) {
    if let EventKind::Halted(halt) = event {
        tracing::warn!(why = %halt, "the run is halted");
    } else if *event == EventKind::NotSafe {
        tracing::error!("outputs NOT confirmed safe");
    }
}

/// A run in progress.
pub(crate) struct Drive<T, K, J> {
    pub(crate) engine: Engine,
    pub(crate) link: Link<T>,
    pub(crate) clock: Clock,
    pub(crate) latch: StopLatch,
    pub(crate) keeper: K,
    pub(crate) judges: J,
    pub(crate) control: Receiver<Control>,
    /// Source of the wall-clock time for the end, if any.
    pub(crate) wall: Option<fn() -> String>,
    /// Whether the keeper has failed.
    pub(crate) lost: bool,
}

impl<T: Transport, K: Keeper, J: Judges> Drive<T, K, J> {
    /// Runs until the engine has ended and all its events are kept.
    pub(crate) async fn run(&mut self, rig: &RigSheet, plan: &ReadPlan) {
        let interval = rig.link.scan_interval.duration();
        while self.engine.phase() != Phase::Ended {
            let started = self.clock.now();
            self.listen();
            self.judge();
            self.orders(rig).await;
            self.scan(plan).await;
            self.events();
            // The shift applies even if this turn was late: on a slow wire a turn takes longer than the interval.
            let next = self.clock.now().max(started + interval) + self.engine.poll_shift();
            self.pause(next).await;
        }
        self.events();
    }

    /// Passes answers, stops and the last written event to the engine.
    fn listen(&mut self) {
        let now = self.clock.now();
        if self.clock.jumped() {
            self.engine.handle(now, Input::Doubt(Doubt::ClockJump));
        }
        // Read the latch first: its reason was sent before it was set.
        let stopped = self.latch.is_set();
        loop {
            match self.control.try_recv() {
                Ok(Control::Answer { to, answer, by }) => {
                    self.engine.handle(now, Input::Answer { to, answer, by });
                }
                Ok(Control::Stop(halt)) => self.engine.handle(now, Input::Abort(halt)),
                Err(TryRecvError::Empty | TryRecvError::Disconnected) => break,
            }
        }
        if stopped {
            self.engine.handle(now, Input::Abort(Halt::Operator { by: String::from("the stop latch") }));
        }
        if let Some(through) = self.keeper.written() {
            self.engine.handle(now, Input::Recorded { through });
        }
    }

    /// Starts the judging of a step that has ended, and passes its result to the engine.
    fn judge(&mut self) {
        let now = self.clock.now();
        if let Some(step) = self.engine.poll_judging() {
            self.judges.begin(step, now);
        }
        if let Some(input) = self.judges.poll(now) {
            self.engine.handle(now, input);
        }
    }

    async fn orders(&mut self, rig: &RigSheet) {
        self.deadline();
        while let Some(command) = self.engine.poll_command() {
            let done = self.link.carry_out(&command, rig).await;
            if matches!(done, Err(Doubt::Stopped)) {
                // The control has the reason for the stop; the next order is safe.
                self.listen();
                continue;
            }
            let now = self.clock.now();
            let input = match done {
                Ok(read_back) => Input::Done { id: command.id, read_back },
                Err(why) => {
                    tracing::warn!(order = ?command.order, %why, "an order was not carried out");
                    Input::NotDone { id: command.id, why }
                }
            };
            let failed = matches!(input, Input::NotDone { .. });
            self.engine.handle(now, input);
            if failed && command.order == Order::Safe {
                // Not in a busy loop.
                self.clock.sleep(BETWEEN_TRIES).await;
                self.events();
            }
        }
    }

    async fn scan(&mut self, plan: &ReadPlan) {
        if self.engine.phase() == Phase::Ended {
            return;
        }
        let scanned = self.link.scan(plan).await;
        if matches!(scanned, Err(Doubt::Stopped)) {
            // The reason for the stop is read from the control before anything else is sent.
            return;
        }
        if let Err(why) = &scanned {
            tracing::warn!(%why, "a scan failed");
        }
        let input = scanned.map_or_else(Input::Doubt, Input::Scan);
        let now = self.clock.now();
        self.engine.handle(now, input);
    }

    fn deadline(&mut self) {
        let now = self.clock.now();
        if self.engine.poll_deadline().is_some_and(|deadline| deadline <= now) {
            self.engine.handle(now, Input::Deadline);
        }
    }

    /// Passes every event to the keeper. If one cannot be kept, the run stops.
    fn events(&mut self) {
        while let Some(mut event) = self.engine.poll_event() {
            self.stamp(&mut event);
            log(&event.kind);
            if self.keeper.keep(event).is_err() && !self.lost {
                self.lost = true;
                tracing::error!("an event cannot be recorded: the run stops");
                let now = self.clock.now();
                self.engine.handle(now, Input::RecordLost);
            }
        }
    }

    /// Adds the wall-clock time to the last event, the only one that has it.
    fn stamp(&self, event: &mut Event) {
        if let EventKind::Ended { ended } = &mut event.kind {
            *ended = self.wall.map(|wall| wall());
        }
    }

    /// Waits until the next scan, an earlier deadline, or a stop.
    async fn pause(&mut self, next: Mono) {
        let until = self.engine.poll_deadline().map_or(next, |deadline| deadline.min(next));
        while self.engine.phase() != Phase::Ended && !self.latch.is_set() && until > self.clock.now() {
            let slice = self.clock.now() + LONGEST_SLEEP;
            self.clock.sleep_until(until.min(slice)).await;
        }
    }
}
