//! Seeded random numbers as a pure function of seed, channel and index.

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

    /// Number `index` of this channel, with standard normal distribution.
    pub(crate) fn normal(self, index: u64) -> f64 {
        StandardNormal.sample(&mut self.generator(index))
    }

    /// Number `index` of this channel, with uniform distribution from 0 to 1.
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
