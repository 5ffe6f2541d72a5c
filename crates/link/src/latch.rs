//! The stop latch: set from anywhere, at once; from then on no output but safe goes out.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A latch shared by whoever may stop a run and the link that obeys it. Only the next run arms a new one.
#[derive(Debug, Clone, Default)]
pub struct StopLatch(Arc<AtomicBool>);

impl StopLatch {
    /// An armed latch: not set.
    pub fn armed() -> Self {
        Self::default()
    }

    /// Sets it. There is no way back.
    pub fn set(&self) {
        self.0.store(true, Ordering::SeqCst);
    }

    /// Whether it is set.
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }
}
