//! Modbus RTU master: one request at a time, matched to its own answer, with the silences between frames, reopening a lost port.
//!
//! The line is *suspect* from before a request is sent until its valid answer has arrived, so that a dropped future leaves it suspect too.
//! While the line is suspect, nothing is sent until it has been silent for as long as the slowest answer takes. Draining the received bytes
//! is not enough: a late answer to one request looks exactly like the answer to the next.
//!
//! T1.5 is kept when sending, by writing each frame at once. It is not checked when receiving: driver and scheduler deliver bytes at
//! arbitrary times, so a gap seen here says nothing about the wire. Instead length, unit, function, byte count and CRC must be right.

use crate::clock::Clock;
use crate::device::OtherDevice;
use crate::frame::{Found, Heard, LONGEST_FRAME, encode};
use crate::identity::{self, Identified};
use crate::line::Line;
use crate::pause::{pause_until, wake_precisely};
use crate::transport::{Transport, late};
use std::future::{Future, poll_fn};
use std::pin::pin;
use std::task::Poll;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tripbench_quantity::{Mono, Span};
use tripbench_rig::{Doubt, IdentityObject, LinkSheet, Query, Request, Response, SerialTiming};

/// Largest number of stray bytes after an answer that count as noise; more may be a second answer.
const STRAY_BYTES: usize = 2;

/// Pause between two reads of discarded bytes.
const BETWEEN_STRAYS: Duration = Duration::from_millis(1);

/// The guards that the master keeps: all of them, except in a test that shows why one matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineDiscipline {
    /// Every guard.
    Kept,
    /// The next request goes out at once, whatever happened to the previous one.
    NeverSuspect,
    /// The first bytes of the right length are taken as the answer.
    AnyBytes,
    /// A lost port is not reopened.
    OpenedOnce,
    /// A serial port is reopened whatever device has its path now.
    AnyDevice,
}

/// Times kept by the master.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RtuTimes {
    /// Longest time that an answer may take, without wire time.
    pub answer_timeout: Duration,
    /// Longest time after which a request can still be answered.
    pub slowest_answer: Duration,
    /// Shortest silence between frames, if longer than T3.5.
    pub minimum_gap: Duration,
}

impl RtuTimes {
    /// The times of a rig sheet.
    pub fn of(link: &LinkSheet) -> Self {
        Self {
            answer_timeout: link.answer_timeout.duration(),
            slowest_answer: link.slowest_answer.duration(),
            minimum_gap: link.minimum_gap.duration(),
        }
    }
}

/// A master on a line.
#[derive(Debug)]
pub struct RtuTransport<L: Line> {
    line: L,
    times: RtuTimes,
    discipline: LineDiscipline,
    port: Option<L::Port>,
    opened: bool,
    suspect: bool,
    /// Time at which bytes were last sent or received.
    active: Mono,
}

impl<L: Line> RtuTransport<L> {
    /// A master on a line. Opens and sends nothing yet. Earlier traffic is unknown, so the line is suspect.
    pub const fn new(line: L, times: RtuTimes) -> Self {
        let discipline = LineDiscipline::Kept;
        Self { line, times, discipline, port: None, opened: false, suspect: true, active: Mono::START }
    }

    /// The line.
    pub(crate) const fn line(&self) -> &L {
        &self.line
    }

    /// Replaces the discipline, for a test that shows why a guard matters.
    #[must_use]
    pub fn with_discipline(self, discipline: LineDiscipline) -> Self {
        Self { discipline, ..self }
    }

    /// Replaces the line.
    #[must_use]
    pub(crate) fn with_line(self, replaced: impl FnOnce(L) -> L) -> Self {
        Self { line: replaced(self.line), ..self }
    }

    /// A master on the same line that has opened and sent nothing yet.
    #[must_use]
    pub(crate) fn again(&self) -> Self
    where
        L: Clone,
    {
        Self::new(self.line.clone(), self.times).with_discipline(self.discipline)
    }

