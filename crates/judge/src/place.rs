//! The level at which an output changed, from its edge and the reference's samples around it.

use crate::channel::{Change, Channels, age_half_s};
use crate::level::Sought;
use crate::promised::{longest_delay_s, promised_spread_pa};
use crate::stamp::edge;
use tripbench_measure::{Bracket, CrossingInterval, Curve, Sample, fit_curve, fit_line};
use tripbench_record::{CrossingRecord, Mark, Motion, Task};

/// Places a change: the levels at both ends of the edge's interval, from a curve through the samples around it.
pub(crate) fn place(
    channels: &Channels<'_>,
    mark: &Mark,
    samples: &[Sample],
    change: &Change,
    sought: Sought<'_>,
) -> Option<Placed> {
    let edge = edge(channels, mark, sought.input, change)?;
    if let Motion::Pulses { settle, .. } = sought.motion {
        let between = place_between_peaks(channels, (samples, settle.si()), edge, sought.rising);
        return between.map(|(interval, record)| Placed { interval, record, rate_uncertainty_pa_per_s: 0.0 });
    }
    let (delay_s, age_s) = (sought.delay_s, age_half_s(channels.task));
    let (from_s, to_s) = (edge.earliest_s - delay_s - age_s, edge.latest_s - delay_s + age_s);
    let centre_s = f64::midpoint(from_s, to_s);
    let near = around(channels, samples, centre_s, to_s - from_s);
    let resolution_pa = channels.resolution_pa();
    let by_hand = channels.task.sheets.rig.by_hand();
    let curve = if by_hand {
        widest_that_agrees(&near, centre_s, resolution_pa)
    } else {
        fit_curve(&near, centre_s, resolution_pa)
    };
    let curve = curve?;
    let slope = curve.slope_pa_per_s(centre_s);
    if (slope > 0.0) != sought.rising || !slope.is_finite() {
        return None;
    }
    let ends = [curve.level_pa(from_s), curve.level_pa(to_s)];
    let (interval, record) = crossing(edge, ends, curve.level_uncertainty_pa(centre_s), slope);
    Some(Placed { interval, record, rate_uncertainty_pa_per_s: curve.slope_uncertainty_pa_per_s() })
}

/// The curve through the most samples around a moment whose level agrees with that of the narrower fits: a hand may change its rate, or
/// turn back, within the reach of a fit. The reach grows until a curve no longer agrees with all before it (Goldenshluger and
/// Nemirovski, On spatially adaptive estimation of nonparametric regression, 1997: the intersection of confidence intervals).
fn widest_that_agrees(samples: &[Sample], centre_s: f64, resolution_pa: f64) -> Option<Curve> {
    /// Standard uncertainties within which curves agree. Judgement of this project.
    const AGREE: f64 = 2.0;
    const SHARES: [f64; 4] = [0.125, 0.25, 0.5, 1.0];
    let reach_s = samples.iter().map(|sample| (sample.t_s - centre_s).abs()).fold(0.0, f64::max);
    let (mut common, mut widest) = ([f64::NEG_INFINITY, f64::INFINITY], None);
    for share in SHARES {
        let within = |sample: &&Sample| (sample.t_s - centre_s).abs() <= share * reach_s;
        let near: Vec<Sample> = samples.iter().filter(within).copied().collect();
        let Some(curve) = fit_curve(&near, centre_s, resolution_pa) else { continue };
        let (level_pa, away_pa) = (curve.level_pa(centre_s), AGREE * curve.level_uncertainty_pa(centre_s));
        common = [common[0].max(level_pa - away_pa), common[1].min(level_pa + away_pa)];
        if common[0] > common[1] {
            break;
        }
        widest = Some(curve);
    }
    widest
}

/// A crossing with the uncertainty of its rate.
#[derive(Debug, Clone)]
pub(crate) struct Placed {
    pub(crate) interval: CrossingInterval,
    pub(crate) record: CrossingRecord,
    /// Standard uncertainty of the rate.
    pub(crate) rate_uncertainty_pa_per_s: f64,
}

