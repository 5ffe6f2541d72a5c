//! Signs of life of a run's thread, as the supervisor wants them.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tripbench_link::Clock;
use tripbench_quantity::Mono;

/// Signs of life.
#[derive(Debug)]
pub(crate) struct Pulse {
    clock: Clock,
    /// The last one, milliseconds of `clock`; 0 while nothing runs.
    beat_ms: AtomicU64,
}

impl Pulse {
    pub(crate) fn new() -> Self {
        Self { clock: Clock::start(), beat_ms: AtomicU64::new(0) }
    }

    /// A sign of life.
    pub(crate) fn beat(&self) {
        self.beat_ms.store(self.now_ms(), Ordering::SeqCst);
    }

    /// Nothing runs: no sign of life is wanted.
    pub(crate) fn rest(&self) {
        self.beat_ms.store(0, Ordering::SeqCst);
    }

    /// Time of its clock.
    pub(crate) fn now(&self) -> Mono {
        self.clock.now()
    }

    /// Milliseconds of its clock, never 0.
    fn now_ms(&self) -> u64 {
        let now = self.now().since(Mono::START).as_millis();
        u64::try_from(now).unwrap_or(u64::MAX).max(1)
    }

    /// The whole process stood still: nobody could give a sign of life, and everybody has as long again.
    pub(crate) fn excuse(&self) {
        let beat = self.beat_ms.load(Ordering::SeqCst);
        if beat != 0 {
            // Where the run ended or gave a sign meanwhile, that holds.
            let _changed =
                self.beat_ms.compare_exchange(beat, self.now_ms(), Ordering::SeqCst, Ordering::SeqCst);
        }
    }

    /// How long there was no sign of life; `None` while nothing runs.
    pub(crate) fn silent_for(&self) -> Option<Duration> {
        let beat = self.beat_ms.load(Ordering::SeqCst);
        let now = self.now().since(Mono::START);
        (beat != 0).then(|| now.saturating_sub(Duration::from_millis(beat)))
    }
}
