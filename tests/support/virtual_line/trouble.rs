//! Troubles of a line, a module and a computer, and when they occur.

use std::time::Duration;
use tripbench_quantity::Mono;

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
    /// The answer arrives in this many pieces, each later than the one before it by this time.
    InPieces(u8, Duration),
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
    /// The connection is closed instead of an answer, and this many attempts to connect are refused.
    RefusesConnections(u8),
    /// The connection is closed instead of an answer, and the next one takes this time to be opened.
    ConnectsSlowly(Duration),
    /// Nothing gets through in either direction for this time, and neither side notices.
    HalfOpen(Duration),
    /// The module does nothing for this time, then answers every request that arrived meanwhile.
    Frozen(Duration),
    /// The module restarts: its outputs are off and its connections closed.
    Restarted,
    /// Another master inverts an output, given by its index (modulo their number) in the rig sheet.
    SecondMaster(usize),
    /// The thread of the run is not scheduled for this time while it waits for the answer.
    NotRun(Duration),
    /// The thread of the run is not scheduled for this time just before it sends the request.
    SentLate(Duration),
    /// The computer is suspended for this time.
    Asleep(Duration),
    /// The stop latch is set.
    Stopped,
}

impl Trouble {
    /// Longest time for which the trouble disturbs the line, without retries.
    pub const fn lasts(self) -> Duration {
        match self {
            Self::LateAnswer(time)
            | Self::LateRequest(time)
            | Self::DoubledAnswer(time)
            | Self::DoubledRequest(time)
            | Self::ConnectsSlowly(time)
            | Self::HalfOpen(time)
            | Self::Frozen(time)
            | Self::NotRun(time)
            | Self::SentLate(time)
            | Self::Asleep(time) => time,
            Self::InPieces(pieces, time) => time.saturating_mul(pieces as u32),
            // 50 ms pass between two attempts.
            Self::RefusesConnections(count) => Duration::from_millis(100 * count as u64),
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
            | Self::SecondMaster(_)
            | Self::Stopped => Duration::ZERO,
        }
    }
}

/// When a trouble occurs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// At the request with this number, counted from 0, or a later one if another trouble occurs at it.
    Request(u64),
    /// At the write with this number, counted from 0, or a later one if another trouble occurs at it.
    Write(u64),
    /// This number of requests after the trouble before it in the list has occurred.
    Later(u64),
    /// Between two requests: when the event with this number has been recorded. Only for troubles of the computer and stops.
    Event(u64),
}

/// A trouble and when it occurs.
pub type Planned = (When, Trouble);

/// Troubles that are to come and those that have occurred. One that never comes delays only those that come [`When::Later`].
#[derive(Debug)]
pub(super) struct Schedule {
    /// Each trouble with the number of the request at which it occurred.
    troubles: Vec<(Planned, Option<u64>)>,
    requests: u64,
    writes: u64,
    /// Those that have occurred, with their times.
    occurred: Vec<(Mono, Trouble)>,
}

impl Schedule {
    pub(super) fn new(troubles: Vec<Planned>) -> Self {
        let troubles = troubles.into_iter().map(|planned| (planned, None)).collect();
        Self { troubles, requests: 0, writes: 0, occurred: Vec::new() }
    }

    pub(super) fn occurred(&self) -> Vec<(Mono, Trouble)> {
        self.occurred.clone()
    }

    pub(super) const fn requests(&self) -> u64 {
        self.requests
    }

    /// Counts a request and takes the trouble that is due at it, if any.
    pub(super) fn at_request(&mut self, now: Mono, writes: bool) -> Option<Trouble> {
        let (request, write) = (self.requests, self.writes);
        self.requests += 1;
        self.writes += u64::from(writes);
        self.take(now, |when, before| match when {
            When::Request(number) => number <= request,
            When::Write(number) => writes && number <= write,
            When::Later(after) => before.is_some_and(|before| before + after <= request),
            When::Event(_) => false,
        })
    }

    /// Takes the trouble that is due when an event has been recorded, if any.
    pub(super) fn at_event(&mut self, now: Mono, event: u64) -> Option<Trouble> {
        self.take(now, |when, _| matches!(when, When::Event(number) if number <= event))
    }

    /// Takes the first trouble that has not occurred and is due, given when it occurs and the request at which the one before it did.
    fn take(&mut self, now: Mono, is_due: impl Fn(When, Option<u64>) -> bool) -> Option<Trouble> {
        let mut before = None;
        for ((when, trouble), at) in &mut self.troubles {
            if at.is_none() && is_due(*when, before) {
                *at = Some(self.requests.saturating_sub(1));
                self.occurred.push((now, *trouble));
                return Some(*trouble);
            }
            before = *at;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trouble_at_a_write_that_never_comes_does_not_delay_those_behind_it() {
        let troubles = vec![
            (When::Write(5), Trouble::Reset),
            (When::Later(1), Trouble::CutOff),
            (When::Request(3), Trouble::Short),
            (When::Later(2), Trouble::Restarted),
        ];
        let mut schedule = Schedule::new(troubles);
        let all: Vec<_> = (0..8).map(|_| schedule.at_request(Mono::START, false)).collect();
        let mut expected = [None; 8];
        (expected[3], expected[5]) = (Some(Trouble::Short), Some(Trouble::Restarted));
        assert_eq!(all, expected);
    }
}