/// A crossing between two levels, given in either order.
pub(crate) fn crossing(
    edge: Bracket,
    ends: [f64; 2],
    fit_pa: f64,
    rate_pa_per_s: f64,
) -> (CrossingInterval, CrossingRecord) {
    let (low_pa, high_pa) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
    let (earliest_s, latest_s) = (edge.earliest_s, edge.latest_s);
    let record = CrossingRecord {
        cycle: 0,
        earliest_s,
        latest_s,
        low_pa,
        high_pa,
        rate_pa_per_s,
        planned_phase: None,
        fast: false,
    };
    (CrossingInterval { low_pa, high_pa, fit_pa }, record)
}

/// Places a change where the air moves in pulses: between the deepest peak without the change and the deepest peak when it came (least
/// deep in a fall). A level reached less than the longest delay before the change may already have caused it; the reference shows a
/// level later by its lag.
fn place_between_peaks(
    channels: &Channels<'_>,
    (samples, settle_s): (&[Sample], f64),
    edge: Bracket,
    rising: bool,
) -> Option<(CrossingInterval, CrossingRecord)> {
    /// Time constants after which a lag has settled. Judgement of this project.
    const SETTLED: f64 = 5.0;
    let rig = &channels.task.sheets.rig;
    let sign = if rising { 1.0 } else { -1.0 };
    // The extreme of many means is biased by the noise: wide means reduce the bias, and the rest is subtracted.
    let wide = means_over(channels, settle_s);
    #[expect(clippy::cast_precision_loss, reason = "a handful")]
    let mean_of = |all: &[Sample]| all.iter().map(|s| s.level_pa).sum::<f64>() / all.len() as f64;
    let smooth: Vec<Sample> = samples
        .windows(wide)
        .map(|window| Sample { level_pa: mean_of(window), ..window[window.len() / 2] })
        .collect();
    #[expect(clippy::cast_precision_loss, reason = "a handful")]
    let too_far_pa = TOO_FAR * rig.reference.noise.si() * (3.0 / wide as f64).sqrt();
    let farthest = |to_s: f64| {
        let until = smooth.iter().take_while(|sample| sample.t_s <= to_s);
        until.map(|sample| sample.level_pa * sign).reduce(f64::max)
    };
    let lag_s = rig.reference.lag.value.si() + rig.reference.lag.uncertainty.si();
    let after_s = edge.latest_s + SETTLED * lag_s + 2.0 * (rig.module.converter.si() + rig.scan_time().si());
    let without = farthest(edge.earliest_s - longest_delay_s(channels.task))?;
    let with = farthest(after_s)?;
    // If the level went no farther in that time, the change is a late answer to an earlier pulse.
    if with <= without {
        return None;
    }
    let fit_pa = rig.reference.noise.si().hypot(channels.resolution_pa() / 12f64.sqrt());
    let ends = [without - too_far_pa, with - too_far_pa].map(|end| end * sign);
    Some(crossing(edge, ends, fit_pa, 0.0))
}

/// Bias of the extreme of many means of three readings, in standard deviations of one reading; found by simulation.
const TOO_FAR: f64 = 0.75;

/// Number of readings in a mean between pulses: a third of the rest, 3 to 15. Judgement of this project.
fn means_over(channels: &Channels<'_>, settle_s: f64) -> usize {
    let period_s = channels.task.sheets.rig.scan_time().si().max(1e-4);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 3 and 15")]
    let wide = (settle_s / period_s / 3.0).clamp(3.0, 15.0) as usize;
    wide
}

/// Smallest and largest reach of a fit to each side where the number of readings sets it, seconds. Judgement of this project.
const REACH_S: [f64; 2] = [0.08, 0.4];

/// How the reference sees the air near a crossing.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sight {
    /// Time between two new readings, seconds.
    pub(crate) period_s: f64,
    /// Standard deviation of a reading, pascal.
    pub(crate) noise_pa: f64,
    /// One count, pascal.
    pub(crate) resolution_pa: f64,
    /// Absolute rate, pascal per second, and the level, pascal.
    pub(crate) rate_pa_per_s: f64,
    pub(crate) level_pa: f64,
    /// Promised spread of a crossing, as a standard deviation, pascal.
    pub(crate) spread_pa: f64,
    /// Whether a hand moves the air, too unevenly for a longer fit against noise.
    pub(crate) by_hand: bool,
}

