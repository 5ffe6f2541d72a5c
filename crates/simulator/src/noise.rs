//! Seeded randomness as a function of channel and index: the same question always gets the same answer.

use rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, StandardUniform};
use rand_pcg::Pcg64Mcg;

/// A source of random numbers for one channel of one bench.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Noise {
    seed: u64,
    channel: u64,
}

impl Noise {
    pub(crate) const fn new(seed: u64, channel: u64) -> Self {
        Self { seed, channel }
    }

    /// Standard normal, number `index` of this channel.
    pub(crate) fn normal(self, index: u64) -> f64 {
        StandardNormal.sample(&mut self.generator(index))
    }

    /// Even from 0 to 1, number `index` of this channel.
    pub(crate) fn even(self, index: u64) -> f64 {
        StandardUniform.sample(&mut self.generator(index))
    }

    fn generator(self, index: u64) -> Pcg64Mcg {
        let mixed = self.seed
            ^ self.channel.wrapping_mul(0x9E37_79B9_7F4A_7C15)
            ^ index.wrapping_mul(0xD1B5_4A32_D192_ED03);
        Pcg64Mcg::seed_from_u64(mixed)
    }
}
