//! A line to a simulated module in virtual time: carries the frames of the real master code byte for byte, with injected troubles.

mod on_line;
mod port;
mod trouble;
mod unread;

pub use on_line::{OnLine, run_and_hear, run_over};
pub use port::VirtualPort;
pub use trouble::{Planned, Trouble, When};

use std::collections::{BTreeSet, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tripbench_link::{Clock, StopLatch};
use tripbench_quantity::Mono;
use tripbench_record::Seq;
use tripbench_rig::{Guide, RigSheet, SerialTiming, VirtualModule, Wire};
use tripbench_simulator::{Framing, SimulatedBench, Truth};
use trouble::Schedule;
use unread::Unread;

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
    troubles: Schedule,
    functions: BTreeSet<u8>,
    /// Number of the request for the identification.
    identified: Option<u64>,
    /// The latch of the run.
    latch: StopLatch,
    /// Cargo in transit with its time of arrival.
    on_the_way: Vec<(Mono, Cargo)>,
    /// Nothing gets through before this time.
    dead_until: Mono,
    /// The module does nothing before this time.
    frozen_until: Mono,
    /// Number of the open connection; all earlier ones are closed.
    connection: u64,
    closed: bool,
    /// Number of attempts to connect that are still refused.
    refuses: u8,
    /// Time that the next attempt to connect takes.
    connects_slowly: Duration,
    inbox: VecDeque<u8>,
    /// Largest number of bytes that one read returns.
    most_read: usize,
    /// A run that sends a request after this time counts as hung.
    longest: Duration,
    /// Every change of the module's outputs between safe and not safe.
    was_safe: Vec<(Mono, bool)>,
    unread: Unread,
    /// True level at each request, pascal; `None` if it is not watched.
    levels: Option<Vec<(Mono, f64)>>,
}

#[derive(Debug)]
enum Cargo {
    Request { bytes: Vec<u8>, connection: u64, trouble: Option<Trouble> },
    Answer { bytes: Vec<u8>, connection: u64 },
    Closing { connection: u64 },
}

impl VirtualLine {
    /// A line to the module of a rig sheet, with troubles.
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
            troubles: Schedule::new(troubles),
            functions: BTreeSet::new(),
            identified: None,
            latch: StopLatch::armed(),
            on_the_way: Vec::new(),
            dead_until: Mono::START,
            frozen_until: Mono::START,
            connection: 0,
            closed: false,
            refuses: 0,
            connects_slowly: Duration::ZERO,
            inbox: VecDeque::new(),
            most_read: usize::MAX,
            longest: Duration::MAX,
            was_safe: vec![(Mono::START, true)],
            unread: Unread::new(rig),
            levels: None,
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

    /// Sets the largest number of bytes that one read of the port returns, as if every answer came in pieces without a delay.
    pub fn reads_at_most(&self, bytes: usize) {
        self.lock().most_read = bytes;
    }

    /// An event has been recorded: the trouble that is due then occurs.
    fn heard(&self, event: Seq) {
        let mut wired = self.lock();
        let now = wired.clock.now();
        let trouble = wired.troubles.at_event(now, event.0);
        wired.happens_to_the_computer(trouble);
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

    /// Time of the second master's last change of an output if no request has read that output since.
    pub fn unread(&self) -> Option<Mono> {
        self.lock().unread.since()
    }

    /// Keeps the true level at each request from now on.
    pub fn watches_level(&self) {
        self.lock().levels = Some(Vec::new());
    }

    /// True levels with their times, if they were watched, pascal.
    pub fn levels(&self) -> Vec<(Mono, f64)> {
        self.lock().levels.clone().unwrap_or_default()
    }

    /// Troubles that occurred, with their times.
    pub fn troubled(&self) -> Vec<(Mono, Trouble)> {
        self.lock().troubles.occurred()
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
        self.lock().troubles.requests()
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
            self.identified.get_or_insert(self.troubles.requests());
        }
        let writes = function.is_some_and(|function| WRITES.contains(&function));
        self.troubles.at_request(self.clock.now(), writes)
    }