    /// Waits for the silence required before a request and discards bytes that arrive meanwhile.
    async fn quiet(&mut self, clock: &Clock) -> Result<(), Doubt> {
        let between = self.line.timing().map_or(Duration::ZERO, SerialTiming::between_frames);
        let gap = between.max(self.times.minimum_gap);
        // A line that never falls silent is a doubt after this time.
        let longest = clock.now() + 3 * self.times.slowest_answer.max(gap);
        loop {
            if clock.now() > longest {
                return Err(Doubt::Foreign);
            }
            let suspect = self.suspect && self.discipline != LineDiscipline::NeverSuspect;
            let until = self.active + if suspect { self.times.slowest_answer } else { gap };
            let strays = self.strays_until(until, clock).await?;
            if strays == 0 {
                return Ok(());
            }
            self.active = clock.now();
            self.suspect |= strays > STRAY_BYTES;
        }
    }

    /// Waits until `until` and discards the bytes that have arrived. Returns their number, at most 512.
    async fn strays_until(&mut self, until: Mono, clock: &Clock) -> Result<usize, Doubt> {
        pause_until(until, clock).await;
        let mut bytes = [0; 512];
        let Some(port) = self.port.as_mut() else { return Err(Doubt::Lost) };
        match at_once(port.read(&mut bytes), clock).await {
            None => Ok(0),
            Some(Ok(count)) if count > 0 => Ok(count),
            Some(_) => {
                self.port = None;
                Err(Doubt::Lost)
            }
        }
    }

    async fn opened(&mut self, clock: &Clock) -> Result<(), Doubt> {
        if self.port.is_some() {
            return Ok(());
        }
        if self.opened && self.discipline == LineDiscipline::OpenedOnce {
            return Err(Doubt::Lost);
        }
        let opened = self.line.open().await;
        if let Err(error) = &opened {
            tracing::debug!(%error, "the line cannot be opened");
        }
        self.port = Some(opened.map_err(|error| not_opened(&error))?);
        self.opened = true;
        wake_precisely(clock);
        // Another master may have sent a request just before.
        self.suspect = true;
        self.active = clock.now();
        Ok(())
    }

    async fn send(&mut self, bytes: &[u8]) -> Result<(), Doubt> {
        let Some(port) = self.port.as_mut() else { return Err(Doubt::Lost) };
        // Not flushed, because that blocks a serial port until the last bit is sent. The time on the wire is computed instead.
        if port.write_all(bytes).await.is_ok() {
            return Ok(());
        }
        self.port = None;
        Err(Doubt::Lost)
    }

    /// Reads the next bytes, at least one; `None` if none arrive before `until`.
    async fn bytes(&mut self, into: &mut [u8], until: Mono, clock: &Clock) -> Result<Option<usize>, Doubt> {
        let Some(port) = self.port.as_mut() else { return Err(Doubt::Lost) };
        match clock.within(until, port.read(into)).await {
            None => Ok(None),
            Some(Ok(count)) if count > 0 => {
                self.active = clock.now();
                Ok(Some(count))
            }
            Some(_) => {
                self.port = None;
                Err(Doubt::Lost)
            }
        }
    }

    /// Collects bytes until they contain the reply, at most until `until`, whatever arrives. Without a reply, returns the doubt only
    /// then.
    async fn receive(&mut self, query: &Query, until: Mono, clock: &Clock) -> Result<(Found, Mono), Doubt> {
        let mut heard = Heard::since(query);
        let mut chunk = [0; 512];
        // The clock decides, because a port that always has bytes ready would never let a timeout fire.
        while clock.now() < until {
            let room = heard.room().min(chunk.len());
            let into = if room == 0 { &mut chunk[..] } else { &mut chunk[..room] };
            let Some(count) = self.bytes(into, until, clock).await? else { break };
            if room == 0 {
                // The reply can no longer come. Discard the bytes, and let other tasks of this thread run.
                clock.sleep(BETWEEN_STRAYS).await;
            } else if let Some(found) = self.found(&mut heard, query, &chunk[..count]) {
                return Ok((found, self.active));
            }
        }
        Err(heard.doubt().unwrap_or_else(|| late(until, clock.now())))
    }

