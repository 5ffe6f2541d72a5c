//! A rig's worker: a thread that looks after the rig between runs, and runs what waits for it.

use crate::keep::{Making, Owed, make};
use crate::problem::chain;
use crate::rig::{Job, Next, Rig};
use crate::runs::Runs;
use crate::state::{Doing, Reason, RunState};
use crate::tell::Teller;
use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::runtime::Runtime;
use tripbench_job::{HowEnded, JobError, Reins, anything_there, make_safe, mark, start};
use tripbench_link::{Clock, Link, ModuleLock, ModuleWire, StopLatch, module_address};
use tripbench_quantity::Mono;
use tripbench_record::{Event, Halt};
use tripbench_rig::{Decoder, Order};
use tripbench_runner::Control;

/// A vacuum of so much holds nothing, and is within what an old reference reads at ambient.
const VENTED_PA: f64 = 3_000.0;
/// Time between two looks at an idle rig.
const LOOK_EVERY: Duration = Duration::from_millis(500);
/// The same while a record is being made.
const LOOK_MEANWHILE: Duration = Duration::from_millis(100);
/// Time between two tries to make a record that could not be made.
const TRY_EVERY: Duration = Duration::from_secs(10);
/// Time between two beats of a run's thread.
const BEAT_EVERY: Duration = Duration::from_millis(50);

/// Starts the worker of a rig.
///
/// # Errors
/// If there is no thread to have.
pub(crate) fn employ(rig: Arc<Rig>, runs: Arc<Runs>) -> std::io::Result<JoinHandle<Left>> {
    let name = format!("worker {}", rig.name);
    std::thread::Builder::new().name(name).spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else {
            return Left::InDoubt;
        };
        let (link, lock, owed, last) = (None, None, VecDeque::new(), String::new());
        let (safe, began, tried, making) = (false, false, None, None);
        Worker { rig, runs, runtime, link, lock, safe, began, owed, tried, making, last }.work()
    })
}

/// How a rig was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Left {
    /// Safe, read back.
    Safe,
    /// Not confirmed safe.
    InDoubt,
    /// It was never this daemon's: another program has its module.
    NotOurs,
}

struct Worker {
    rig: Arc<Rig>,
    runs: Arc<Runs>,
    runtime: Runtime,
    /// Between runs.
    link: Option<Link<ModuleWire>>,
    lock: Option<ModuleLock>,
    /// Whether the outputs were made safe since they were last in doubt.
    safe: bool,
    /// Whether the last run began, so that there is a journal of it.
    began: bool,
    /// Runs that have a journal and no record yet, and when one of these was last tried.
    owed: VecDeque<Owed>,
    tried: Option<Mono>,
    /// One of them that is tried just now.
    making: Option<(Owed, Making)>,
    /// The last run.
    last: String,
}

impl Worker {
    /// Works until the daemon ends; how the rig was left then.
    fn work(&mut self) -> Left {
        self.look();
        loop {
            match self.rig.next(LOOK_EVERY) {
                Next::Job(job, reins) => {
                    self.link = None;
                    self.safe = false;
                    self.run(*job, reins);
                    self.look();
                }
                Next::Look => {
                    self.look();
                    self.settle();
                }
                Next::End => break,
            }
        }
        self.link = None;
        if self.lock.is_none() {
            tracing::warn!(rig = self.rig.name, "never this daemon's; nothing is known of its outputs");
            return Left::NotOurs;
        }
        if make_safe(self.rig.sheets.rig()) {
            tracing::info!(rig = self.rig.name, "left safe, read back");
            Left::Safe
        } else {
            tracing::error!(rig = self.rig.name, "outputs NOT confirmed safe at the end");
            Left::InDoubt
        }
    }

    /// Whether the rig answers, and its outputs are as they were left.
    fn look(&mut self) {
        let found = self.looked();
        let was_safe = self.safe;
        self.safe = found.is_ok();
        match found {
            Ok(level) => {
                if !was_safe {
                    tracing::info!(rig = self.rig.name, "outputs safe, read back");
                }
                self.show(None, level.as_ref());
            }
            Err(problem) => {
                if was_safe || self.rig.state().problem.as_deref() != Some(problem.as_str()) {
                    tracing::warn!(rig = self.rig.name, problem, "rig not ready");
                }
                self.link = None;
                self.rig.lost_sight();
                self.rig.withdraw("a rig that is not ready");
                self.show(Some(problem), None);
            }
        }
    }

