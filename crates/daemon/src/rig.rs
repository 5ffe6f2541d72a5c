//! A rig as the daemon holds it: what is mounted, what waits, what runs. The worker, the supervisor and the HTTP side share it.

mod plugs;
mod queue;

use crate::daemon::{Probes, RigEntry};
use crate::feed::{Feed, FrameKind};
use crate::pulse::Pulse;
use crate::refusal::{Refusal, check_placings};
use crate::sheets::RigSheets;
use crate::state::{Doing, Place, Placing, Queued, RigState, Round, RunState, Tile};
use crate::wanted::Active;
pub(crate) use crate::wanted::{Job, Next, Order, Press, Repeat, positions_of};
pub(crate) use plugs::Plugs;
use std::collections::{BTreeSet, VecDeque};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use tripbench_record::{Halt, PromptId};
use tripbench_runner::Control;

#[derive(Debug)]
struct Inner {
    shown: RigState,
    queue: VecDeque<Job>,
    active: Option<Active>,
    /// What is shown beside the run, where it tests a device of an earlier one again.
    beside: Vec<Tile>,
    /// Positions where no plug was seen at some time since the last run: what is there now may be another device.
    unplugged: BTreeSet<u8>,
    plugs: Plugs,
    ending: bool,
}

impl Inner {
    fn ready(&self) -> Result<(), Refusal> {
        match self.shown.doing {
            Doing::Idle | Doing::Running => Ok(()),
            Doing::Ending => Err(Refusal::Ending),
            Doing::Starting | Doing::NotReady => {
                let why = self.shown.problem.clone();
                Err(Refusal::NotReady(why.unwrap_or_else(|| String::from("it was not looked at yet"))))
            }
        }
    }

    /// Stops what runs.
    fn halt(&self, halt: Halt) {
        if let Some(active) = &self.active {
            // Why, before the latch: the engine finds the reason when it looks.
            let _run_is_over = active.reins.control.send(Control::Stop(halt));
            active.reins.latch.set();
        }
    }
}

/// A rig.
#[derive(Debug)]
pub(crate) struct Rig {
    /// Its name.
    pub name: String,
    /// What it tells.
    pub feed: Feed,
    pub(crate) sheets: RigSheets,
    pub(crate) probes: Option<Probes>,
    inner: Mutex<Inner>,
    wake: Condvar,
    /// Signs of life of the run's thread.
    pub(crate) pulse: Pulse,
    /// Scans between runs.
    looks: AtomicU64,
}

