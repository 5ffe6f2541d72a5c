//! The clock of a run: `CLOCK_BOOTTIME`, which advances while the machine sleeps, compared with `CLOCK_MONOTONIC`, which does not; or
//! virtual time, which advances only when something waits.

use rustix::time::{ClockId, Timespec, clock_gettime};
use std::future::poll_fn;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::task::Poll;
use std::time::Duration;
use tokio::time::timeout;
use tripbench_quantity::Mono;

/// A clock that starts at 0 with the run. Clones share virtual time.
#[derive(Debug, Clone)]
pub struct Clock(Time);

#[derive(Debug, Clone)]
enum Time {
    Machine { start_ns: i128, asleep_ns: i128 },
    Virtual(Arc<VirtualTime>),
}

/// Virtual time, in nanoseconds.
#[derive(Debug, Default)]
struct VirtualTime {
    /// Time since the start.
    passed: AtomicU64,
    /// Earliest arrival of something awaited, plus one; 0 if nothing is expected.
    next: AtomicU64,
    /// Simulated difference between the two clocks.
    asleep: AtomicI64,
}

/// Largest change of the difference between the two clocks that is no sleep or jump: 10 ms.
const LARGEST_JUMP_NS: i128 = 10_000_000;

impl Clock {
    /// A real-time clock that starts now.
    pub fn start() -> Self {
        Self(Time::Machine { start_ns: nanos(clock_gettime(ClockId::Boottime)), asleep_ns: asleep_ns() })
    }

    /// A clock in virtual time, which advances only by waits on it or its clones. Such a wait takes no real time.
    pub fn in_virtual_time() -> Self {
        Self(Time::Virtual(Arc::default()))
    }

    /// Advances virtual time, as if the thread did not run or, with `asleep`, the machine slept, which [`Self::jumped`] reports. Has no
    /// effect in real time.
    pub fn lose(&self, time: Duration, asleep: bool) {
        if let Time::Virtual(time_of) = &self.0 {
            let lost_ns = u64::try_from(time.as_nanos()).unwrap_or(u64::MAX);
            time_of.passed.fetch_add(lost_ns, Ordering::Relaxed);
            if asleep {
                time_of.asleep.fetch_add(i64::try_from(lost_ns).unwrap_or(i64::MAX), Ordering::Relaxed);
            }
        }
    }

    /// Announces in virtual time that something awaited by [`Self::within`] arrives at `moment`.
    pub fn comes_at(&self, moment: Mono) {
        if let Time::Virtual(time) = &self.0 {
            // Stored plus one, because 0 means that nothing is expected.
            let next = moment.nanos().saturating_add(1);
            let earlier = |known: u64| (known == 0 || next < known).then_some(next);
            let _as_it_was = time.next.fetch_update(Ordering::Relaxed, Ordering::Relaxed, earlier);
        }
    }

    /// Time since the start.
    pub fn now(&self) -> Mono {
        match &self.0 {
            Time::Machine { start_ns, .. } => {
                let passed = nanos(clock_gettime(ClockId::Boottime)) - start_ns;
                Mono::from_nanos(u64::try_from(passed).unwrap_or(0))
            }
            Time::Virtual(time) => Mono::from_nanos(time.passed.load(Ordering::Relaxed)),
        }
    }

    /// Whether the machine slept or a clock jumped by more than 10 ms since the start.
    pub fn jumped(&self) -> bool {
        match &self.0 {
            Time::Machine { asleep_ns: at_start_ns, .. } => {
                (asleep_ns() - at_start_ns).abs() > LARGEST_JUMP_NS
            }
            Time::Virtual(time) => i128::from(time.asleep.load(Ordering::Relaxed)) > LARGEST_JUMP_NS,
        }
    }

    /// Time from now until `moment`; zero if it has passed.
    pub fn until(&self, moment: Mono) -> Duration {
        moment.since(self.now())
    }

    /// Waits until `moment`, with the resolution of the runtime (1 ms). Returns at once if it has passed.
    pub async fn sleep_until(&self, moment: Mono) {
        match &self.0 {
            Time::Machine { .. } => tokio::time::sleep(self.until(moment)).await,
            Time::Virtual(time) => {
                time.passed.fetch_max(moment.nanos(), Ordering::Relaxed);
            }
        }
    }

    /// Waits for a duration.
    pub async fn sleep(&self, time: Duration) {
        self.sleep_until(self.now() + time).await;
    }

    /// The output of a future, or `None` if it is not ready by `until`. In virtual time the future may wait only on this clock and for
    /// what [`Self::comes_at`] announces.
    pub async fn within<T>(&self, until: Mono, future: impl Future<Output = T>) -> Option<T> {
        let Time::Virtual(time) = &self.0 else { return timeout(self.until(until), future).await.ok() };
        let mut future = pin!(future);
        poll_fn(|context| {
            loop {
                time.next.store(0, Ordering::Relaxed);
                if let Poll::Ready(value) = future.as_mut().poll(context) {
                    return Poll::Ready(Some(value));
                }
                if self.now() >= until {
                    return Poll::Ready(None);
                }
                let next_ns = time.next.load(Ordering::Relaxed).checked_sub(1).unwrap_or(u64::MAX);
                time.passed.fetch_max(next_ns.min(until.nanos()), Ordering::Relaxed);
            }
        })
        .await
    }

    /// Yields to other tasks on this thread. Does nothing in virtual time, where there are none.
    pub(crate) async fn turn(&self) {
        if let Time::Machine { .. } = &self.0 {
            tokio::task::yield_now().await;
        }
    }

    /// Whether this is a clock in virtual time.
    pub(crate) const fn is_virtual(&self) -> bool {
        matches!(&self.0, Time::Virtual(_))
    }
}

/// Time that the machine has slept since boot.
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

    /// Result of polling a future once.
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
