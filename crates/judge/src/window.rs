//! Least and greatest level in a window that moves over readings.

use std::collections::VecDeque;
use std::ops::Range;
use tripbench_measure::Sample;

/// The least or greatest level in a moving window over samples. The ends of the window never move back; each sample is added once, and
/// dropped once a later one makes it irrelevant.
pub(crate) struct Extreme<'s> {
    samples: &'s [Sample],
    beats: fn(f64, f64) -> bool,
    empty: f64,
    taken: usize,
    /// Indices that can still become the extreme, that of the current window first.
    candidates: VecDeque<usize>,
}

impl<'s> Extreme<'s> {
    pub(crate) const fn least(samples: &'s [Sample]) -> Self {
        Self {
            samples,
            beats: |one, other| one <= other,
            empty: f64::INFINITY,
            taken: 0,
            candidates: VecDeque::new(),
        }
    }

    pub(crate) const fn greatest(samples: &'s [Sample]) -> Self {
        Self {
            samples,
            beats: |one, other| one >= other,
            empty: f64::NEG_INFINITY,
            taken: 0,
            candidates: VecDeque::new(),
        }
    }

    /// The extreme of a window that neither begins nor ends before the last one; infinite for an empty one.
    pub(crate) fn within(&mut self, window: &Range<usize>) -> f64 {
        for index in self.taken..window.end {
            let level_pa = self.samples[index].level_pa;
            while self
                .candidates
                .back()
                .is_some_and(|back| (self.beats)(level_pa, self.samples[*back].level_pa))
            {
                self.candidates.pop_back();
            }
            self.candidates.push_back(index);
        }
        self.taken = self.taken.max(window.end);
        while self.candidates.front().is_some_and(|front| *front < window.start) {
            self.candidates.pop_front();
        }
        self.candidates.front().map_or(self.empty, |index| self.samples[*index].level_pa)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    const LEVELS_PA: [f64; 9] = [3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0, 5.0];

    // Windows of constant width, one that only shrinks, and one that only grows, each against a fold over its readings.
    #[rstest]
    #[case(0..1, [1, 1])]
    #[case(0..3, [1, 1])]
    #[case(0..4, [2, 2])]
    #[case(0..9, [1, 0])]
    #[case(0..0, [0, 1])]
    #[case(3..4, [0, 2])]
    #[case(2..2, [1, 1])]
    fn a_window_has_the_extremes_of_its_readings(#[case] first: Range<usize>, #[case] by: [usize; 2]) {
        let samples = LEVELS_PA.map(|level_pa| Sample { t_s: 0.0, level_pa });
        let (mut least, mut greatest) = (Extreme::least(&samples), Extreme::greatest(&samples));
        let mut window = first;
        while window.start <= window.end && window.end <= samples.len() {
            let levels = || samples[window.clone()].iter().map(|sample| sample.level_pa);
            let expected =
                [levels().fold(f64::INFINITY, f64::min), levels().fold(f64::NEG_INFINITY, f64::max)];
            for (found, expected) in [least.within(&window), greatest.within(&window)].iter().zip(expected) {
                assert!(found.total_cmp(&expected).is_eq(), "{window:?}: {found} instead of {expected}");
            }
            window = window.start + by[0]..window.end + by[1];
        }
    }
}
