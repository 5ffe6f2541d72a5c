//! The loop that runs a rig: free-running scans, orders between them, every event to the record. The same in real and in virtual time:
//! what differs is the clock that it waits on, the wire, who keeps the record, and where a step is judged.

use crate::JournalError;
use std::sync::mpsc::{Receiver, TryRecvError};
use std::time::Duration;
use tripbench_engine::{Engine, Input, Judging, Phase};
use tripbench_link::{Clock, Link, StopLatch, Transport};
use tripbench_quantity::Mono;
use tripbench_record::{Event, EventKind, Halt, PromptId, Seq};
use tripbench_rig::{Command, CommandId, Doubt, Order, ReadBack, ReadPlan, RigSheet};

/// A stop waits no longer than this for the loop to wake.
const LONGEST_SLEEP: Duration = Duration::from_millis(5);
/// Time between two tries to make safe.
const BETWEEN_TRIES: Duration = Duration::from_millis(50);

/// What a person or a program tells a run.
#[derive(Debug, Clone, PartialEq)]
pub enum Control {
    /// An answer to a prompt.
    Answer {
        /// Which prompt.
        to: PromptId,
        /// The answer.
        answer: String,
        /// Who.
        by: String,
    },
    /// Stop. The latch has been set before.
    Stop(Halt),
}

/// Who keeps the events of a run.
pub(crate) trait Keeper {
    /// Takes an event in; never waits.
    fn keep(&mut self, event: Event) -> Result<(), JournalError>;

    /// The last event that is written, if any.
    fn written(&mut self) -> Option<Seq>;
}

/// Who judges the steps of a run, one at a time.
pub(crate) trait Judges {
    /// Takes a step that has ended.
    fn begin(&mut self, step: Judging, now: Mono);

    /// What came of it: its checks, or a halt; once.
    fn poll(&mut self, now: Mono) -> Option<Input>;
}

/// Whatever ran before: the rig is safe before the first order.
pub(crate) async fn safe_first<T: Transport>(link: &mut Link<T>, rig: &RigSheet) -> Result<ReadBack, Doubt> {
    let first = Command { id: CommandId(u32::MAX), order: Order::Safe, not_after: None };
    link.carry_out(&first, rig).await
}

/// A run under way.
pub(crate) struct Drive<T, K, J> {
    pub(crate) engine: Engine,
    pub(crate) link: Link<T>,
    pub(crate) clock: Clock,
    pub(crate) latch: StopLatch,
    pub(crate) keeper: K,
    pub(crate) judges: J,
    pub(crate) control: Receiver<Control>,
    /// Wall time for the end, where there is any.
    pub(crate) wall: Option<fn() -> String>,
    /// Whether the keeper has failed.
    pub(crate) lost: bool,
}

impl<T: Transport, K: Keeper, J: Judges> Drive<T, K, J> {
    /// Until the engine has ended and has told of it.
    pub(crate) async fn run(&mut self, rig: &RigSheet, plan: &ReadPlan) {
        let interval = rig.link.scan_interval.duration();
        while self.engine.phase() != Phase::Ended {
            let started = self.clock.now();
            self.listen();
            self.judge();
            self.orders(rig).await;
            self.scan(plan).await;
            self.events();
            // Late or not, the scans come later by the shift: on a slow wire the turn takes longer than the interval.
            let next = self.clock.now().max(started + interval) + self.engine.poll_shift();
            self.pause(next).await;
        }
        self.events();
    }

    /// Answers, stops, and the watermark of the record.
    fn listen(&mut self) {
        let now = self.clock.now();
        if self.clock.jumped() {
            self.engine.handle(now, Input::Doubt(Doubt::ClockJump));
        }
        // The latch first: whoever sets it has said why before.
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

    /// Has a step that has ended judged, and takes in what came of it.
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
                // Why it was stopped stands in the control; the order that comes next is safe.
                self.listen();
                continue;
            }
            let now = self.clock.now();
            let input = match done {
                Ok(read_back) => Input::Done { id: command.id, read_back },
                Err(why) => Input::NotDone { id: command.id, why },
            };
            let failed = matches!(input, Input::NotDone { .. });
            self.engine.handle(now, input);
            if failed && command.order == Order::Safe {
                // Never in a busy loop.
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
            // Why it was stopped comes with the control, before anything else is sent.
            return;
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

    /// Hands every event to the keeper; a record that is lost stops the run.
    fn events(&mut self) {
        while let Some(mut event) = self.engine.poll_event() {
            self.stamp(&mut event);
            if self.keeper.keep(event).is_err() && !self.lost {
                self.lost = true;
                let now = self.clock.now();
                self.engine.handle(now, Input::RecordLost);
            }
        }
    }

    /// Wall time is written at the end alone.
    fn stamp(&self, event: &mut Event) {
        if let EventKind::Ended { ended } = &mut event.kind {
            *ended = self.wall.map(|wall| wall());
        }
    }

    /// Until the next scan, or a deadline before it.
    async fn pause(&mut self, next: Mono) {
        let until = self.engine.poll_deadline().map_or(next, |deadline| deadline.min(next));
        while self.engine.phase() != Phase::Ended && !self.latch.is_set() && until > self.clock.now() {
            let slice = self.clock.now() + LONGEST_SLEEP;
            self.clock.sleep_until(until.min(slice)).await;
        }
    }
}