impl Sight {
    /// Reach of a fit to each side, seconds. It takes in about twenty new readings; eight counts of a coarse reference; enough readings
    /// for the rate within a tenth, and for the level within a third of the promised spread where the ramps go far enough beyond it. A
    /// fifth of level over rate limits it, because a curve of second degree follows no farther.
    pub(crate) fn reach_s(self) -> f64 {
        const READINGS: f64 = 20.0;
        const COUNTS: f64 = 8.0;
        const TOLD: f64 = 0.1;
        const SPREAD_TOLD: f64 = 1.0 / 3.0;
        /// Half of the least distance that a planned ramp goes beyond its levels; a device may lie outside them by the other half,
        /// pascal.
        const BESIDE_PA: f64 = 500.0;
        /// Share of the air's time constant. Judgement of this project.
        const FOLLOWED: f64 = 0.2;
        let rate = self.rate_pa_per_s.max(1e-3);
        let counts_s = COUNTS * self.resolution_pa / rate / 2.0;
        // The slope of a line through 2 h/P readings has a standard deviation of σ √(3 P/2)/h^(3/2).
        let noise_s = (self.noise_pa * (1.5 * self.period_s).sqrt() / (TOLD * rate)).powf(2.0 / 3.0);
        let noise_s = if self.by_hand { noise_s.min(REACH_S[1]) } else { noise_s };
        // The middle of a curve of second degree through 2 h/P readings has a standard deviation of 3/2 σ/√(2 h/P).
        let level_s = self.period_s / 2.0 * (1.5 * self.noise_pa / (SPREAD_TOLD * self.spread_pa)).powi(2);
        let level_s = level_s.min(BESIDE_PA / rate);
        let wanted_s = (READINGS * self.period_s).clamp(REACH_S[0], REACH_S[1]);
        let wanted_s = wanted_s.max(counts_s).max(noise_s).max(level_s);
        wanted_s.min((FOLLOWED * self.level_pa.abs() / rate).max(REACH_S[0]))
    }
}

/// Spread that a fit has to resolve through noise, pascal; infinite where a hand moves the air, too unevenly for a longer fit.
pub(crate) fn fitted_spread_pa(task: &Task, level_pa: f64) -> f64 {
    if task.sheets.rig.by_hand() { f64::INFINITY } else { promised_spread_pa(task, level_pa) }
}

/// Samples for a fit around a moment, as far to each side as the reference needs there. The reach needed only against noise ends where
/// a valve is switched. Empty unless there are three samples on both sides.
pub(crate) fn around(
    channels: &Channels<'_>,
    samples: &[Sample],
    centre_s: f64,
    width_s: f64,
) -> Vec<Sample> {
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return Vec::new() };
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    let period_s = (last.t_s - first.t_s) / samples.len().max(2) as f64;
    let rig = &channels.task.sheets.rig;
    let between = |from_s: f64, to_s: f64| {
        let from = samples.partition_point(|sample| sample.t_s < from_s);
        let to = samples.partition_point(|sample| sample.t_s <= to_s);
        &samples[from..to]
    };
    let here = between(centre_s - REACH_S[1], centre_s + REACH_S[1]);
    let [least_s, wide_s] = fit_line(here, centre_s, 0.0).map_or([REACH_S[0]; 2], |line| {
        let level_pa = here.iter().map(|sample| sample.level_pa.abs()).fold(0.0, f64::max);
        let sight = Sight {
            period_s: period_s.max(rig.module.converter.si()),
            noise_pa: rig.reference.noise.si(),
            resolution_pa: channels.resolution_pa(),
            rate_pa_per_s: line.slope_pa_per_s(centre_s).abs(),
            level_pa,
            spread_pa: fitted_spread_pa(channels.task, level_pa),
            by_hand: rig.by_hand(),
        };
        [Sight { spread_pa: f64::INFINITY, ..sight }.reach_s(), sight.reach_s()]
    });
    let least_s = least_s.max(2.0 * width_s);
    let [stood_s, stand_s] = channels.valves_stand(centre_s);
    let from_s = (centre_s - least_s).min((centre_s - wide_s).max(stood_s));
    let here = between(from_s, (centre_s + least_s).max((centre_s + wide_s).min(stand_s)));
    let after = here.iter().filter(|sample| sample.t_s > centre_s).count();
    if after >= 3 && here.len() >= after + 3 { channels.fitted(here) } else { Vec::new() }
}

#[cfg(test)]
mod tests;
