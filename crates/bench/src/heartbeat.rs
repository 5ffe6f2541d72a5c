//! Heartbeat of a thread, for the supervisor.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tripbench_link::Clock;
use tripbench_quantity::Mono;

/// Heartbeat of a thread.
#[derive(Debug)]
pub(crate) struct Heartbeat {
    clock: Clock,
    /// Time of the last beat, milliseconds of `clock`; 0 while no beat is expected.
    beat_ms: AtomicU64,
}

impl Heartbeat {
    pub(crate) fn new() -> Self {
        Self { clock: Clock::start(), beat_ms: AtomicU64::new(0) }
    }

    /// Records a beat.
    pub(crate) fn beat(&self) {
        self.beat_ms.store(self.now_ms(), Ordering::SeqCst);
    }

    /// Suspends supervision: no beat is expected until the next one.
    pub(crate) fn rest(&self) {
        self.beat_ms.store(0, Ordering::SeqCst);
    }

    /// Present time of its clock.
    pub(crate) fn now(&self) -> Mono {
        self.clock.now()
    }

    /// Present time of its clock in milliseconds, never 0.
    fn now_ms(&self) -> u64 {
        let now = self.now().since(Mono::START).as_millis();
        u64::try_from(now).unwrap_or(u64::MAX).max(1)
    }

    /// Restarts the allowed silence after the whole process stood still and no thread could beat.
    pub(crate) fn excuse(&self) {
        let beat = self.beat_ms.load(Ordering::SeqCst);
        if beat != 0 {
            // If the thread rested or beat in the meantime, that value stays.
            let _changed =
                self.beat_ms.compare_exchange(beat, self.now_ms(), Ordering::SeqCst, Ordering::SeqCst);
        }
    }

    /// Time since the last beat; `None` while no beat is expected.
    pub(crate) fn silent_for(&self) -> Option<Duration> {
        let beat = self.beat_ms.load(Ordering::SeqCst);
        let now = self.now().since(Mono::START);
        (beat != 0).then(|| now.saturating_sub(Duration::from_millis(beat)))
    }
}
