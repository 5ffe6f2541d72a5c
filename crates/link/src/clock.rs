//! The run's clock: `CLOCK_BOOTTIME`, which goes on while the machine sleeps, against `CLOCK_MONOTONIC`, which does not.

use rustix::time::{ClockId, Timespec, clock_gettime};
use std::time::Duration;
use tripbench_quantity::Mono;

/// A clock that began with the run.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    start_ns: i128,
    asleep_ns: i128,
}

/// Difference of the two clocks that counts as a sleep or a jump.
const LARGEST_JUMP_NS: i128 = 10_000_000;

impl Clock {
    /// A clock that begins now.
    pub fn start() -> Self {
        Self { start_ns: nanos(clock_gettime(ClockId::Boottime)), asleep_ns: asleep_ns() }
    }

    /// Now, since the start.
    pub fn now(&self) -> Mono {
        let passed = nanos(clock_gettime(ClockId::Boottime)) - self.start_ns;
        Mono::from_nanos(u64::try_from(passed).unwrap_or(0))
    }

    /// Whether the machine slept, or a clock jumped, by more than 10 ms since the start.
    pub fn jumped(&self) -> bool {
        (asleep_ns() - self.asleep_ns).abs() > LARGEST_JUMP_NS
    }

    /// Time from now until a moment; zero if it is past.
    pub fn until(&self, moment: Mono) -> Duration {
        moment.since(self.now())
    }
}

/// How much longer the machine has been up than awake.
fn asleep_ns() -> i128 {
    nanos(clock_gettime(ClockId::Boottime)) - nanos(clock_gettime(ClockId::Monotonic))
}

fn nanos(time: Timespec) -> i128 {
    i128::from(time.tv_sec) * 1_000_000_000 + i128::from(time.tv_nsec)
}
