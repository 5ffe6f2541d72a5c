//! A line to a simulated module in virtual time: the frames of the master's own code, byte for byte, and whatever goes wrong with them.

use std::collections::{BTreeSet, VecDeque};
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tripbench_engine::Plan;
use tripbench_link::{
    Clock, Discipline, Line, LineDiscipline, Link, RtuTimes, RtuTransport, StopLatch, TcpTransport, Transport,
};
use tripbench_quantity::Mono;
use tripbench_record::{Event, Task};
use tripbench_rig::{Guide, RigSheet, SerialTiming, VirtualModule, Wire};
use tripbench_runner::{VirtualLink, VirtualRun, run_on_virtual_wire};
use tripbench_simulator::{Framing, SimulatedBench, Truth};

/// What goes wrong on a line, or around it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trouble {
    /// The answer comes so much later.
    LateAnswer(Duration),
    /// The request gets to the module so much later, and acts then.
    LateRequest(Duration),
    /// The request never gets there.
    LostRequest,
    /// The answer never gets back.
    LostAnswer,
    /// The answer comes once more, so much later.
    DoubledAnswer(Duration),
    /// The module gets the request once more, so much later, as from a switch or a converter that repeats it.
    DoubledRequest(Duration),
    /// The answer has fewer bytes than were asked for, and says so.
    Short,
    /// The answer is cut off in the middle.
    CutOff,
    /// The answer is of another unit.
    ForeignUnit,
    /// The answer is to another transaction; on a serial line, of another function.
    ForeignTransaction,
    /// A bit of the answer is another: anywhere behind a CRC, in the header of Modbus TCP.
    Corrupt(usize),
    /// The module refuses with a code.
    Refused(u8),
    /// The connection is closed instead of an answer.
    Reset,
    /// Nothing gets through in either direction for a time, and nobody is told.
    HalfOpen(Duration),
    /// The module does nothing for a time, then answers all that has come meanwhile.
    Frozen(Duration),
    /// The module starts again: its outputs are off, its connections gone.
    Restarted,
    /// Another master drives an output, counted through those of the rig sheet, the other way.
    SecondMaster(usize),
    /// The thread of the run is not run for a time.
    NotRun(Duration),
    /// The computer sleeps for a time.
    Asleep(Duration),
}

impl Trouble {
    /// How long it can keep the line from working, retries not counted.
    pub const fn lasts(self) -> Duration {
        match self {
            Self::LateAnswer(time)
            | Self::LateRequest(time)
            | Self::DoubledAnswer(time)
            | Self::DoubledRequest(time)
            | Self::HalfOpen(time)
            | Self::Frozen(time)
            | Self::NotRun(time)
            | Self::Asleep(time) => time,
            Self::LostRequest
            | Self::LostAnswer
            | Self::Short
            | Self::CutOff
            | Self::ForeignUnit
            | Self::ForeignTransaction
            | Self::Corrupt(_)
            | Self::Refused(_)
            | Self::Reset
            | Self::Restarted
            | Self::SecondMaster(_) => Duration::ZERO,
        }
    }
}

/// With which request a trouble comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// The request of this number, counted from 0, or the next one.
    Request(u64),
    /// The write of this number, counted from 0, or the next one.
    Write(u64),
    /// So many requests after the trouble before it.
    Later(u64),
}

/// A trouble and when it comes; none comes before the one that stands before it.
pub type Planned = (When, Trouble);

/// What surrounds a run over a line.
#[derive(Debug)]
pub struct OnLine {
    /// Disk, stop and answers.
    pub run: VirtualRun,
    /// Guards of the link.
    pub discipline: Discipline,
    /// Guards of the line.
    pub of_line: LineDiscipline,
}

impl Default for OnLine {
    fn default() -> Self {
        Self { run: VirtualRun::default(), discipline: Discipline::Kept, of_line: LineDiscipline::Kept }
    }
}

/// Runs a task over a line in virtual time, with the master's own code of that wire; every event that was written.
pub fn run_over(line: &VirtualLine, clock: &Clock, task: Task, with: OnLine) -> Vec<Event> {
    let link = &task.sheets.rig.link;
    if matches!(link.wire, Wire::Tcp(_)) {
        let wire = TcpTransport::over(line.clone(), link.answer_timeout.duration());
        run_on(wire.with_discipline(with.of_line), (line, clock), task, with)
    } else {
        let wire = RtuTransport::new(line.clone(), RtuTimes::of(link));
        run_on(wire.with_discipline(with.of_line), (line, clock), task, with)
    }
}

