//! The run's clock: `CLOCK_BOOTTIME`, which goes on while the machine sleeps, against `CLOCK_MONOTONIC`, which does not; or virtual time,
//! which passes only where somebody waits.

use rustix::time::{ClockId, Timespec, clock_gettime};
use std::future::poll_fn;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::task::Poll;
use std::time::Duration;
use tokio::time::timeout;
use tripbench_quantity::Mono;

/// A clock that began with the run.
#[derive(Debug, Clone)]
pub struct Clock(Time);

#[derive(Debug, Clone)]
enum Time {
    Machine { start_ns: i128, asleep_ns: i128 },
    Virtual(Arc<VirtualTime>),
}

/// Time that passes where somebody waits, in nanoseconds.
#[derive(Debug, Default)]
struct VirtualTime {
    /// What was waited for.
    passed: AtomicU64,
    /// The earliest moment at which something awaited arrives, plus one; 0 if nothing is expected.
    next: AtomicU64,
    /// How far its clocks have drawn apart.
    asleep: AtomicI64,
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

    /// Lets virtual time pass, as where a thread is not run, or the machine sleeps; then [`Self::jumped`] tells. Nothing in real time.
    pub fn lose(&self, time: Duration, asleep: bool) {
        if let Time::Virtual(time_of) = &self.0 {
            let lost_ns = u64::try_from(time.as_nanos()).unwrap_or(u64::MAX);
            time_of.passed.fetch_add(lost_ns, Ordering::Relaxed);
            if asleep {
                time_of.asleep.fetch_add(i64::try_from(lost_ns).unwrap_or(i64::MAX), Ordering::Relaxed);
            }
        }
    }

    /// Tells whoever waits with [`Self::within`] in virtual time that something comes at a moment.
    pub fn comes_at(&self, moment: Mono) {
        if let Time::Virtual(time) = &self.0 {
            // Stored plus one: 0 means that nothing is expected.
            let next = moment.nanos().saturating_add(1);
            let earlier = |known: u64| (known == 0 || next < known).then_some(next);
            let _as_it_was = time.next.fetch_update(Ordering::Relaxed, Ordering::Relaxed, earlier);
        }
    }

    /// Now, since the start.
    pub fn now(&self) -> Mono {
        match &self.0 {
            Time::Machine { start_ns, .. } => {
                let passed = nanos(clock_gettime(ClockId::Boottime)) - start_ns;
                Mono::from_nanos(u64::try_from(passed).unwrap_or(0))
            }
            Time::Virtual(time) => Mono::from_nanos(time.passed.load(Ordering::Relaxed)),
        }
    }

    /// Whether the machine slept, or a clock jumped, by more than 10 ms since the start.
    pub fn jumped(&self) -> bool {
        match &self.0 {
            Time::Machine { asleep_ns: at_start_ns, .. } => {
                (asleep_ns() - at_start_ns).abs() > LARGEST_JUMP_NS
            }
            Time::Virtual(time) => i128::from(time.asleep.load(Ordering::Relaxed)) > LARGEST_JUMP_NS,
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
            Time::Virtual(time) => {
                time.passed.fetch_max(moment.nanos(), Ordering::Relaxed);
            }
        }
    }

    /// Waits for a time.
    pub async fn sleep(&self, time: Duration) {
        self.sleep_until(self.now() + time).await;
    }

    /// What a future gives, if it does before a moment; `None` at that moment. In virtual time it must wait for nothing but what
    /// [`Self::comes_at`] tells of, or waits on this clock.
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

    /// Lets others on this thread have a turn; in virtual time there is nobody else.
    pub(crate) async fn turn(&self) {
        if let Time::Machine { .. } = &self.0 {
            tokio::task::yield_now().await;
        }
    }

    /// Whether time passes only where somebody waits.
    pub(crate) const fn is_virtual(&self) -> bool {
        matches!(&self.0, Time::Virtual(_))
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
