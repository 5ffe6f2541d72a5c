//! A line to a simulated module in virtual time: carries the frames of the real master code byte for byte, with injected troubles.

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

/// A trouble on the line, in the module or in the computer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trouble {
    /// The answer is delayed by this time.
    LateAnswer(Duration),
    /// The request reaches the module, and takes effect, later by this time.
    LateRequest(Duration),
    /// The request never reaches the module.
    LostRequest,
    /// The answer never reaches the master.
    LostAnswer,
    /// The answer arrives a second time, later by this time.
    DoubledAnswer(Duration),
    /// The request reaches the module a second time, later by this time, as if a network switch or a converter repeated it.
    DoubledRequest(Duration),
    /// The answer has fewer bytes than requested, with a matching byte count.
    Short,
    /// The answer is truncated in the middle.
    CutOff,
    /// The answer carries another unit identifier.
    ForeignUnit,
    /// The answer carries another transaction identifier; on a serial line, another function code.
    ForeignTransaction,
    /// A bit of the answer is flipped: of the whole frame if it has a CRC, of the header in Modbus TCP.
    Corrupt(usize),
    /// The module answers with this exception code.
    Refused(u8),
    /// The connection is closed instead of an answer.
    Reset,
    /// Nothing gets through in either direction for this time, and neither side notices.
    HalfOpen(Duration),
    /// The module does nothing for this time, then answers every request that arrived meanwhile.
    Frozen(Duration),
    /// The module restarts: its outputs are off and its connections closed.
    Restarted,
    /// Another master inverts an output, given by its index (modulo their number) in the rig sheet.
    SecondMaster(usize),
    /// The thread of the run is not scheduled for this time.
    NotRun(Duration),
    /// The computer is suspended for this time.
    Asleep(Duration),
}

impl Trouble {
    /// Longest time for which the trouble disturbs the line, without retries.
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

/// Request at which a trouble occurs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// The request with this number, counted from 0, or a later one if an earlier trouble is still due.
    Request(u64),
    /// The write with this number, counted from 0, or a later one if an earlier trouble is still due.
    Write(u64),
    /// This number of requests after the previous trouble.
    Later(u64),
}

/// A trouble and when it occurs. Troubles occur in the order of their list.
pub type Planned = (When, Trouble);

/// Surroundings of a run over a line.
#[derive(Debug)]
pub struct OnLine {
    /// Disk, operator stop, operator answers.
    pub run: VirtualRun,
    /// Guards of the link that are active.
    pub discipline: Discipline,
    /// Guards of the line that are active.
    pub of_line: LineDiscipline,
}

impl Default for OnLine {
    fn default() -> Self {
        Self { run: VirtualRun::default(), discipline: Discipline::Kept, of_line: LineDiscipline::Kept }
    }
}

/// Runs a task over a line in virtual time, with the real master code for that wire; every event that listeners received.
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

/// A line with a simulated module at its end.
#[derive(Debug, Clone)]
pub struct VirtualLine(Arc<Mutex<Wired>>);

#[derive(Debug)]
struct Wired {
    bench: SimulatedBench,
    clock: Clock,
    framing: Framing,
    timing: Option<SerialTiming>,
    /// Half of the module's time between a request and its answer.
    half: Duration,
    /// Output words of the module at the start, which are the safe values.
    safe: Vec<u16>,
    troubles: VecDeque<Planned>,
    requests: u64,
    functions: BTreeSet<u8>,
    /// Number of the request for the identification.
    identified: Option<u64>,
    writes: u64,
    /// Number of the request at which the last trouble occurred.
    last_trouble: u64,
    troubled: Vec<(Mono, Trouble)>,
    /// Cargo in transit with its time of arrival.
    on_the_way: Vec<(Mono, Cargo)>,
    /// Nothing gets through before this time.
    dead_until: Mono,
    /// The module does nothing before this time.
    frozen_until: Mono,
    /// Number of the open connection; all earlier ones are closed.
    connection: u64,
    closed: bool,
    inbox: VecDeque<u8>,
    /// A run that sends a request after this time counts as hung.
    longest: Duration,
    /// Every change of the module's outputs between safe and not safe.
    was_safe: Vec<(Mono, bool)>,
}

