//! The loop in virtual time: a simulated module answers at once, and time is whatever the transactions would take on the
//! rig sheet's wire.

use std::time::Duration;
use tripbench_engine::{Engine, Input, Phase};
use tripbench_quantity::{Mono, Span};
use tripbench_record::{Event, EventKind, Halt};
use tripbench_rig::{
    Block, Command, Doubt, Order, OutputImage, Query, ReadBack, ReadPlan, Response, RigSheet, Scan,
    VirtualModule,
};

/// A run in virtual time.
#[derive(Debug, Clone)]
pub struct VirtualRun<'r> {
    /// The rig.
    pub rig: &'r RigSheet,
    /// Stops the run after so many scans, with a reason.
    pub stop: Option<(usize, Halt)>,
    /// What is answered to a question.
    pub answer: fn(&str) -> &'static str,
}

/// Runs an engine against a module until it has ended; every event is handed to `listen`.
/// Returns the virtual time that passed.
pub fn run_in_virtual_time(
    engine: &mut Engine,
    module: &mut dyn VirtualModule,
    run: VirtualRun<'_>,
    mut listen: impl FnMut(Event),
) -> Mono {
    let VirtualRun { rig, mut stop, answer } = run;
    let mut loop_ = Loop { module, rig, plan: rig.read_plan(), now: Mono::START };
    for turn in 0.. {
        if let Some((_, halt)) = stop.take_if(|(after, _)| *after == turn) {
            engine.handle(loop_.now, Input::Abort(halt));
        }
        // In no time: virtual time stands still while it is judged.
        while let Some(step) = engine.poll_judging() {
            engine.handle(loop_.now, Input::Judged(step.checks()));
        }
        let mut answers = Vec::new();
        while let Some(event) = engine.poll_event() {
            if let EventKind::Asked { id, text } = &event.kind {
                answers.push((*id, answer(text)));
            }
            if let EventKind::Guide(guide) = event.kind {
                loop_.module.guided(loop_.now, guide);
            }
            engine.handle(loop_.now, Input::Recorded { through: event.seq });
            listen(event);
        }
        if engine.phase() == Phase::Ended {
            return loop_.now;
        }
        for (to, answer) in answers {
            engine.handle(loop_.now, Input::Answer { to, answer: answer.into(), by: "rehearsal".into() });
        }
        loop_.turn(engine);
    }
    loop_.now
}

struct Loop<'l> {
    module: &'l mut dyn VirtualModule,
    rig: &'l RigSheet,
    plan: ReadPlan,
    now: Mono,
}

impl Loop<'_> {
    /// Deadline, commands and scan, and the pause to the next, as the live loop has them: a deadline before the next scan ends the
    /// pause, and the next turn begins with it.
    fn turn(&mut self, engine: &mut Engine) {
        let started = self.now;
        if engine.poll_deadline().is_some_and(|deadline| deadline <= self.now) {
            engine.handle(self.now, Input::Deadline);
        }
        while let Some(command) = engine.poll_command() {
            let input = self.carry_out(&command);
            engine.handle(self.now, input);
        }
        if engine.phase() == Phase::Ended {
            return;
        }
        match self.scan() {
            Ok(scan) => engine.handle(self.now, Input::Scan(scan)),
            Err(doubt) => engine.handle(self.now, Input::Doubt(doubt)),
        }
        // Late or not, the scans come later by the shift: on a slow wire the turn takes longer than the interval.
        let next = self.now.max(started + self.rig.link.scan_interval.duration()) + engine.poll_shift();
        let until = engine.poll_deadline().map_or(next, |deadline| deadline.min(next));
        self.now = self.now.max(until);
    }

    fn carry_out(&mut self, command: &Command) -> Input {
        let before = self.now;
        if let Order::Silent(milliseconds) = command.order {
            self.now = self.now + Duration::from_millis(milliseconds.into());
            return match self.outputs() {
                Ok(outputs) => Input::Done {
                    id: command.id,
                    read_back: ReadBack { outputs, span: Span { before, after: self.now } },
                },
                Err(why) => Input::NotDone { id: command.id, why },
            };
        }
        let written = self
            .rig
            .writes(&self.rig.image_of(command.order))
            .iter()
            .try_for_each(|write| self.ask(write).map(|_| ()));
        let outputs = written.and_then(|()| self.outputs());
        match outputs {
            Ok(outputs) if outputs == self.rig.image_of(command.order) => Input::Done {
                id: command.id,
                read_back: ReadBack { outputs, span: Span { before, after: self.now } },
            },
            Ok(_) => Input::NotDone { id: command.id, why: Doubt::OutputsDiffer },
            Err(why) => Input::NotDone { id: command.id, why },
        }
    }

    fn outputs(&mut self) -> Result<OutputImage, Doubt> {
        let reads = self.rig.output_reads();
        let answers: Result<Vec<_>, Doubt> =
            reads.iter().map(|read| self.ask(read).map(|(words, _)| words)).collect();
        self.rig.outputs_read(&answers?).ok_or(Doubt::Short)
    }

    fn scan(&mut self) -> Result<Scan, Doubt> {
        let mut blocks = Vec::with_capacity(self.plan.reads.len());
        for read in self.plan.reads.clone() {
            let (words, span) = self.ask(&read.query(*self.rig.link.unit))?;
            blocks.push(Block { span, words });
        }
        Ok(Scan { blocks })
    }

    /// One transaction: the module answers in the middle of the time that the wire leaves it.
    fn ask(&mut self, query: &Query) -> Result<(Vec<u16>, Span), Doubt> {
        let whole = self.rig.link.transaction(&query.request);
        let (asked, answered) = query.request.rtu_lengths();
        let timing = self.rig.link.timing();
        let on_wire = |length| timing.map_or(Duration::ZERO, |timing| timing.characters(length));
        let (before, after) = (self.now + on_wire(asked), self.now + whole.saturating_sub(on_wire(answered)));
        self.now = self.now + whole;
        match self.module.answer(before + after.since(before) / 2, query) {
            Ok(Response::Values(words)) => Ok((words, Span { before, after })),
            Ok(Response::Written) => Ok((Vec::new(), Span { before, after })),
            Err(exception) => Err(Doubt::Refused(exception.0)),
        }
    }
}
