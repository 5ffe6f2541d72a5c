//! Planned phases: each crossing of a level comes at its own share of the scan period, evenly spread over the ramps. Otherwise
//! identical ramps would meet the scans in the same phase, and five crossings would be worth one.

use crate::bench::Bench;
use crate::state::Seen;
use std::collections::VecDeque;
use std::time::Duration;
use tripbench_quantity::VacuumLevel;

/// Watches one ramp, and shifts the scans once, shortly before its level.
#[derive(Debug)]
pub(super) struct Phase {
    level: VacuumLevel,
    /// Share of the scan period.
    share: f64,
    recent: VecDeque<(f64, f64)>,
    done: bool,
}

impl Phase {
    /// Scans from which the rate is taken.
    const SCANS: usize = 16;
    /// Number of scans before the level at which the shift is made.
    const AHEAD: f64 = 12.0;

    pub(super) const fn new(level: VacuumLevel, share: f64) -> Self {
        Self { level, share, recent: VecDeque::new(), done: false }
    }

    /// Takes a scan; shifts those that follow once the level is near.
    pub(super) fn see(&mut self, bench: &Bench, seen: &Seen) {
        if self.done {
            return;
        }
        self.recent.push_back((seen.at.seconds(), seen.level.si()));
        if self.recent.len() <= Self::SCANS {
            return;
        }
        self.recent.pop_front();
        let Some((slope, now_pa, period_s)) = self.line() else { return };
        let left_s = (self.level.si() - now_pa) / slope;
        if !(left_s > 0.0 && left_s < Self::AHEAD * period_s) {
            return;
        }
        self.done = true;
        let share = (left_s / period_s - self.share).rem_euclid(1.0);
        if let (true, Ok(period)) = (share.is_finite(), Duration::try_from_secs_f64(period_s)) {
            bench.shift_scans(share, period);
        }
    }

    /// Slope, present level and scan period, by a least-squares curve: a pull slows down.
    fn line(&self) -> Option<(f64, f64, f64)> {
        let &(now_s, _) = self.recent.back()?;
        let &(first_s, _) = self.recent.front()?;
        let samples: Vec<tripbench_measure::Sample> =
            self.recent.iter().map(|&(t_s, level_pa)| tripbench_measure::Sample { t_s, level_pa }).collect();
        let curve = tripbench_measure::fit_line(&samples, now_s, 0.0)?;
        #[expect(clippy::cast_precision_loss, reason = "a handful")]
        let period_s = (now_s - first_s) / (self.recent.len() - 1) as f64;
        Some((curve.slope_pa_per_s(now_s), curve.level_pa(now_s), period_s))
    }
}
