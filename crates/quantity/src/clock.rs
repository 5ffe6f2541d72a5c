//! Time on the clock of a run: whole nanoseconds since its start. No clock is read here.

use crate::TimeSpan;
use serde::{Deserialize, Serialize};
use std::ops::{Add, Sub};
use std::time::Duration;

/// A point in time on the clock of a run: nanoseconds since its start. The clock also runs while the machine sleeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Mono(u64);

impl Mono {
    /// The start of the run.
    pub const START: Self = Self(0);

    /// The point this many nanoseconds after the start.
    pub const fn from_nanos(nanos: u64) -> Self {
        Self(nanos)
    }

    /// Nanoseconds since the start.
    pub const fn nanos(self) -> u64 {
        self.0
    }

    /// Seconds since the start.
    #[expect(clippy::cast_precision_loss, reason = "2^53 ns are 104 days; a run lasts minutes")]
    pub fn seconds(self) -> f64 {
        self.0 as f64 * 1e-9
    }

    /// Time from `earlier` to this point; zero if `earlier` is later.
    pub fn since(self, earlier: Self) -> Duration {
        Duration::from_nanos(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Duration> for Mono {
    type Output = Self;
    fn add(self, duration: Duration) -> Self {
        Self(self.0.saturating_add(u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX)))
    }
}

impl Sub<Duration> for Mono {
    type Output = Self;
    fn sub(self, duration: Duration) -> Self {
        Self(self.0.saturating_sub(u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX)))
    }
}

/// The interval in which something happened, such as one request with its answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
pub struct Span {
    /// Time before the request was sent.
    pub before: Mono,
    /// Time after the answer was received.
    pub after: Mono,
}

impl Span {
    /// Middle of the span, in seconds since the start.
    pub fn middle_seconds(self) -> f64 {
        f64::midpoint(self.before.seconds(), self.after.seconds())
    }

    /// Length of the span.
    pub fn length(self) -> Duration {
        self.after.since(self.before)
    }
}

impl TimeSpan {
    /// The time as a [`Duration`]: zero if negative or NaN, [`Duration::MAX`] if too long.
    pub fn duration(self) -> Duration {
        let too_long = if self.si() > 1.0 { Duration::MAX } else { Duration::ZERO };
        Duration::try_from_secs_f64(self.si()).unwrap_or(too_long)
    }
}

impl From<Duration> for TimeSpan {
    fn from(duration: Duration) -> Self {
        Self::new(duration.as_secs_f64())
    }
}