    /// Collects bytes until they are an answer to Read Device Identification, at most until `until`.
    async fn receive_identity(
        &mut self,
        unit: u8,
        until: Mono,
        clock: &Clock,
    ) -> Result<Vec<IdentityObject>, Doubt> {
        let (mut heard, mut chunk) = (Vec::new(), [0; LONGEST_FRAME]);
        while clock.now() < until && heard.len() <= LONGEST_FRAME {
            let Some(count) = self.bytes(&mut chunk, until, clock).await? else { break };
            heard.extend(&chunk[..count]);
            match identity::look(unit, &heard) {
                Identified::Objects(objects, rest) => {
                    self.suspect = rest > STRAY_BYTES;
                    return Ok(objects);
                }
                Identified::Refusal(code, rest) => {
                    self.suspect = rest > STRAY_BYTES;
                    return Err(Doubt::Refused(code));
                }
                Identified::No => return Err(Doubt::Corrupt),
                Identified::TooShort => {}
            }
        }
        Err(if heard.is_empty() { late(until, clock.now()) } else { Doubt::Short })
    }

    /// Drops a connection to a converter, because a request may still be stuck in it. A serial port stays open: on a wire, silence is
    /// enough.
    fn doubted(&mut self) {
        if self.line.timing().is_none() && self.discipline != LineDiscipline::NeverSuspect {
            self.port = None;
        }
    }

    fn found(&self, heard: &mut Heard<'_>, query: &Query, bytes: &[u8]) -> Option<Found> {
        let found = heard.hear(bytes);
        let (_, length) = query.request.rtu_lengths();
        if self.discipline == LineDiscipline::AnyBytes && heard.bytes().len() >= length {
            return Some(Found::Answer(unproven(query, heard.bytes()), 0));
        }
        found
    }
}

/// The doubt for a line that cannot be opened.
fn not_opened(error: &std::io::Error) -> Doubt {
    match error.get_ref() {
        Some(cause) if cause.is::<OtherDevice>() => Doubt::OtherDevice,
        Some(_) | None => Doubt::Lost,
    }
}

/// The output of a future if it is ready now, after the runtime has polled its ports. A timer of zero would wait for its next tick, which
/// costs 1 ms per transaction.
async fn at_once<T>(future: impl Future<Output = T>, clock: &Clock) -> Option<T> {
    clock.turn().await;
    let mut future = pin!(future);
    poll_fn(|context| match future.as_mut().poll(context) {
        Poll::Ready(value) => Poll::Ready(Some(value)),
        Poll::Pending => Poll::Ready(None),
    })
    .await
}

/// The response in unchecked bytes, for a test that shows why the checks matter.
fn unproven(query: &Query, bytes: &[u8]) -> Response {
    let (_, length) = query.request.rtu_lengths();
    let data = bytes.get(3..length - 2).unwrap_or_default();
    match &query.request {
        Request::Read { area, count, .. } if area.is_bits() => {
            let bit =
                |bit: usize| u16::from(data.get(bit / 8).is_some_and(|byte| byte >> (bit % 8) & 1 == 1));
            Response::Values((0..usize::from(*count)).map(bit).collect())
        }
        Request::Read { .. } => Response::Values(
            data.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect(),
        ),
        Request::WriteCoils { .. }
        | Request::WriteRegisters { .. }
        | Request::WriteCoil { .. }
        | Request::WriteRegister { .. } => Response::Written,
    }
}