fn run_on(
    wire: impl Transport,
    (line, clock): (&VirtualLine, &Clock),
    task: Task,
    with: OnLine,
) -> Vec<Event> {
    let latch = StopLatch::armed();
    let link = Link::new(wire, clock.clone(), latch.clone(), &task.sheets.rig);
    let link = link.with_discipline(with.discipline);
    let plan = Plan { header: crate::header(&task), task };
    let mut events = Vec::new();
    let over = VirtualLink { plan, link, clock: clock.clone(), latch };
    run_on_virtual_wire(over, with.run, |at, guide| line.guided(at, guide), |event| events.push(event));
    events
}

/// A simulated module at the end of a line.
#[derive(Debug, Clone)]
pub struct VirtualLine(Arc<Mutex<Wired>>);

#[derive(Debug)]
struct Wired {
    bench: SimulatedBench,
    clock: Clock,
    framing: Framing,
    timing: Option<SerialTiming>,
    /// Half of the time that the module takes between a request and its answer.
    half: Duration,
    /// Outputs of a module at rest.
    safe: Vec<u16>,
    troubles: VecDeque<Planned>,
    requests: u64,
    functions: BTreeSet<u8>,
    writes: u64,
    /// Number of the request that the last trouble came with.
    last_trouble: u64,
    troubled: Vec<(Mono, Trouble)>,
    /// On the way, with the moment at which it is there.
    on_the_way: Vec<(Mono, Cargo)>,
    /// Nothing gets through until then.
    dead_until: Mono,
    /// The module does nothing until then.
    frozen_until: Mono,
    /// The connection that is open; those before it are gone.
    connection: u64,
    closed: bool,
    inbox: VecDeque<u8>,
    /// A run that still asks then is one that hangs.
    longest: Duration,
    /// Every change from safe outputs to others and back, as the module had them.
    was_safe: Vec<(Mono, bool)>,
}

#[derive(Debug)]
enum Cargo {
    Request { bytes: Vec<u8>, connection: u64, trouble: Option<Trouble> },
    Answer { bytes: Vec<u8>, connection: u64 },
    Closing { connection: u64 },
}

impl VirtualLine {
    /// A line to the module of a rig sheet; `troubles` in their order.
    pub fn new(rig: &RigSheet, truth: Truth, clock: &Clock, troubles: Vec<Planned>) -> Self {
        let bench = SimulatedBench::new(rig, truth);
        let framing = if matches!(rig.link.wire, Wire::Tcp(_)) { Framing::Tcp } else { Framing::Rtu };
        Self(Arc::new(Mutex::new(Wired {
            safe: bench.output_words(),
            bench,
            clock: clock.clone(),
            framing,
            timing: rig.link.timing(),
            half: rig.link.answer_time.duration() / 2,
            troubles: troubles.into(),
            requests: 0,
            functions: BTreeSet::new(),
            writes: 0,
            last_trouble: 0,
            troubled: Vec::new(),
            on_the_way: Vec::new(),
            dead_until: Mono::START,
            frozen_until: Mono::START,
            connection: 0,
            closed: false,
            inbox: VecDeque::new(),
            longest: Duration::MAX,
            was_safe: vec![(Mono::START, true)],
        })))
    }

    /// Tells the hand at the bench what to do.
    pub fn guided(&self, at: Mono, guide: Guide) {
        self.lock().bench.guided(at, guide);
    }

    /// A run that still asks after a time is one that hangs: it is ended by a panic.
    pub fn hangs_after(&self, time: Duration) {
        self.lock().longest = time;
    }

    /// Lets everything arrive that is still on the way, for as long as a time.
    pub fn drain(&self, time: Duration) {
        let mut wired = self.lock();
        let until = wired.clock.now() + time;
        wired.arrive(until);
    }

    /// Every change of the outputs from safe to not safe and back, as the module had them; the first entry is the start.
    pub fn was_safe(&self) -> Vec<(Mono, bool)> {
        self.lock().was_safe.clone()
    }

    /// What went wrong, and when.
    pub fn troubled(&self) -> Vec<(Mono, Trouble)> {
        self.lock().troubled.clone()
    }

    /// Functions that the master has asked for, each once, in their order.
    pub fn functions(&self) -> Vec<u8> {
        self.lock().functions.iter().copied().collect()
    }

    /// How many requests the master has sent.
    pub fn requests(&self) -> u64 {
        self.lock().requests
    }

