//! The run's clock: `CLOCK_BOOTTIME`, which goes on while the machine sleeps, against `CLOCK_MONOTONIC`, which does not; or virtual time,
//! which passes only where somebody waits.

use rustix::time::{ClockId, Timespec, clock_gettime};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tripbench_quantity::Mono;

/// A clock that began with the run.
#[derive(Debug, Clone)]
pub struct Clock(Time);

#[derive(Debug, Clone)]
enum Time {
    Machine {
        start_ns: i128,
        asleep_ns: i128,
    },
    /// Nanoseconds that were waited for.
    Virtual(Arc<AtomicU64>),
}

/// Difference of the two clocks that counts as a sleep or a jump.
const LARGEST_JUMP_NS: i128 = 10_000_000;

impl Clock {
    /// A clock that begins now.
    pub fn start() -> Self {
        Self(Time::Machine { start_ns: nanos(clock_gettime(ClockId::Boottime)), asleep_ns: asleep_ns() })
    }

    /// A clock that stands still but for what is waited on it, or on a clone of it: no wait on it takes any time.
    pub fn in_virtual_time() -> Self {
        Self(Time::Virtual(Arc::default()))
    }

    /// Now, since the start.
    pub fn now(&self) -> Mono {
        match &self.0 {
            Time::Machine { start_ns, .. } => {
                let passed = nanos(clock_gettime(ClockId::Boottime)) - start_ns;
                Mono::from_nanos(u64::try_from(passed).unwrap_or(0))
            }
            Time::Virtual(passed_ns) => Mono::from_nanos(passed_ns.load(Ordering::Relaxed)),
        }
    }

    /// Whether the machine slept, or a clock jumped, by more than 10 ms since the start.
    pub fn jumped(&self) -> bool {
        match &self.0 {
            Time::Machine { asleep_ns: at_start_ns, .. } => {
                (asleep_ns() - at_start_ns).abs() > LARGEST_JUMP_NS
            }
            Time::Virtual(_) => false,
        }
    }

    /// Time from now until a moment; zero if it is past.
    pub fn until(&self, moment: Mono) -> Duration {
        moment.since(self.now())
    }

    /// Waits until a moment, by the ticks of the runtime; not at all if it is past.
    pub async fn sleep_until(&self, moment: Mono) {
        match &self.0 {
            Time::Machine { .. } => tokio::time::sleep(self.until(moment)).await,
            Time::Virtual(passed_ns) => {
                passed_ns.fetch_max(moment.nanos(), Ordering::Relaxed);
            }
        }
    }

    /// Waits for a time.
    pub async fn sleep(&self, time: Duration) {
        self.sleep_until(self.now() + time).await;
    }
}

/// How much longer the machine has been up than awake.
fn asleep_ns() -> i128 {
    nanos(clock_gettime(ClockId::Boottime)) - nanos(clock_gettime(ClockId::Monotonic))
}

fn nanos(time: Timespec) -> i128 {
    i128::from(time.tv_sec) * 1_000_000_000 + i128::from(time.tv_nsec)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::pin::pin;
    use std::task::{Context, Poll, Waker};

    /// What a future gives at the first look.
    fn at_once(future: impl Future<Output = ()>) -> Poll<()> {
        pin!(future).poll(&mut Context::from_waker(Waker::noop()))
    }

    #[test]
    fn virtual_time_passes_where_somebody_waits_and_never_goes_back() {
        let clock = Clock::in_virtual_time();
        let other = clock.clone();
        assert_eq!(clock.now(), Mono::START);
        assert_eq!(at_once(clock.sleep(Duration::from_hours(1))), Poll::Ready(()));
        assert_eq!(other.now(), Mono::START + Duration::from_hours(1));
        assert_eq!(at_once(other.sleep_until(Mono::START)), Poll::Ready(()));
        assert_eq!(clock.now(), Mono::START + Duration::from_hours(1));
        assert!(!clock.jumped());
    }
}
