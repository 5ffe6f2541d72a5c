//! Random numbers of a drawn run.

use rand_core::SeedableRng;
use rand_distr::{Distribution, Uniform};
use rand_pcg::Pcg64Mcg;
use std::time::Duration;

/// Random numbers.
pub(super) struct Dice(Pcg64Mcg);

impl Dice {
    pub(super) fn new(seed: u64) -> Self {
        Self(Pcg64Mcg::seed_from_u64(seed))
    }

    pub(super) fn within(&mut self, low: f64, high: f64) -> f64 {
        Uniform::new_inclusive(low, high).expect("a range").sample(&mut self.0)
    }

    pub(super) fn below(&mut self, count: usize) -> usize {
        Uniform::new(0, count).expect("a range").sample(&mut self.0)
    }

    pub(super) fn chance(&mut self, share: f64) -> bool {
        self.within(0.0, 1.0) < share
    }

    pub(super) fn time(&mut self, low_s: f64, high_s: f64) -> Duration {
        Duration::from_secs_f64(self.within(low_s, high_s))
    }

    /// A whole number from 0 to `most`.
    pub(super) fn number(&mut self, most: f64) -> u64 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a small positive number"
        )]
        let number = self.within(0.0, most) as u64;
        number
    }
}
