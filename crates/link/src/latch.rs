//! The stop latch: may be set from any thread, and blocks every output but safe from then on.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A latch shared by everything that may stop a run and the link that obeys it. Each run has a new one.
#[derive(Debug, Clone, Default)]
pub struct StopLatch(Arc<AtomicBool>);

impl StopLatch {
    /// A new latch, not set.
    pub fn armed() -> Self {
        Self::default()
    }

    /// Sets the latch. It cannot be reset.
    pub fn set(&self) {
        self.0.store(true, Ordering::SeqCst);
    }

    /// Whether it is set.
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }
}