#[derive(Debug)]
enum Cargo {
    Request { bytes: Vec<u8>, connection: u64, trouble: Option<Trouble> },
    Answer { bytes: Vec<u8>, connection: u64 },
    Closing { connection: u64 },
}

impl VirtualLine {
    /// A line to the module of a rig sheet; the troubles occur in their order.
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
            identified: None,
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

    /// Passes guidance to the simulated person who moves the air by hand.
    pub fn guided(&self, at: Mono, guide: Guide) {
        self.lock().bench.guided(at, guide);
    }

    /// Sets the longest duration of a run: a later request panics.
    pub fn hangs_after(&self, time: Duration) {
        self.lock().longest = time;
    }

    /// Lets everything arrive that is due within this time from now.
    pub fn drain(&self, time: Duration) {
        let mut wired = self.lock();
        let until = wired.clock.now() + time;
        wired.arrive(until);
    }

    /// Every change of the module's outputs between safe and not safe, with its time; the first entry is the start.
    pub fn was_safe(&self) -> Vec<(Mono, bool)> {
        self.lock().was_safe.clone()
    }

    /// Troubles that occurred, with their times.
    pub fn troubled(&self) -> Vec<(Mono, Trouble)> {
        self.lock().troubled.clone()
    }

    /// Modbus function codes that the master has requested, each once, in ascending order.
    pub fn functions(&self) -> Vec<u8> {
        self.lock().functions.iter().copied().collect()
    }

    /// Number of the first request for the module's identification, counted from 0; `None` without one.
    pub fn identified_at(&self) -> Option<u64> {
        self.lock().identified
    }

    /// Output words of the module now, in the order of the rig sheet.
    pub fn outputs(&self) -> Vec<u16> {
        self.lock().bench.output_words()
    }

    /// Number of requests that the master has sent.
    pub fn requests(&self) -> u64 {
        self.lock().requests
    }

    fn lock(&self) -> MutexGuard<'_, Wired> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Wired {
    /// Transmission time of `length` bytes; zero without serial timing.
    fn on_wire(&self, length: usize) -> Duration {
        self.timing.map_or(Duration::ZERO, |timing| timing.characters(length))
    }

    fn sends(&mut self, at: Mono, cargo: Cargo) {
        self.on_the_way.push((at, cargo));
    }

    /// Counts a request and takes the trouble that is due at it, if any.
    fn trouble(&mut self, bytes: &[u8]) -> Option<Trouble> {
        const WRITES: [u8; 4] = [0x05, 0x06, 0x0F, 0x10];
        let function = self.framing.content(bytes).and_then(|content| content.get(1).copied());
        self.functions.extend(function);
        if function == Some(0x2B) {
            self.identified.get_or_insert(self.requests);
        }
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

    /// Takes a frame that the master sends now.
    fn asked(&mut self, bytes: &[u8]) {
        let trouble = self.trouble(bytes);
        let now = self.clock.now();
        assert!(now.since(Mono::START) < self.longest, "still sending requests at {now:?}");
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

    /// Delivers everything that arrives up to a time, in the order of arrival.
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
                    // A serial line has only one connection.
                    if connection == self.connection || self.timing.is_some() {
                        self.inbox.extend(bytes);
                    }
                }
                Cargo::Closing { connection } => self.closed |= connection == self.connection,
            }
        }
    }

    /// Handles a request that has reached the module.
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

    /// The answer after a trouble; `None` if it is lost.
    fn harmed(&self, mut answer: Vec<u8>, trouble: Option<Trouble>) -> Option<Vec<u8>> {
        let content = self.framing.content(&answer)?.to_vec();
        match trouble {
            Some(Trouble::LostAnswer) => return None,
            Some(Trouble::CutOff) => answer.truncate(answer.len() / 2),
            Some(Trouble::Short) if content.len() > 3 => {
                let mut content = content;
                // Drop the last register, or the last byte of a short answer, and adapt the byte count if there is one.
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
                // Without a CRC wrong data cannot be detected: corrupt only the header.
                let bytes = if self.framing == Framing::Tcp { 6 } else { answer.len() };
                let bit = bit % (8 * bytes);
                answer[bit / 8] ^= 1 << (bit % 8);
            }
            _ => {}
        }
        Some(answer)
    }

    /// Records a change of the outputs between safe and not safe.
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

/// An open connection to the line.
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