impl Rig {
    pub(crate) fn new(entry: RigEntry) -> Self {
        let RigEntry { sheets, simulated, probes } = entry;
        let mut shown = sheets.shown();
        shown.simulated = simulated;
        // What was there before this began nobody has seen.
        let shown_positions = shown.round.places.iter().map(|place| place.position).collect();
        let inner = Inner {
            shown,
            queue: VecDeque::new(),
            active: None,
            beside: Vec::new(),
            unplugged: shown_positions,
            plugs: Plugs::new(),
            ending: false,
        };
        let rig = Self {
            name: sheets.name(),
            feed: Feed::default(),
            sheets,
            probes,
            inner: Mutex::new(inner),
            wake: Condvar::new(),
            pulse: Pulse::new(),
            looks: AtomicU64::new(0),
        };
        rig.change(|_| {});
        rig
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Changes what is shown, and tells it where it is other than before.
    pub(crate) fn change(&self, change: impl FnOnce(&mut RigState)) {
        let mut inner = self.lock();
        change(&mut inner.shown);
        self.tell(&mut inner);
    }

    /// Reads the sheets again, and shows them where they are others.
    pub(crate) fn look_at_sheets(&self) {
        if self.sheets.look_again() {
            self.change(|shown| self.sheets.show(shown));
        }
    }

    fn tell(&self, inner: &mut Inner) {
        let queue = inner.queue.iter().map(|job| Queued {
            run: job.prepared.header.run.clone(),
            script: job.script.clone(),
            positions: job.prepared.task.positions.iter().map(|position| position.number).collect(),
        });
        inner.shown.queue = queue.collect();
        if let Ok(text) = serde_json::to_string(&inner.shown) {
            self.feed.push(FrameKind::State, &text);
        }
    }

    /// As it is now.
    pub(crate) fn state(&self) -> RigState {
        self.lock().shown.clone()
    }

    /// The last run of the life of the daemon before.
    pub(crate) fn begin_with(&self, last: Option<(RunState, bool)>) {
        if let Some((run, seen)) = last {
            self.change(|shown| {
                shown.seen = seen.then(|| run.run.clone());
                shown.run = Some(run);
            });
        }
    }

    /// What a run tells of itself.
    pub(crate) fn run_told(&self, run: Option<RunState>) {
        let mut inner = self.lock();
        let question = run.as_ref().and_then(|run| run.question.as_ref()).map(|question| question.number);
        if let Some(active) = &mut inner.active {
            active.ask(question);
        }
        inner.shown.run = run.map(|mut run| {
            run.put_beside(&inner.beside);
            run
        });
        self.tell(&mut inner);
    }

    /// Puts devices at positions; the whole round at once. `seen` is a run whose verdict was taken note of.
    ///
    /// # Errors
    /// If the round was changed meanwhile, a position is not there, or a number is none.
    pub(crate) fn mount(
        &self,
        revision: u64,
        placings: &[Placing],
        seen: Option<String>,
    ) -> Result<Round, Refusal> {
        let mut inner = self.lock();
        let round = &mut inner.shown.round;
        if round.revision != revision {
            return Err(Refusal::RoundChanged { now: round.revision, named: revision });
        }
        check_placings(round, placings)?;
        for place in &mut round.places {
            let placing = placings.iter().find(|placing| placing.position == place.position);
            place.serial =
                placing.and_then(|placing| placing.serial.as_ref().map(|text| text.trim().to_owned()));
            place.own_number = placing.is_some_and(|placing| placing.own_number && placing.serial.is_none());
        }
        round.revision += 1;
        round.started = false;
        let round = round.clone();
        inner.shown.failed = None;
        inner.shown.seen = seen.or(inner.shown.seen.take());
        self.tell(&mut inner);
        Ok(round)
    }

    /// What is mounted, as it was seen at a revision.
    ///
    /// # Errors
    /// If the round was changed or started meanwhile.
    pub(crate) fn mounted(&self, revision: u64) -> Result<Vec<Place>, Refusal> {
        let inner = self.lock();
        let round = &inner.shown.round;
        if round.revision != revision {
            return Err(Refusal::RoundChanged { now: round.revision, named: revision });
        }
        if round.started {
            return Err(Refusal::AlreadyStarted);
        }
        let there = |place: &&Place| place.serial.is_some() || place.own_number;
        Ok(round.places.iter().filter(there).cloned().collect())
    }

    /// How often STOP TEST was pressed so far: a start that a stop overtakes names another number.
    pub(crate) fn stops(&self) -> u64 {
        self.lock().shown.stops
    }

    /// Whether runs may wait for this rig.
    ///
    /// # Errors
    /// If it is not ready.
    pub(crate) fn ready(&self) -> Result<(), Refusal> {
        self.lock().ready()
    }

    /// Places that are not those of the mounted round.
    ///
    /// # Errors
    /// If a position is not there, or a number is none.
    pub(crate) fn places_of(&self, placings: &[Placing]) -> Result<Vec<Place>, Refusal> {
        let inner = self.lock();
        check_placings(&inner.shown.round, placings)?;
        let place = |placing: &Placing| Place {
            position: placing.position,
            serial: placing.serial.as_ref().map(|serial| serial.trim().to_owned()),
            own_number: placing.own_number && placing.serial.is_none(),
            present: None,
        };
        Ok(placings.iter().map(place).collect())
    }

    /// No run any more.
    pub(crate) fn over(&self) {
        self.lock().active = None;
        self.pulse.rest();
    }

    /// Stops what runs, at once, and takes back what waits. Safe to call at any time and from anywhere.
    pub(crate) fn stop(&self, halt: Halt) {
        let mut inner = self.lock();
        inner.shown.stops += 1;
        inner.halt(halt);
        inner.withdraw("a stop");
        self.tell(&mut inner);
        self.wake.notify_all();
    }

    /// Stops a run, where it still goes on: its device may be another one than was meant.
    pub(crate) fn halt(&self, run: &str, halt: Halt) {
        let inner = self.lock();
        if inner.active.as_ref().is_some_and(|active| active.run == run) {
            inner.halt(halt);
        }
    }

    /// Answers a question of the run.
    ///
    /// # Errors
    /// If nothing runs, or the question is not the one that is open.
    pub(crate) fn answer(&self, run: &str, question: u32, said: (String, String)) -> Result<(), Refusal> {
        let (answer, by) = said;
        let mut inner = self.lock();
        let active = inner.active.as_mut().ok_or(Refusal::NothingRuns)?;
        if run != active.run || active.question != Some(question) {
            return Err(Refusal::NotOpen(question));
        }
        // The first answer counts: one that comes behind it must not be thought to.
        active.question = None;
        active.answered = Some(question);
        let control = Control::Answer { to: PromptId(question), answer, by };
        active.reins.control.send(control).map_err(|_| Refusal::NothingRuns)
    }

    /// The run that goes on, by its identifier.
    pub(crate) fn runs_now(&self, run: &str) -> bool {
        self.lock().active.as_ref().is_some_and(|active| active.run == run)
    }

    /// The daemon ends: nothing new begins, what runs is stopped.
    pub(crate) fn end(&self) {
        let mut inner = self.lock();
        inner.ending = true;
        inner.shown.doing = Doing::Ending;
        drop(inner);
        self.stop(Halt::Signal);
    }

    /// One more look at the rig between runs.
    pub(crate) fn looked(&self) {
        self.looks.fetch_add(1, Ordering::SeqCst);
    }

    /// How often the rig was looked at between runs.
    pub(crate) fn looks(&self) -> u64 {
        self.looks.load(Ordering::SeqCst)
    }
}

#[cfg(test)]
mod tests;
