//! A run in virtual time: loop, link and engine of a live run over a simulated module, which answers after the time that a transaction
//! takes on the wire of the rig sheet.

use crate::JournalError;
use crate::drive::{Control, Drive, Judges, Keeper, begin};
use crate::journal::{Medium, QUEUE, Writer};
use std::cell::RefCell;
use std::collections::VecDeque;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Sender, channel};
use std::task::{Context, Poll, Waker};
use std::time::Duration;
use tripbench_engine::{Input, Judging, Plan};
use tripbench_link::{Clock, Link, StopLatch, Transport};
use tripbench_quantity::{Mono, Span};
use tripbench_record::{Event, EventKind, Halt, Seq};
use tripbench_rig::{Doubt, Guide, LinkSheet, Query, Response, VirtualModule};

/// Conditions of a run in virtual time.
#[derive(Debug)]
pub struct VirtualRun {
    /// Number of scans after which the run is stopped, and the reason.
    pub stop: Option<(usize, Halt)>,
    /// The answer to a prompt.
    pub answer: fn(&str) -> &'static str,
    /// The disk that the record is written to.
    pub disk: VirtualDisk,
}

/// How a disk behaves in virtual time.
#[derive(Debug, Default)]
pub struct VirtualDisk {
    /// What the journal is written to, which contains the first line of a journal; without it there is no journal.
    pub journal: Option<Box<dyn Medium>>,
    /// Time from an event to its writing.
    pub takes: Duration,
    /// Time from the first to the second moment in which nothing is written.
    pub stalls: Option<[Mono; 2]>,
    /// Whether the listener gets events before they are written, for a test that shows why the order matters.
    pub heard_first: bool,
}

impl VirtualDisk {
    /// Time at which an event of now is written.
    fn writes_at(&self, now: Mono) -> Mono {
        let at = now + self.takes;
        self.stalls.filter(|[from, to]| (*from..*to).contains(&at)).map_or(at, |[_, to]| to)
    }
}

impl Default for VirtualRun {
    fn default() -> Self {
        Self { stop: None, answer: |_| "yes", disk: VirtualDisk::default() }
    }
}

/// Runs a plan against a module to its end and passes every written event to `listen`. Returns the virtual time at the end.
pub fn run_in_virtual_time(
    plan: Plan,
    module: &mut dyn VirtualModule,
    run: VirtualRun,
    mut listen: impl FnMut(Event),
) -> Mono {
    run_in_this_crate(plan, module, run, &mut listen)
}

/// Not generic, so that the loop is compiled and optimized with this crate, whoever calls it.
fn run_in_this_crate(
    plan: Plan,
    module: &mut dyn VirtualModule,
    run: VirtualRun,
    listen: &mut dyn FnMut(Event),
) -> Mono {
    let clock = Clock::in_virtual_time();
    let sheets = plan.task.sheets.clone();
    let (latch, module) = (StopLatch::armed(), RefCell::new(module));
    let wire = VirtualWire { module: &module, link: &sheets.rig.link };
    let link = Link::new(wire, clock.clone(), latch.clone(), &sheets.rig);
    let guided = |at, guide| module.borrow_mut().guided(at, guide);
    run_on_virtual_wire(VirtualLink { plan, link, clock: clock.clone(), latch }, run, guided, listen);
    clock.now()
}

/// A plan, with a link in virtual time.
#[derive(Debug)]
pub struct VirtualLink<T> {
    /// The plan.
    pub plan: Plan,
    /// The link to the module.
    pub link: Link<T>,
    /// The clock of link and wire: [`Clock::in_virtual_time`].
    pub clock: Clock,
    /// The latch that the link obeys.
    pub latch: StopLatch,
}

/// Runs a plan over a wire in virtual time to its end. Passes every written event to `listen`, and guidance for a person to `guided`.
pub fn run_on_virtual_wire<T: Transport>(
    over: VirtualLink<T>,
    run: VirtualRun,
    guided: impl FnMut(Mono, Guide),
    listen: impl FnMut(Event),
) {
    let mut whole = pin!(drive(over, run, guided, listen));
    // A run in virtual time waits only on its own clock, so one poll completes it.
    let Poll::Ready(()) = whole.as_mut().poll(&mut Context::from_waker(Waker::noop())) else {
        unreachable!("a wait on another clock than the run's")
    };
}

