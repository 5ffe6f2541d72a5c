//! Waiting to a moment finer than a timer wheel of one millisecond does.

use crate::clock::Clock;
use rustix::thread::set_current_timer_slack;
use std::num::NonZeroU64;
use std::time::Duration;
use tripbench_quantity::Mono;

/// What a sleeping thread is woken late by; that much is waited for awake.
const WAKES_WITHIN: Duration = Duration::from_micros(80);
/// What a tick of the runtime's timer wheel can be late by, twice over.
const COARSE: Duration = Duration::from_millis(2);

/// Asks the kernel to wake this thread when it is due, not up to 50 µs later: several times in each transaction that
/// would add up. Where the kernel does not, waits are a little longer, and the stamps show it.
pub(crate) fn wake_precisely(clock: &Clock) {
    if clock.is_virtual() {
        return;
    }
    if let Err(error) = set_current_timer_slack(NonZeroU64::new(1)) {
        tracing::debug!(%error, "timers are not made precise");
    }
}

/// Waits until a moment. The last two milliseconds, the very last of them awake, block this thread, which is the rig's own.
#[expect(
    clippy::disallowed_methods,
    reason = "the silences of a serial line are shorter than the runtime's timer ticks"
)]
pub(crate) async fn pause_until(moment: Mono, clock: &Clock) {
    if clock.is_virtual() {
        clock.sleep_until(moment).await;
        return;
    }
    let coarse = clock.until(moment).saturating_sub(COARSE);
    if !coarse.is_zero() {
        clock.sleep(coarse).await;
    }
    std::thread::sleep(clock.until(moment).saturating_sub(WAKES_WITHIN));
    while clock.now() < moment {
        std::hint::spin_loop();
    }
}
