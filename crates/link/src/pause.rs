//! Waiting with a resolution finer than the timer wheel of the runtime, which ticks every millisecond.

use crate::clock::Clock;
use rustix::thread::set_current_timer_slack;
use std::num::NonZeroU64;
use std::time::Duration;
use tripbench_quantity::Mono;

/// Lateness with which a sleeping thread is woken; the last part of a wait, of this length, is spent awake.
const WAKES_WITHIN: Duration = Duration::from_micros(80);
/// Twice the lateness of a tick of the runtime's timer wheel.
const COARSE: Duration = Duration::from_millis(2);

/// Asks the kernel to wake this thread on time instead of up to 50 µs late, which would add up over the waits of a transaction. If the
/// kernel refuses, waits are a little longer, and the stamps show it.
pub(crate) fn wake_precisely(clock: &Clock) {
    if clock.is_virtual() {
        return;
    }
    if let Err(error) = set_current_timer_slack(NonZeroU64::new(1)) {
        tracing::debug!(%error, "timers are not made precise");
    }
}

/// Waits until `moment`. Blocks the thread, which serves only this rig, for the last 2 ms, of which it spends the last 80 µs awake.
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