async fn drive<T: Transport>(
    VirtualLink { plan, mut link, clock, latch }: VirtualLink<T>,
    mut run: VirtualRun,
    guided: impl FnMut(Mono, Guide),
    listen: impl FnMut(Event),
) {
    let task = plan.task.clone();
    let rig = &task.sheets.rig;
    let (told, control) = channel();
    // A module in virtual time is at no place.
    let engine = begin(plan, &mut link, (&clock, &latch), || None).await;
    let written = Arc::new(AtomicU64::new(0));
    let to = match run.disk.journal.take() {
        Some(medium) => Destination::Journal(Writer::new(medium, listen, Arc::clone(&written))),
        None => Destination::Listener(listen),
    };
    let mut keeper = Kept {
        to,
        guided,
        clock: clock.clone(),
        run,
        scans: 0,
        handle: (latch.clone(), told),
        waiting: VecDeque::new(),
        written,
        failed: false,
    };
    keeper.stop_when_due();
    let judges = InNoTime(None);
    let mut drive = Drive { engine, link, clock, latch, keeper, judges, control, wall: None, lost: false };
    drive.run(rig, &task.plan).await;
    drive.keeper.finish();
}

/// A simulated module with the timing of the wire of the rig sheet.
struct VirtualWire<'m, 'b> {
    module: &'m RefCell<&'b mut dyn VirtualModule>,
    link: &'m LinkSheet,
}

impl Transport for VirtualWire<'_, '_> {
    /// The module answers in the middle of the time between request and answer on the wire.
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

/// Passes events on once they are written, answers prompts, and stops the run when due.
struct Kept<G, L> {
    to: Destination<L>,
    guided: G,
    clock: Clock,
    run: VirtualRun,
    scans: usize,
    handle: (StopLatch, Sender<Control>),
    /// Events that wait for the disk, with the time at which they will be written.
    waiting: VecDeque<(Mono, Event)>,
    /// Number of written events.
    written: Arc<AtomicU64>,
    /// Whether the disk has failed.
    failed: bool,
}

/// Where events go.
enum Destination<L> {
    /// To a listener.
    Listener(L),
    /// To a journal, and from there to a listener.
    Journal(Writer<L>),
}

impl<G, L: FnMut(Event)> Kept<G, L> {
    fn tell(&self, control: Control) {
        let _run_is_over = self.handle.1.send(control);
    }

    /// Stops as a person does: the reason first, then the latch.
    fn stop_when_due(&mut self) {
        if let Some((_, halt)) = self.run.stop.take_if(|(after, _)| *after <= self.scans) {
            self.tell(Control::Stop(halt));
            self.handle.0.set();
        }
    }

    /// Passes an event on before it is written.
    fn hear(&mut self, event: Event) {
        match &mut self.to {
            Destination::Listener(listen) => listen(event),
            Destination::Journal(writer) => writer.pass_on(event),
        }
    }

    /// Writes the events that are due by `until`, and passes them on.
    fn write(&mut self, until: Mono) {
        while let Some((at, event)) = self.waiting.pop_front_if(|(at, _)| !self.failed && *at <= until) {
            let heard = self.run.disk.heard_first;
            let done = match &mut self.to {
                Destination::Listener(listen) => {
                    self.written.store(event.seq.0 + 1, Ordering::Relaxed);
                    if !heard {
                        listen(event);
                    }
                    Ok(())
                }
                Destination::Journal(writer) => {
                    let done = if heard { writer.record(&event) } else { writer.write(event) };
                    done.and_then(|()| writer.sync_if_due(at.since(Mono::START)))
                }
            };
            self.failed |= done.is_err();
        }
    }

    /// Writes and passes on all events that still wait for the disk.
    fn finish(mut self) {
        self.write(Mono::from_nanos(u64::MAX));
        if let (Destination::Journal(writer), false) = (self.to, self.failed) {
            // The listener has heard what was recorded until then.
            let _or_it_stays_open = writer.close();
        }
    }
}

impl<G: FnMut(Mono, Guide), L: FnMut(Event)> Keeper for Kept<G, L> {
    fn keep(&mut self, event: Event) -> Result<(), JournalError> {
        if let EventKind::Scan(_) = &event.kind {
            self.scans += 1;
            self.stop_when_due();
        } else if let EventKind::Asked { id, text } = &event.kind {
            let answer = (self.run.answer)(text).into();
            self.tell(Control::Answer { to: *id, answer, by: String::from("rehearsal") });
        } else if let EventKind::Guide(guide) = &event.kind {
            (self.guided)(self.clock.now(), *guide);
        }
        if self.run.disk.heard_first {
            self.hear(event.clone());
        }
        if self.failed {
            return Err(JournalError::Failed);
        }
        if self.waiting.len() >= QUEUE {
            return Err(JournalError::Behind);
        }
        let now = self.clock.now();
        self.waiting.push_back((self.run.disk.writes_at(now), event));
        self.write(now);
        Ok(())
    }

    fn written(&mut self) -> Option<Seq> {
        let now = self.clock.now();
        self.write(now);
        self.written.load(Ordering::SeqCst).checked_sub(1).map(Seq)
    }
}

/// Judges in zero virtual time.
struct InNoTime(Option<Input>);

impl Judges for InNoTime {
    fn begin(&mut self, step: Judging, _now: Mono) {
        self.0 = Some(Input::Judged(step.checks()));
    }

    fn poll(&mut self, _now: Mono) -> Option<Input> {
        self.0.take()
    }
}
