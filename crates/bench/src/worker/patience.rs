//! How long an attempt to make a record may take.

use std::time::Duration;

/// How long an attempt to make a record may take. A thread that hangs at the disk cannot be ended, so each further attempt may take twice as
/// long as the one before: their number grows with the logarithm of the time that the disk hangs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Patience(Duration);

impl Patience {
    /// With a first attempt.
    pub(super) const fn of(first: Duration) -> Self {
        Self(first)
    }

    /// Whether an attempt that has taken so long is given up.
    pub(super) fn gives_up(&mut self, taken: Duration) -> bool {
        let gives_up = taken >= self.0;
        if gives_up {
            self.0 = self.0.saturating_mul(2);
        }
        gives_up
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// While the disk hangs there are few threads at it, and once it is well the next attempt comes within the time that it has hung.
        #[test]
        fn attempts_that_hang_are_given_up_ever_later(hangs_s in 0_u64..10_000_000, look_s in 1_u64..60, first in 1_u64..100) {
            let (mut patience, mut given_up, mut since) = (Patience::of(Duration::from_secs(first)), 0_u32, 0);
            let step = look_s.max(hangs_s / 5_000 + 1);
            for now in (0..hangs_s).step_by(usize::try_from(step).expect("small")) {
                if patience.gives_up(Duration::from_secs(now - since)) {
                    prop_assert!(now - since <= since + first + step, "after {} s", now - since);
                    (given_up, since) = (given_up + 1, now);
                }
            }
            prop_assert!(given_up <= (hangs_s / first + 1).ilog2(), "{} threads", given_up);
            prop_assert!(given_up > 0 || hangs_s <= first + step, "none in {} s", hangs_s);
        }
    }
}
