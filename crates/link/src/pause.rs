//! Waiting to a moment finer than a timer wheel of one millisecond does.

use crate::clock::Clock;
use std::time::Duration;
use tokio::time::sleep;
use tripbench_quantity::Mono;

/// What a tick of the runtime's timer wheel can be late by, twice over.
const COARSE: Duration = Duration::from_millis(2);

/// Waits until a moment. The last two milliseconds block this thread, which is the rig's own.
#[expect(
    clippy::disallowed_methods,
    reason = "the silences of a serial line are shorter than the runtime's timer ticks"
)]
pub(crate) async fn pause_until(moment: Mono, clock: &Clock) {
    let coarse = clock.until(moment).saturating_sub(COARSE);
    if !coarse.is_zero() {
        sleep(coarse).await;
    }
    std::thread::sleep(clock.until(moment));
}