impl<L: Line> Transport for RtuTransport<L> {
    async fn transact(&mut self, query: &Query, clock: &Clock) -> Result<(Response, Span), Doubt> {
        self.opened(clock).await?;
        let quiet = self.quiet(clock).await;
        let write = query.request.is_write();
        // On a line that never falls silent, stray bytes could be taken for the answer to a read. A write is sent all the same: trying to
        // make the outputs safe is better than waiting, and no write counts until it is read back.
        if quiet != Err(Doubt::Foreign) || !write {
            quiet?;
        }
        let frame = encode(query);
        let timing = self.line.timing();
        let on_wire = |length: usize| timing.map_or(Duration::ZERO, |timing| timing.characters(length));
        let (asked, answered) = query.request.rtu_lengths();
        self.suspect = true;
        let before = clock.now();
        let out = before + on_wire(asked);
        self.active = out;
        self.send(&frame).await?;
        let silence = timing.map_or(Duration::ZERO, SerialTiming::between_frames);
        let until = out + silence + self.times.answer_timeout + on_wire(answered);
        match self.receive(query, until, clock).await {
            Ok((Found::Answer(response, rest), after)) => {
                self.suspect = rest > STRAY_BYTES;
                Ok((response, looked(Span { before, after }, on_wire(asked), on_wire(answered))))
            }
            Ok((Found::Refusal(code, rest), _)) => {
                self.suspect = rest > STRAY_BYTES;
                Err(Doubt::Refused(code))
            }
            Err(doubt) => {
                self.doubted();
                Err(doubt)
            }
        }
    }

    async fn identify(&mut self, unit: u8, clock: &Clock) -> Result<Vec<IdentityObject>, Doubt> {
        self.opened(clock).await?;
        self.quiet(clock).await?;
        let frame = identity::encode(unit);
        let timing = self.line.timing();
        let on_wire = |length: usize| timing.map_or(Duration::ZERO, |timing| timing.characters(length));
        self.suspect = true;
        let out = clock.now() + on_wire(frame.len());
        self.active = out;
        self.send(&frame).await?;
        let silence = timing.map_or(Duration::ZERO, SerialTiming::between_frames);
        let until = out + silence + self.times.answer_timeout + on_wire(LONGEST_FRAME);
        let said = self.receive_identity(unit, until, clock).await;
        if !matches!(said, Ok(_) | Err(Doubt::Refused(_))) {
            self.doubted();
        }
        said
    }
}

