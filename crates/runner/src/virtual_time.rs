//! The loop in virtual time: a simulated module answers at once, and time is whatever the transactions would take.

use std::time::Duration;
use tripbench_engine::{Engine, Input, Phase};
use tripbench_quantity::{Mono, Span};
use tripbench_record::{Event, EventKind, Halt};
use tripbench_rig::{
    Block, Command, Doubt, ReadBack, ReadPlan, Request, Response, RigSheet, Scan, VirtualModule,
};

/// How long things take in virtual time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// One transaction from request to answer.
    pub transaction: Duration,
    /// Between the starts of two scans.
    pub scan_interval: Duration,
}

/// A run in virtual time.
#[derive(Debug, Clone)]
pub struct VirtualRun<'r> {
    /// The rig.
    pub rig: &'r RigSheet,
    /// How long things take.
    pub pace: Pace,
    /// Stops the run after so many scans, with a reason.
    pub stop: Option<(usize, Halt)>,
}

/// Runs an engine against a module until it has ended; every event is handed to `listen`. Prompts are answered with yes.
/// Returns the virtual time that passed.
pub fn run_in_virtual_time(
    engine: &mut Engine,
    module: &mut dyn VirtualModule,
    run: VirtualRun<'_>,
    mut listen: impl FnMut(Event),
) -> Mono {
    let VirtualRun { rig, pace, mut stop } = run;
    let mut loop_ = Loop { module, rig, plan: rig.read_plan(), pace, now: Mono::START };
    for turn in 0.. {
        if let Some((_, halt)) = stop.take_if(|(after, _)| *after == turn) {
            engine.handle(loop_.now, Input::Abort(halt));
        }
        let mut answers = Vec::new();
        while let Some(event) = engine.poll_event() {
            if let EventKind::Asked { id, .. } = event.kind {
                answers.push(id);
            }
            engine.handle(loop_.now, Input::Recorded { through: event.seq });
            listen(event);
        }
        if engine.phase() == Phase::Ended {
            return loop_.now;
        }
        for to in answers {
            engine.handle(loop_.now, Input::Answer { to, answer: "yes".into(), by: "rehearsal".into() });
        }
        loop_.turn(engine);
    }
    loop_.now
}

struct Loop<'l> {
    module: &'l mut dyn VirtualModule,
    rig: &'l RigSheet,
    plan: ReadPlan,
    pace: Pace,
    now: Mono,
}

impl Loop<'_> {
    /// Commands, deadlines that come before the next scan, and the scan.
    fn turn(&mut self, engine: &mut Engine) {
        while let Some(command) = engine.poll_command() {
            let input = self.carry_out(&command);
            engine.handle(self.now, input);
        }
        let started = self.now;
        match self.scan() {
            Ok(scan) => engine.handle(self.now, Input::Scan(scan)),
            Err(doubt) => engine.handle(self.now, Input::Doubt(doubt)),
        }
        let next = (started + self.pace.scan_interval).max(self.now);
        while let Some(deadline) =
            engine.poll_deadline().filter(|deadline| self.now < *deadline && *deadline <= next)
        {
            self.now = deadline;
            engine.handle(self.now, Input::Deadline);
            while let Some(command) = engine.poll_command() {
                let input = self.carry_out(&command);
                engine.handle(self.now, input);
            }
        }
        self.now = self.now.max(next);
    }

    fn carry_out(&mut self, command: &Command) -> Input {
        let before = self.now;
        let written = self
            .rig
            .writes(&self.rig.image_of(command.order))
            .iter()
            .try_for_each(|write| self.ask(write).map(|_| ()));
        let outputs = written.and_then(|()| {
            let mut outputs = Vec::new();
            for read in self.rig.output_reads() {
                outputs.extend(self.ask(&read)?.iter().map(|word| *word != 0));
            }
            Ok(outputs)
        });
        match outputs {
            Ok(outputs) if outputs == self.rig.image_of(command.order) => Input::Done {
                id: command.id,
                read_back: ReadBack { outputs, span: Span { before, after: self.now } },
            },
            Ok(_) => Input::NotDone { id: command.id, why: Doubt::OutputsDiffer },
            Err(why) => Input::NotDone { id: command.id, why },
        }
    }

    fn scan(&mut self) -> Result<Scan, Doubt> {
        let mut blocks = Vec::with_capacity(self.plan.reads.len());
        for read in self.plan.reads.clone() {
            let before = self.now;
            let words = self.ask(&Request::Read { area: read.area, start: read.start, count: read.count })?;
            blocks.push(Block { span: Span { before, after: self.now }, words });
        }
        Ok(Scan { blocks })
    }

    /// One transaction: the module answers in its middle.
    fn ask(&mut self, request: &Request) -> Result<Vec<u16>, Doubt> {
        let answered = self.now + self.pace.transaction / 2;
        self.now = self.now + self.pace.transaction;
        match self.module.answer(answered, request) {
            Ok(Response::Values(words)) => Ok(words),
            Ok(Response::Written) => Ok(Vec::new()),
            Err(exception) => Err(Doubt::Refused(exception.0)),
        }
    }
}