    /// Carries out a trouble that does not concern the frame in transit.
    fn happens_to_the_computer(&mut self, trouble: Option<Trouble>) {
        match trouble {
            Some(Trouble::NotRun(time) | Trouble::SentLate(time)) => self.clock.lose(time, false),
            Some(Trouble::Asleep(time)) => self.clock.lose(time, true),
            Some(Trouble::Stopped) => self.latch.set(),
            _ => {}
        }
    }

    /// Takes a frame that the master sends now.
    fn asked(&mut self, bytes: &[u8]) {
        let trouble = self.trouble(bytes);
        if let Some(Trouble::SentLate(_)) = trouble {
            self.happens_to_the_computer(trouble);
            let now = self.clock.now();
            self.arrive(now);
        }
        let now = self.clock.now();
        assert!(now.since(Mono::START) < self.longest, "still sending requests at {now:?}");
        let there = now + self.on_wire(bytes.len()) + self.half;
        let connection = self.connection;
        let request = |trouble| Cargo::Request { bytes: bytes.to_vec(), connection, trouble };
        match trouble {
            Some(Trouble::LostRequest) => return,
            Some(Trouble::HalfOpen(time)) => self.dead_until = now + time,
            Some(Trouble::NotRun(_) | Trouble::Asleep(_) | Trouble::Stopped) => {
                self.happens_to_the_computer(trouble);
            }
            Some(Trouble::LateRequest(time)) => return self.sends(there + time, request(None)),
            Some(Trouble::DoubledRequest(time)) => self.sends(there + time, request(None)),
            Some(Trouble::RefusesConnections(count)) => self.refuses = count,
            Some(Trouble::ConnectsSlowly(time)) => self.connects_slowly = time,
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
                let which = which % self.safe.len();
                let turned =
                    (0..).zip(words).map(|(index, word)| (index == which).then_some(u16::from(word == 0)));
                self.bench.drive(at, turned);
                self.unread.changed(at, which);
            }
            Some(Trouble::Reset | Trouble::RefusesConnections(_) | Trouble::ConnectsSlowly(_)) => {
                return self.sends(at, Cargo::Closing { connection });
            }
            _ => {}
        }
        let refused = if let Some(Trouble::Refused(code)) = trouble { Some(code) } else { None };
        let answer = match (refused, self.framing.content(bytes)) {
            (Some(code), Some([unit, function, ..])) => {
                Some(self.framing.framed(vec![*unit, function | 0x80, code], bytes))
            }
            _ => self.bench.served(at, self.framing, bytes),
        };
        self.unread.handled(self.framing.content(bytes));
        self.look(at);
        let Some(answer) = answer.and_then(|answer| self.harmed(answer, trouble)) else { return };
        let there = at + self.half + self.on_wire(answer.len());
        let cargo = |bytes| Cargo::Answer { bytes, connection };
        if let Some(Trouble::DoubledAnswer(time)) = trouble {
            self.sends(there + time, cargo(answer.clone()));
        }
        let (pieces, apart) = match trouble {
            Some(Trouble::InPieces(pieces, apart)) => (usize::from(pieces).max(1), apart),
            _ => (1, Duration::ZERO),
        };
        let late = if let Some(Trouble::LateAnswer(time)) = trouble { time } else { Duration::ZERO };
        let mut there = there + late;
        for piece in answer.chunks(answer.len().div_ceil(pieces).max(1)) {
            self.sends(there, cargo(piece.to_vec()));
            there = there + apart;
        }
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

    /// Records the level, and a change of the outputs between safe and not safe.
    fn look(&mut self, at: Mono) {
        let level_pa = self.bench.level_pa();
        self.levels.iter_mut().for_each(|levels| levels.push((at, level_pa)));
        let safe = self.bench.output_words() == self.safe;
        if self.was_safe.last().is_none_or(|(_, was)| *was != safe) {
            self.was_safe.push((at, safe));
        }
    }
}