    fn looked(&mut self) -> Result<Option<Idle>, String> {
        let sheet = self.rig.sheets.rig().clone();
        if self.lock.is_none() {
            let address = module_address(&sheet.link).map_err(|error| error.to_string())?;
            self.lock = Some(ModuleLock::take(&address).map_err(|error| error.to_string())?);
        }
        if self.link.is_none() {
            anything_there(&sheet.link).map_err(|error| error.to_string())?;
            let wire = ModuleWire::of(&sheet.link).map_err(|error| error.to_string())?;
            self.link = Some(Link::new(wire, Clock::start(), StopLatch::armed(), &sheet));
        }
        let Some(link) = &mut self.link else { return Ok(None) };
        if !self.safe {
            let made = self.runtime.block_on(link.make_safe(&sheet));
            made.map_err(|doubt| {
                format!("outputs NOT confirmed safe ({doubt}): shut off air and power by hand")
            })?;
        }
        let plan = sheet.read_plan();
        let scan =
            self.runtime.block_on(link.scan(&plan)).map_err(|doubt| format!("does not answer: {doubt}"))?;
        self.rig.looked();
        let decoder = Decoder::new(plan);
        if decoder.outputs(&scan, &sheet).is_some_and(|outputs| outputs != sheet.image_of(Order::Safe)) {
            return Err(String::from(
                "its outputs are not as they were left: is another program at the module?",
            ));
        }
        let present: Vec<(u8, Option<bool>)> = sheet
            .positions
            .iter()
            .map(|position| {
                let bit = position.present.as_ref().and_then(|input| decoder.bit(&scan, input));
                (*position.number, bit.map(|bit| bit.on))
            })
            .collect();
        self.rig.saw_plugs(&present);
        let level = decoder.level(&scan, &sheet).map_err(|fault| format!("the reference: {fault}"))?;
        let style = self.rig.sheets.style();
        let vented = level.value.si().abs() <= VENTED_PA;
        Ok(Some(Idle { level: style.value(level.value), vented, present }))
    }

    fn show(&self, problem: Option<String>, idle: Option<&Idle>) {
        let decimals = 10_f64.powi(i32::try_from(self.rig.state().decimals).unwrap_or(1));
        let state = self.rig.state();
        let mut next = state.clone();
        next.doing = if state.doing == Doing::Ending {
            Doing::Ending
        } else if problem.is_some() {
            Doing::NotReady
        } else {
            Doing::Idle
        };
        next.outputs_safe = Some(problem.is_none()).filter(|safe| *safe).or(match &problem {
            Some(text) if text.contains("NOT confirmed") => Some(false),
            Some(_) | None => None,
        });
        next.problem = problem;
        next.vented = idle.map(|idle| idle.vented);
        next.level = idle.map(|idle| (idle.level * decimals).round() / decimals);
        for place in &mut next.round.places {
            let seen = idle.into_iter().flat_map(|idle| &idle.present);
            let seen = seen.filter(|(number, _)| *number == place.position).find_map(|(_, present)| *present);
            place.present = place.present.and(seen.or(Some(false)));
        }
        if next != state {
            self.rig.change(|shown| {
                shown.doing = next.doing;
                shown.outputs_safe = next.outputs_safe;
                shown.problem = next.problem;
                shown.level = next.level;
                shown.vented = next.vented;
                for (place, seen) in shown.round.places.iter_mut().zip(&next.round.places) {
                    place.present = seen.present;
                }
            });
        }
    }

    /// Tries again to make a record that could not be made: a full disk may have room by now. Looks after the rig meanwhile.
    fn settle(&mut self) {
        let now = self.rig.pulse.now();
        match self.making.take_if(|(_, thread)| thread.is_finished()) {
            Some((owed, thread)) => {
                self.tried = Some(now);
                match thread.join() {
                    Ok(Ok(made)) => self.settled(&owed, made),
                    // The next one first: this one may never be made.
                    Ok(Err(_)) | Err(_) => self.owed.push_back(owed),
                }
            }
            None if self.making.is_none() && self.tried.is_none_or(|tried| now.since(tried) >= TRY_EVERY) => {
                let Some(owed) = self.owed.pop_front() else { return };
                match make(owed.clone(), &self.runs) {
                    Ok(thread) => self.making = Some((owed, thread)),
                    Err(_) => self.owed.push_back(owed),
                }
            }
            None => {}
        }
    }

    fn settled(&self, owed: &Owed, made: Option<RunState>) {
        let run = owed.run();
        tracing::info!(rig = self.rig.name, run, "its record is made");
        self.tell_owed();
        let state = self.rig.state();
        // Where nothing was run since, its verdict is shown.
        if state.run.is_none() && self.last == run {
            self.rig.change(|shown| shown.failed = None);
            self.rig.run_told(made);
        }
    }

