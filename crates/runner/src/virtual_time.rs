//! A run in virtual time: the loop, link and engine of a live one over a simulated module, which answers after whatever a transaction
//! takes on the rig sheet's wire.

use crate::JournalError;
use crate::drive::{Control, Drive, Judges, Keeper, safe_first};
use std::cell::RefCell;
use std::pin::pin;
use std::sync::mpsc::{Sender, channel};
use std::task::{Context, Poll, Waker};
use std::time::Duration;
use tripbench_engine::{Engine, Input, Judging, Plan};
use tripbench_link::{Clock, Link, StopLatch, Transport};
use tripbench_quantity::{Mono, Span};
use tripbench_record::{Event, EventKind, Halt, Seq};
use tripbench_rig::{Doubt, LinkSheet, Query, Response, VirtualModule};

/// What surrounds a run in virtual time.
#[derive(Debug, Clone)]
pub struct VirtualRun {
    /// Stops the run after so many scans, with a reason.
    pub stop: Option<(usize, Halt)>,
    /// What is answered to a question.
    pub answer: fn(&str) -> &'static str,
}

/// Runs a plan against a module until it has ended; every event is handed to `listen`. Returns the virtual time that passed.
pub fn run_in_virtual_time(
    plan: Plan,
    module: &mut dyn VirtualModule,
    run: VirtualRun,
    listen: impl FnMut(Event),
) -> Mono {
    let clock = Clock::in_virtual_time();
    let mut whole = pin!(drive(plan, module, run, (clock.clone(), listen)));
    // Nothing in virtual time waits for anything outside of it.
    let Poll::Ready(()) = whole.as_mut().poll(&mut Context::from_waker(Waker::noop())) else {
        unreachable!("a wait on another clock than the run's")
    };
    clock.now()
}

async fn drive(
    plan: Plan,
    module: &mut dyn VirtualModule,
    run: VirtualRun,
    (clock, listen): (Clock, impl FnMut(Event)),
) {
    let task = plan.task.clone();
    let rig = &task.sheets.rig;
    let (latch, module) = (StopLatch::armed(), RefCell::new(module));
    let (told, control) = channel();
    let wire = VirtualWire { module: &module, link: &rig.link };
    let mut link = Link::new(wire, clock.clone(), latch.clone(), rig);
    let safe = safe_first(&mut link, rig).await;
    let mut engine = Engine::new(plan, clock.now());
    if let Err(doubt) = safe {
        engine.handle(clock.now(), Input::Doubt(doubt));
    }
    let mut keeper = AtOnce {
        listen,
        module: &module,
        clock: clock.clone(),
        answer: run.answer,
        stop: run.stop,
        scans: 0,
        reins: (latch.clone(), told),
        written: None,
    };
    keeper.stop_when_due();
    let judges = InNoTime(None);
    let mut drive = Drive { engine, link, clock, latch, keeper, judges, control, wall: None, lost: false };
    drive.run(rig, &task.plan).await;
}

/// A module at the end of the rig sheet's wire.
struct VirtualWire<'m, 'b> {
    module: &'m RefCell<&'b mut dyn VirtualModule>,
    link: &'m LinkSheet,
}

impl Transport for VirtualWire<'_, '_> {
    /// The module answers in the middle of the time that the wire leaves it.
    async fn transact(&mut self, query: &Query, clock: &Clock) -> Result<(Response, Span), Doubt> {
        let whole = self.link.transaction(&query.request);
        let (asked, answered) = query.request.rtu_lengths();
        let timing = self.link.timing();
        let on_wire = |length| timing.map_or(Duration::ZERO, |timing| timing.characters(length));
        let now = clock.now();
        let (before, after) = (now + on_wire(asked), now + whole.saturating_sub(on_wire(answered)));
        clock.sleep(whole).await;
        let answer = self.module.borrow_mut().answer(before + after.since(before) / 2, query);
        let response = answer.map_err(|exception| Doubt::Refused(exception.0))?;
        Ok((response, Span { before, after }))
    }
}

/// Hands events on as soon as they come, answers what is asked, and stops the run when it is time.
struct AtOnce<'m, 'b, L> {
    listen: L,
    module: &'m RefCell<&'b mut dyn VirtualModule>,
    clock: Clock,
    answer: fn(&str) -> &'static str,
    stop: Option<(usize, Halt)>,
    scans: usize,
    reins: (StopLatch, Sender<Control>),
    written: Option<Seq>,
}

impl<L> AtOnce<'_, '_, L> {
    fn tell(&self, control: Control) {
        let _run_is_over = self.reins.1.send(control);
    }

    /// As a person stops: the reason first, then the latch.
    fn stop_when_due(&mut self) {
        if let Some((_, halt)) = self.stop.take_if(|(after, _)| *after <= self.scans) {
            self.tell(Control::Stop(halt));
            self.reins.0.set();
        }
    }
}

impl<L: FnMut(Event)> Keeper for AtOnce<'_, '_, L> {
    fn keep(&mut self, event: Event) -> Result<(), JournalError> {
        self.written = Some(event.seq);
        if let EventKind::Scan(_) = &event.kind {
            self.scans += 1;
            self.stop_when_due();
        } else if let EventKind::Asked { id, text } = &event.kind {
            let answer = (self.answer)(text).into();
            self.tell(Control::Answer { to: *id, answer, by: String::from("rehearsal") });
        } else if let EventKind::Guide(guide) = &event.kind {
            self.module.borrow_mut().guided(self.clock.now(), *guide);
        }
        (self.listen)(event);
        Ok(())
    }

    fn written(&self) -> Option<Seq> {
        self.written
    }
}

/// Judges while virtual time stands still.
struct InNoTime(Option<Input>);

impl Judges for InNoTime {
    fn begin(&mut self, step: Judging, _now: Mono) {
        self.0 = Some(Input::Judged(step.checks()));
    }

    fn poll(&mut self, _now: Mono) -> Option<Input> {
        self.0.take()
    }
}
