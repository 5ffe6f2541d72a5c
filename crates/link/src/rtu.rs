//! Modbus RTU as master: one request at a time, its answer and no other's, silences kept, a lost port opened again.
//!
//! The line is *suspect* from before a request is sent until its clean answer is in, so that a dropped future leaves it
//! suspect too. While it is suspect nothing is sent until it was silent for longer than the slowest answer takes: draining
//! what has come so far is not enough, for a late answer to one request looks just like the answer to the next.
//!
//! T1.5 is kept in what is sent, by writing each frame at once. It is not asked of what is received: between the wire and
//! this program a driver and a scheduler hand over bytes as they like, so a gap here says nothing of the wire; length, unit,
//! function, byte count and CRC have to be right instead.

use crate::clock::Clock;
use crate::frame::{Found, encode, find};
use crate::line::Line;
use crate::pause::{pause_until, wake_precisely};
use crate::transport::Transport;
use std::future::{Future, poll_fn};
use std::pin::pin;
use std::task::Poll;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::timeout;
use tripbench_quantity::{Mono, Span};
use tripbench_rig::{Doubt, LinkSheet, Query, Request, Response, SerialTiming};

/// Stray bytes after an answer that are taken for noise of the line; more may be a second answer.
const STRAY_BYTES: usize = 2;

/// Which guards the master keeps. All of them, but in a test that shows what a guard is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineDiscipline {
    /// Every guard.
    Kept,
    /// The next request goes out at once, whatever became of the last.
    NeverSuspect,
    /// The first bytes of the right number are the answer.
    AnyBytes,
    /// A port that was lost stays lost.
    OpenedOnce,
}

/// Times that the master keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RtuTimes {
    /// Longest time that an answer may take, wire time not counted.
    pub answer_timeout: Duration,
    /// Longest time after which something that was sent can still be answered.
    pub slowest_answer: Duration,
    /// Shortest silence after an answer, where that is longer than T3.5.
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
    /// When something was last sent or received.
    active: Mono,
}

impl<L: Line> RtuTransport<L> {
    /// A master on a line; nothing is opened or sent yet. What was sent before is not known: the line is suspect.
    pub const fn new(line: L, times: RtuTimes) -> Self {
        let discipline = LineDiscipline::Kept;
        Self { line, times, discipline, port: None, opened: false, suspect: true, active: Mono::START }
    }

    /// The same master without a guard, for a test that shows what the guard is for.
    #[must_use]
    pub fn with_discipline(self, discipline: LineDiscipline) -> Self {
        Self { discipline, ..self }
    }

    /// Waits for the silence that has to be there before a request, and throws away what comes in it.
    async fn quiet(&mut self, clock: &Clock) -> Result<(), Doubt> {
        let between = self.line.timing().map_or(Duration::ZERO, SerialTiming::between_frames);
        let gap = between.max(self.times.minimum_gap);
        // A line that is never silent is told of, not waited for.
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

    /// Bytes that come before a moment.
    async fn strays_until(&mut self, until: Mono, clock: &Clock) -> Result<usize, Doubt> {
        pause_until(until, clock).await;
        let mut bytes = [0; 512];
        let Some(port) = self.port.as_mut() else { return Err(Doubt::Lost) };
        match at_once(port.read(&mut bytes)).await {
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
            tracing::debug!(%error, "the line can not be opened");
        }
        self.port = Some(opened.map_err(|_| Doubt::Lost)?);
        self.opened = true;
        wake_precisely();
        // Somebody may have asked something just before.
        self.suspect = true;
        self.active = clock.now();
        Ok(())
    }

    async fn send(&mut self, bytes: &[u8]) -> Result<(), Doubt> {
        let Some(port) = self.port.as_mut() else { return Err(Doubt::Lost) };
        // Never flushed: on a serial port that blocks until the last bit is out. Its time on the wire is computed instead.
        if port.write_all(bytes).await.is_ok() {
            return Ok(());
        }
        self.port = None;
        Err(Doubt::Lost)
    }

    /// Collects bytes until the answer is among them.
    async fn receive(&mut self, query: &Query, until: Mono, clock: &Clock) -> Result<(Found, Mono), Doubt> {
        let mut bytes = Vec::with_capacity(64);
        let mut found = Found::NotYet(Doubt::Late);
        let (_, length) = query.request.rtu_lengths();
        loop {
            let Some(port) = self.port.as_mut() else { return Err(Doubt::Lost) };
            match timeout(clock.until(until), port.read_buf(&mut bytes)).await {
                Err(_late) => return Ok((found, clock.now())),
                Ok(Ok(count)) if count > 0 => {
                    self.active = clock.now();
                    found = if self.discipline == LineDiscipline::AnyBytes && bytes.len() >= length {
                        Found::Answer(unproven(query, &bytes), 0)
                    } else {
                        find(query, &bytes)
                    };
                    if !matches!(found, Found::NotYet(_)) {
                        return Ok((found, self.active));
                    }
                }
                Ok(_) => {
                    self.port = None;
                    return Err(Doubt::Lost);
                }
            }
        }
    }
}

/// What a future gives without waiting for it. The runtime looks at its ports first; a timer of no time at all would wait for
/// its next tick, a millisecond of every transaction.
async fn at_once<T>(future: impl Future<Output = T>) -> Option<T> {
    tokio::task::yield_now().await;
    let mut future = pin!(future);
    poll_fn(|context| match future.as_mut().poll(context) {
        Poll::Ready(value) => Poll::Ready(Some(value)),
        Poll::Pending => Poll::Ready(None),
    })
    .await
}

/// What the bytes would say if nobody checked them: for a test of what the checks are for.
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
        Request::WriteCoils { .. } | Request::WriteRegisters { .. } => Response::Written,
    }
}

impl<L: Line> Transport for RtuTransport<L> {
    async fn transact(&mut self, query: &Query, clock: &Clock) -> Result<(Response, Span), Doubt> {
        self.opened(clock).await?;
        let quiet = self.quiet(clock).await;
        let write = !matches!(query.request, Request::Read { .. });
        // On a line that is never silent a read could be answered by anything. A write is sent all the same: safe tried is
        // better than safe waited for, and no write is believed before it was read back.
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
        let (found, after) = self.receive(query, until, clock).await?;
        match found {
            Found::Answer(response, rest) => {
                self.suspect = rest > STRAY_BYTES;
                Ok((response, looked(Span { before, after }, on_wire(asked), on_wire(answered))))
            }
            Found::Refusal(code, rest) => {
                self.suspect = rest > STRAY_BYTES;
                Err(Doubt::Refused(code))
            }
            Found::NotYet(doubt) => {
                // Behind a converter what was asked may hang in the connection: the next request gets a fresh one. A serial
                // port stays open, for on a wire there is nothing to leave behind but time.
                if timing.is_none() && self.discipline != LineDiscipline::NeverSuspect {
                    self.port = None;
                }
                Err(doubt)
            }
        }
    }
}

/// When the module can have looked: not before the request was out, not after its answer began. Where both took less time
/// than the wire takes, it is no real line and nothing is taken off.
fn looked(span: Span, asked: Duration, answered: Duration) -> Span {
    let whole = span.after.since(span.before);
    if whole < asked + answered {
        return span;
    }
    Span { before: span.before + asked, after: span.after - answered }
}