    fn lock(&self) -> MutexGuard<'_, Wired> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Wired {
    /// Time that bytes take on the wire.
    fn on_wire(&self, length: usize) -> Duration {
        self.timing.map_or(Duration::ZERO, |timing| timing.characters(length))
    }

    fn sends(&mut self, at: Mono, cargo: Cargo) {
        self.on_the_way.push((at, cargo));
    }

    /// The trouble that comes with a request.
    fn trouble(&mut self, bytes: &[u8]) -> Option<Trouble> {
        const WRITES: [u8; 4] = [0x05, 0x06, 0x0F, 0x10];
        let function = self.framing.content(bytes).and_then(|content| content.get(1).copied());
        self.functions.extend(function);
        let writes = function.is_some_and(|function| WRITES.contains(&function));
        let (request, write, last) = (self.requests, self.writes, self.last_trouble);
        self.requests += 1;
        self.writes += u64::from(writes);
        let is_due = |when: When| match when {
            When::Request(number) => number <= request,
            When::Write(number) => writes && number <= write,
            When::Later(after) => last + after <= request,
        };
        let (_, trouble) = self.troubles.pop_front_if(|(when, _)| is_due(*when))?;
        self.last_trouble = request;
        Some(trouble)
    }

    /// A frame that the master has put on the line now.
    fn asked(&mut self, bytes: &[u8]) {
        let trouble = self.trouble(bytes);
        let now = self.clock.now();
        assert!(now.since(Mono::START) < self.longest, "still asking after {now:?}");
        self.troubled.extend(trouble.map(|trouble| (now, trouble)));
        let there = now + self.on_wire(bytes.len()) + self.half;
        let connection = self.connection;
        let request = |trouble| Cargo::Request { bytes: bytes.to_vec(), connection, trouble };
        match trouble {
            Some(Trouble::LostRequest) => return,
            Some(Trouble::HalfOpen(time)) => self.dead_until = now + time,
            Some(Trouble::NotRun(time)) => self.clock.lose(time, false),
            Some(Trouble::Asleep(time)) => self.clock.lose(time, true),
            Some(Trouble::LateRequest(time)) => return self.sends(there + time, request(None)),
            Some(Trouble::DoubledRequest(time)) => self.sends(there + time, request(None)),
            _ => {}
        }
        self.sends(there, request(trouble));
    }

    /// Everything that is there by a moment, in its order.
    fn arrive(&mut self, until: Mono) {
        loop {
            let due = (0..).zip(&self.on_the_way).filter(|(_, (at, _))| *at <= until);
            let Some(index) = due.min_by_key(|(index, (at, _))| (*at, *index)).map(|(index, _)| index) else {
                return;
            };
            let (at, cargo) = self.on_the_way.remove(index);
            let through = at >= self.dead_until;
            match cargo {
                Cargo::Request { .. } | Cargo::Answer { .. } if !through => {}
                Cargo::Request { .. } if at < self.frozen_until => self.sends(self.frozen_until, cargo),
                Cargo::Request { bytes, connection, trouble } => {
                    self.request(at, &bytes, (connection, trouble));
                }
                Cargo::Answer { bytes, connection } => {
                    // A serial line has one connection for ever.
                    if connection == self.connection || self.timing.is_some() {
                        self.inbox.extend(bytes);
                    }
                }
                Cargo::Closing { connection } => self.closed |= connection == self.connection,
            }
        }
    }

    /// The module has a request.
    fn request(&mut self, at: Mono, bytes: &[u8], (connection, trouble): (u64, Option<Trouble>)) {
        match trouble {
            Some(Trouble::Frozen(time)) => {
                self.frozen_until = at + time;
                let request = Cargo::Request { bytes: bytes.to_vec(), connection, trouble: None };
                return self.sends(self.frozen_until, request);
            }
            Some(Trouble::Restarted) => {
                self.bench.drive(at, self.safe.iter().map(|_| Some(0)));
                self.look(at);
                return self.sends(at, Cargo::Closing { connection });
            }
            Some(Trouble::SecondMaster(which)) => {
                let words = self.bench.output_words();
                let turned = (0..)
                    .zip(words)
                    .map(|(index, word)| (index == which % self.safe.len()).then_some(u16::from(word == 0)));
                self.bench.drive(at, turned);
            }
            Some(Trouble::Reset) => return self.sends(at, Cargo::Closing { connection }),
            _ => {}
        }
        let refused = if let Some(Trouble::Refused(code)) = trouble { Some(code) } else { None };
        let answer = match (refused, self.framing.content(bytes)) {
            (Some(code), Some([unit, function, ..])) => {
                Some(self.framing.framed(vec![*unit, function | 0x80, code], bytes))
            }
            _ => self.bench.served(at, self.framing, bytes),
        };
        self.look(at);
        let Some(answer) = answer.and_then(|answer| self.harmed(answer, trouble)) else { return };
        let there = at + self.half + self.on_wire(answer.len());
        let cargo = |bytes| Cargo::Answer { bytes, connection };
        if let Some(Trouble::DoubledAnswer(time)) = trouble {
            self.sends(there + time, cargo(answer.clone()));
        }
        let late = if let Some(Trouble::LateAnswer(time)) = trouble { time } else { Duration::ZERO };
        self.sends(there + late, cargo(answer));
    }

