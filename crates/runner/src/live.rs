//! The live loop: free-running scans, orders between them, every event to the journal.

use crate::identify::identify;
use crate::journal::JournalWriter;
use rustix::process::setpriority_process;
use rustix::thread::gettid;
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::Duration;
use tokio::task::spawn_blocking;
use tokio::time::sleep;
use tripbench_engine::{Engine, Input, Phase, Plan};
use tripbench_link::{Clock, Link, StopLatch, Transport};
use tripbench_quantity::Mono;
use tripbench_record::{Check, Event, EventKind, Halt, PromptId};
use tripbench_rig::{Command, CommandId, Doubt, Order};

/// A stop waits no longer than this for the loop to wake.
const LONGEST_SLEEP: Duration = Duration::from_millis(5);
/// Niceness of a thread that judges: a quarter of the share of one that scans.
const STANDS_BACK: i32 = 6;
/// A step takes a few tenths of a second to judge; one that takes so long is never judged.
const LONGEST_JUDGING: Duration = Duration::from_mins(1);

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

/// What a live run is made of.
#[derive(Debug)]
pub struct LiveRun<T> {
    /// What is to be done.
    pub plan: Plan,
    /// The link, over its wire.
    pub link: Link<T>,
    /// The clock that the link stamps with.
    pub clock: Clock,
    /// The latch that the link obeys.
    pub latch: StopLatch,
    /// The journal.
    pub journal: JournalWriter,
    /// Answers and stops.
    pub control: Receiver<Control>,
    /// Wall time, RFC 3339, for the end.
    pub wall: fn() -> String,
}

/// Runs until the engine has ended and everything is recorded. Safe is written before anything else.
///
/// # Errors
/// If the journal failed; the run was stopped and made safe then.
pub async fn run_live<T: Transport>(run: LiveRun<T>) -> Result<(), crate::JournalError> {
    let LiveRun { mut plan, mut link, clock, latch, journal, control, wall } = run;
    let interval = plan.task.sheets.rig.link.scan_interval.duration();
    let task = plan.task.clone();
    // Whatever ran before: the rig is safe before the first order.
    let first = Command { id: CommandId(u32::MAX), order: Order::Safe, not_after: None };
    let mut safe = link.carry_out(&first, &task.sheets.rig).await;
    if safe.is_ok() && !latch.is_set() {
        identify(&mut link, &task.sheets.rig.link, &mut plan.header).await;
        if link.is_in_doubt() {
            safe = link.carry_out(&first, &task.sheets.rig).await;
        }
    }
    let engine = Engine::new(plan, clock.now());
    let mut live = Live { engine, link, clock, latch, journal, control, wall, lost: false, judging: None };
    if let Err(doubt) = safe {
        live.engine.handle(live.clock.now(), Input::Doubt(doubt));
    }
    while live.engine.phase() != Phase::Ended {
        let started = live.clock.now();
        live.listen();
        live.judge();
        live.orders(&task.sheets.rig).await;
        live.scan(&task.plan).await;
        live.events();
        // Late or not, the scans come later by the shift: on a slow wire the turn takes longer than the interval.
        let next = live.clock.now().max(started + interval) + live.engine.poll_shift();
        live.pause(next).await;
    }
    live.events();
    // The disk may be slow: whoever shares this thread goes on meanwhile.
    let journal = live.journal;
    spawn_blocking(move || journal.finish()).await.unwrap_or(Err(crate::JournalError::Failed))
}

struct Live<T> {
    engine: Engine,
    link: Link<T>,
    clock: Clock,
    latch: StopLatch,
    journal: JournalWriter,
    control: Receiver<Control>,
    wall: fn() -> String,
    lost: bool,
    /// The step that is being judged, on a thread of its own: scans go on meanwhile.
    judging: Option<(Receiver<Vec<Check>>, Mono)>,
}

impl<T: Transport> Live<T> {
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
        if let Some(through) = self.journal.written() {
            self.engine.handle(now, Input::Recorded { through });
        }
    }

    /// Has a step that has ended judged, and takes in what came of it.
    fn judge(&mut self) {
        if let Some(step) = self.engine.poll_judging() {
            let (done, judged) = channel();
            // Nobody waits for its end: a run that was stopped meanwhile is over at once.
            let _or_it_is_dropped =
                std::thread::Builder::new().name(String::from("judge")).spawn(move || {
                    // The rigs' own threads come first, where the system lets a thread stand back.
                    let _as_before = setpriority_process(Some(gettid()), STANDS_BACK);
                    let _run_is_over = done.send(step.checks());
                });
            self.judging = Some((judged, self.clock.now() + LONGEST_JUDGING));
        }
        let Some((judged, until)) = &self.judging else { return };
        let now = self.clock.now();
        let fault = |why: &str| Input::Abort(Halt::StepFault { why: why.to_owned() });
        let input = match judged.try_recv() {
            Ok(checks) => Input::Judged(checks),
            Err(TryRecvError::Empty) if now < *until => return,
            Err(TryRecvError::Empty) => fault("it was not judged within a minute"),
            Err(TryRecvError::Disconnected) => fault("it could not be judged"),
        };
        self.judging = None;
        self.engine.handle(now, input);
    }

    async fn orders(&mut self, rig: &tripbench_rig::RigSheet) {
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
                // Between two tries to make safe, and never in a busy loop.
                sleep(Duration::from_millis(50)).await;
                self.events();
            }
        }
    }

    async fn scan(&mut self, plan: &tripbench_rig::ReadPlan) {
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

    /// Hands every event to the journal; a journal that fails stops the run.
    fn events(&mut self) {
        while let Some(mut event) = self.engine.poll_event() {
            self.stamp(&mut event);
            if self.journal.send(event).is_err() && !self.lost {
                self.lost = true;
                let now = self.clock.now();
                self.engine.handle(now, Input::RecordLost);
            }
        }
    }

    /// Wall time is written at the end alone.
    fn stamp(&self, event: &mut Event) {
        if let EventKind::Ended { ended } = &mut event.kind {
            *ended = Some((self.wall)());
        }
    }

    /// Until the next scan, or a deadline before it.
    async fn pause(&mut self, next: Mono) {
        let until = self.engine.poll_deadline().map_or(next, |deadline| deadline.min(next));
        while self.engine.phase() != Phase::Ended && !self.latch.is_set() && until > self.clock.now() {
            let slice = self.clock.now() + LONGEST_SLEEP;
            sleep(self.clock.until(until.min(slice))).await;
        }
    }
}