/// The span in which the module sampled its values: after the request was sent and before its answer began. If the transaction took less
/// time than both frames take on the wire, this is no real line and the span is unchanged.
fn looked(span: Span, asked: Duration, answered: Duration) -> Span {
    let whole = span.after.since(span.before);
    if whole < asked + answered {
        return span;
    }
    Span { before: span.before + asked, after: span.after - answered }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::sealed;
    use rstest::rstest;
    use std::io;
    use std::pin::Pin;
    use std::task::{Context, ready};
    use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
    use tokio::time::{Sleep, sleep};
    use tripbench_rig::{Area, LONGEST_GAP};

    const TIMES: RtuTimes = RtuTimes {
        answer_timeout: Duration::from_millis(100),
        slowest_answer: Duration::from_millis(20),
        minimum_gap: Duration::ZERO,
    };

    /// A peer that sends without being asked: repeats its bytes, some at a time, continuously or with pauses.
    #[derive(Debug, Clone)]
    struct Babble {
        bytes: Vec<u8>,
        piece: usize,
        every: Duration,
    }

    #[derive(Debug)]
    struct BabblePort {
        babble: Babble,
        at: usize,
        pause: Pin<Box<Sleep>>,
    }

    impl Line for Babble {
        type Port = BabblePort;

        async fn open(&self) -> io::Result<BabblePort> {
            Ok(BabblePort { babble: self.clone(), at: 0, pause: Box::pin(sleep(self.every)) })
        }

        fn timing(&self) -> Option<SerialTiming> {
            None
        }
    }

    impl AsyncRead for BabblePort {
        fn poll_read(
            mut self: Pin<&mut Self>,
            context: &mut Context<'_>,
            into: &mut ReadBuf<'_>,
        ) -> Poll<io::Result<()>> {
            if !self.babble.every.is_zero() {
                ready!(self.pause.as_mut().poll(context));
                self.pause = Box::pin(sleep(self.babble.every));
            }
            for _ in 0..self.babble.piece.min(into.remaining()) {
                into.put_slice(&[self.babble.bytes[self.at % self.babble.bytes.len()]]);
                self.at += 1;
            }
            Poll::Ready(Ok(()))
        }
    }

    impl AsyncWrite for BabblePort {
        fn poll_write(self: Pin<&mut Self>, _: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
            Poll::Ready(Ok(bytes.len()))
        }

        fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
            Poll::Ready(Ok(()))
        }

        fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
            Poll::Ready(Ok(()))
        }
    }

    fn noise() -> Vec<u8> {
        let mut state = 1_u32;
        let next = std::iter::repeat_with(|| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            state.to_be_bytes()[0]
        });
        next.take(4_096).collect()
    }

    /// Measures the longest gap between two turns of another task on the thread.
    async fn longest_gap(clock: &Clock, most: &mut Duration) {
        loop {
            let before = clock.now();
            sleep(Duration::from_millis(5)).await;
            *most = clock.now().since(before).max(*most);
        }
    }

    /// A write is sent although the line is never silent, and fails at its timeout; other tasks of the thread run all the time.
    #[rstest]
    fn a_peer_that_babbles_is_doubted_in_time_and_holds_nobody_else(
        #[values(
            noise(),
            sealed(vec![0x12, 0x04, 2, 0, 9]),
            vec![0x11, 0x10, 0, 1],
            vec![0x11, 0x90],
            vec![0x11]
        )]
        bytes: Vec<u8>,
        #[values((0, 1), (0, 512), (100, 1), (1_000, 64), (20_000, 200))] pace: (u64, usize),
    ) {
        let babble = Babble { bytes, piece: pace.1, every: Duration::from_micros(pace.0) };
        let request = Request::WriteRegisters { start: 1, values: vec![9; 100] };
        let query = Query { unit: 0x11, request };
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let (clock, mut gap) = (Clock::start(), Duration::ZERO);
        let mut wire = RtuTransport::new(babble, TIMES);
        let answer = runtime.block_on(async {
            tokio::select! {
                answer = wire.transact(&query, &clock) => answer,
                () = longest_gap(&clock, &mut gap) => unreachable!(),
            }
        });
        let took = clock.now().since(Mono::START);
        assert!(matches!(answer, Err(Doubt::Corrupt | Doubt::Foreign | Doubt::Short)), "{answer:?}");
        let most = 4 * TIMES.slowest_answer + TIMES.answer_timeout + LONGEST_GAP;
        assert!(took < most && gap < LONGEST_GAP, "{took:?}, no other task ran for {gap:?}");
    }

    /// The reply is found after at most 256 stray bytes, and not after more.
    #[rstest]
    fn what_a_babbling_peer_answers_is_found_among_so_many_strays(
        #[values(0, 1, 100, 255, 256, 257, 300, 5_000)] strays: usize,
    ) {
        let answer = sealed(vec![0x11, 0x04, 2, 0, 9]);
        let bytes = [vec![0x55; strays], answer, vec![0x55; 10_000]].concat();
        let request = Request::Read { area: Area::InputRegister, start: 0, count: 1 };
        let query = Query { unit: 0x11, request };
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let clock = Clock::start();
        let mut wire = RtuTransport::new(Babble { bytes, piece: 64, every: Duration::ZERO }, TIMES);
        let found = runtime.block_on(async {
            wire.opened(&clock).await.expect("an open line");
            let until = clock.now() + TIMES.answer_timeout;
            wire.receive(&query, until, &clock).await.map(|(found, _)| found)
        });
        if strays <= 256 {
            assert!(matches!(found, Ok(Found::Answer(..))), "{found:?}");
        } else {
            assert_eq!(found, Err(Doubt::Corrupt));
        }
    }
}