    /// An answer with what is wrong with it; `None` where it is lost.
    fn harmed(&self, mut answer: Vec<u8>, trouble: Option<Trouble>) -> Option<Vec<u8>> {
        let content = self.framing.content(&answer)?.to_vec();
        match trouble {
            Some(Trouble::LostAnswer) => return None,
            Some(Trouble::CutOff) => answer.truncate(answer.len() / 2),
            Some(Trouble::Short) if content.len() > 3 => {
                let mut content = content;
                // The last byte less, or register: with a byte count that fits, where there is one.
                content.truncate(content.len() - if content.len() > 4 { 2 } else { 1 });
                if content[1] <= 4 {
                    content[2] = u8::try_from(content.len() - 3).unwrap_or(0);
                }
                answer = self.framing.framed(content, &answer);
            }
            Some(Trouble::ForeignUnit) => {
                let mut content = content;
                content[0] ^= 0x20;
                answer = self.framing.framed(content, &answer);
            }
            Some(Trouble::ForeignTransaction) if self.framing == Framing::Tcp => answer[1] ^= 1,
            Some(Trouble::ForeignTransaction) => {
                let mut content = content;
                content[1] ^= 1;
                answer = self.framing.framed(content, &answer);
            }
            Some(Trouble::Corrupt(bit)) => {
                // Behind no CRC what the data say cannot be known to be wrong.
                let bytes = if self.framing == Framing::Tcp { 6 } else { answer.len() };
                let bit = bit % (8 * bytes);
                answer[bit / 8] ^= 1 << (bit % 8);
            }
            _ => {}
        }
        Some(answer)
    }

    /// Notes whether the outputs are safe.
    fn look(&mut self, at: Mono) {
        let safe = self.bench.output_words() == self.safe;
        if self.was_safe.last().is_none_or(|(_, was)| *was != safe) {
            self.was_safe.push((at, safe));
        }
    }
}

impl Line for VirtualLine {
    type Port = VirtualPort;

    async fn open(&self) -> io::Result<VirtualPort> {
        let mut wired = self.lock();
        let now = wired.clock.now();
        wired.arrive(now);
        wired.connection += 1;
        wired.closed = false;
        wired.inbox.clear();
        Ok(VirtualPort { line: self.clone(), connection: wired.connection })
    }

    fn timing(&self) -> Option<SerialTiming> {
        self.lock().timing
    }
}

/// The open end of a line.
#[derive(Debug)]
pub struct VirtualPort {
    line: VirtualLine,
    connection: u64,
}

impl AsyncRead for VirtualPort {
    fn poll_read(self: Pin<&mut Self>, _: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let mut wired = self.line.lock();
        let now = wired.clock.now();
        wired.arrive(now);
        if wired.connection != self.connection {
            return Poll::Ready(Ok(()));
        }
        if !wired.inbox.is_empty() {
            let count = into.remaining().min(wired.inbox.len());
            let bytes: Vec<u8> = wired.inbox.drain(..count).collect();
            into.put_slice(&bytes);
            return Poll::Ready(Ok(()));
        }
        if wired.closed {
            return Poll::Ready(Ok(()));
        }
        if let Some(next) = wired.on_the_way.iter().map(|(at, _)| *at).min() {
            wired.clock.comes_at(next);
        }
        Poll::Pending
    }
}

impl AsyncWrite for VirtualPort {
    fn poll_write(self: Pin<&mut Self>, _: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let mut wired = self.line.lock();
        let now = wired.clock.now();
        wired.arrive(now);
        if wired.closed || wired.connection != self.connection {
            return Poll::Ready(Err(io::ErrorKind::BrokenPipe.into()));
        }
        wired.asked(bytes);
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}
