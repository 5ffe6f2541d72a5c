//! The least and the greatest level in a window that moves over readings.

use std::collections::VecDeque;
use std::ops::Range;
use tripbench_measure::Sample;

/// The least or greatest level in a window over samples that only moves on: each is taken in once, and left out once another stands
/// before it.
pub(crate) struct Extreme<'s> {
    samples: &'s [Sample],
    stands: fn(f64, f64) -> bool,
    of_none: f64,
    taken: usize,
    /// Those that can still become it, the extreme of the window first.
    left: VecDeque<usize>,
}

impl<'s> Extreme<'s> {
    pub(crate) const fn least(samples: &'s [Sample]) -> Self {
        Self {
            samples,
            stands: |one, other| one <= other,
            of_none: f64::INFINITY,
            taken: 0,
            left: VecDeque::new(),
        }
    }

    pub(crate) const fn greatest(samples: &'s [Sample]) -> Self {
        Self {
            samples,
            stands: |one, other| one >= other,
            of_none: f64::NEG_INFINITY,
            taken: 0,
            left: VecDeque::new(),
        }
    }

    /// Of a window that neither begins nor ends before the last one.
    pub(crate) fn within(&mut self, window: &Range<usize>) -> f64 {
        for index in self.taken..window.end {
            let level_pa = self.samples[index].level_pa;
            while self.left.back().is_some_and(|back| (self.stands)(level_pa, self.samples[*back].level_pa)) {
                self.left.pop_back();
            }
            self.left.push_back(index);
        }
        self.taken = self.taken.max(window.end);
        while self.left.front().is_some_and(|front| *front < window.start) {
            self.left.pop_front();
        }
        self.left.front().map_or(self.of_none, |index| self.samples[*index].level_pa)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    const LEVELS_PA: [f64; 9] = [3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0, 5.0];

    // Every window of the same width, and one that only grows: against the fold over it.
    #[rstest]
    #[case(0..1, 1)]
    #[case(0..3, 1)]
    #[case(0..4, 2)]
    #[case(0..9, 0)]
    #[case(2..2, 1)]
    fn a_window_has_the_extremes_of_its_readings(#[case] first: Range<usize>, #[case] by: usize) {
        let samples = LEVELS_PA.map(|level_pa| Sample { t_s: 0.0, level_pa });
        let (mut least, mut greatest) = (Extreme::least(&samples), Extreme::greatest(&samples));
        let mut window = first;
        while window.end <= samples.len() {
            let levels = || samples[window.clone()].iter().map(|sample| sample.level_pa);
            let expected =
                [levels().fold(f64::INFINITY, f64::min), levels().fold(f64::NEG_INFINITY, f64::max)];
            for (found, expected) in [least.within(&window), greatest.within(&window)].iter().zip(expected) {
                assert!(found.total_cmp(&expected).is_eq(), "{window:?}: {found} instead of {expected}");
            }
            if by == 0 && window.start == samples.len() - 1 {
                break;
            }
            window = if by == 0 { window.start + 1..window.end } else { window.start + by..window.end + by };
        }
    }
}