    /// Shows which runs have no record yet.
    fn tell_owed(&self) {
        let making = self.making.iter().map(|(owed, _)| owed);
        let runs: Vec<String> = self.owed.iter().chain(making).map(|owed| owed.run().to_owned()).collect();
        self.rig.change(|shown| shown.owed = runs);
    }

    fn run(&mut self, job: Job, reins: (Reins, Receiver<Control>)) {
        let run = job.prepared.header.run.clone();
        tracing::info!(rig = self.rig.name, run, script = job.script, "run begins");
        self.began = false;
        self.last.clone_from(&run);
        let made = catch_unwind(AssertUnwindSafe(|| self.carried_out(job, reins)));
        self.rig.over();
        let why = match made {
            Ok(Ok(())) => {
                if self.rig.state().run.is_none_or(|told| told.halted.is_some()) {
                    self.rig.withdraw("a run that was stopped");
                }
                tracing::info!(rig = self.rig.name, run, "run over");
                return;
            }
            Ok(Err(error)) => chain(&error),
            Err(_) => String::from("the program failed inside"),
        };
        tracing::error!(rig = self.rig.name, run, why, "no run, or no record of it");
        self.rig.withdraw("a run that failed");
        self.tell_owed();
        let kind = if self.began { "no-record" } else { "no-run" };
        self.rig.change(|shown| {
            shown.run = None;
            shown.failed = Some(Reason { kind: kind.to_owned(), text: why });
        });
    }

    fn carried_out(
        &mut self,
        job: Job,
        (reins, controlled): (Reins, Receiver<Control>),
    ) -> Result<(), JobError> {
        let mut prepared = job.prepared;
        let sheet = prepared.task.sheets.rig.clone();
        if self.lock.is_none() {
            self.lock = Some(ModuleLock::take(&module_address(&sheet.link)?)?);
        }
        anything_there(&sheet.link)?;
        if reins.latch.is_set() {
            return Err(JobError::Stopped);
        }
        prepared.header.started = tripbench_job::wall();
        prepared.header.simulated = self.rig.state().simulated;
        prepared.folder = self.runs.folder(&self.rig.name, &prepared.header.run)?;
        if let Some(of) = &job.again {
            mark(&of.folder, of.position, &prepared.folder)?;
        }
        self.rig.feed.begin();
        let mut teller = Teller::new(Arc::clone(&self.rig), &prepared.task.sheets);
        let beating = Arc::clone(&self.rig);
        let probes = self.rig.probes;
        let listener = Box::new(move |event: &Event| {
            teller.hear(event);
            if let Some(probes) = probes {
                (probes.in_journal)();
            }
        });
        // The first sign of life is the run's own: before that nothing has moved, and the disk may take its time.
        let running = start(&prepared, listener, (reins, controlled), move |_, _| async move {
            loop {
                beating.pulse.beat();
                if let Some(probes) = probes {
                    (probes.in_run)();
                }
                tokio::time::sleep(BEAT_EVERY).await;
            }
        })?;
        self.began = true;
        let ended = running.join();
        self.rig.over();
        let halt = match ended {
            HowEnded::InOrder => Halt::RecordLost,
            HowEnded::JournalFailed(error) => {
                tracing::error!(rig = self.rig.name, %error, "journal failed");
                Halt::RecordLost
            }
            HowEnded::Panicked => {
                tracing::error!(rig = self.rig.name, "the rig's thread panicked; making safe");
                self.safe = make_safe(&sheet);
                Halt::StepFault { why: String::from("the rig's thread ended by itself") }
            }
        };
        let owed = Owed { prepared: Arc::new(prepared), halt };
        // Owed until it is made, whatever happens on the way.
        self.owed.push_back(owed.clone());
        self.tried = Some(self.rig.pulse.now());
        let thread = make(owed, &self.runs)?;
        // The devices are looked at meanwhile: one may be pulled.
        while !thread.is_finished() {
            match self.looked() {
                Ok(_) => self.safe = true,
                Err(_) => self.rig.lost_sight(),
            }
            std::thread::park_timeout(LOOK_MEANWHILE);
        }
        let made = thread.join().unwrap_or_else(|panic| resume_unwind(panic))?;
        self.owed.pop_back();
        self.rig.run_told(made);
        Ok(())
    }
}

/// A rig at rest.
struct Idle {
    level: f64,
    vented: bool,
    /// Whether a plug is seen, by position; none where the rig can not see it.
    present: Vec<(u8, Option<bool>)>,
}
