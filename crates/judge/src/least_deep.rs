//! The least deep level while a device saves air, from the turning points of the level after each cut-off.
//!
//! The minimum of many noisy readings is biased low. Each turn from falling to rising is fitted with two curves through many readings,
//! and the least of the turns is estimated without selection bias.

use crate::channel::{Change, Channels, Zero};
use crate::result::certificate;
use tripbench_measure::{
    Contribution, Noisy, Sample, Turn, TurnPrior, distinct, fit_line, fit_turn, least_of,
};
use tripbench_quantity::VacuumLevel;
use tripbench_record::Task;

/// Properties of the rig around a turn.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Around {
    lag_s: f64,
    valve_s: f64,
    scan_s: f64,
    noise_pa: f64,
    resolution_pa: f64,
    /// Steepest slope at a change of the valve, pascal per second.
    rate_pa_per_s: f64,
    /// Rate at which a slope changes by itself, because the gas warms and the pump nears its ultimate vacuum, per second.
    bends_per_s: f64,
}

impl Around {
    /// From the rig sheet; `rates` are the slopes where the valve changed, pascal per second.
    pub(crate) fn of(channels: &Channels<'_>, rates: impl Iterator<Item = f64>) -> Self {
        let rig = &channels.task.sheets.rig;
        Self {
            lag_s: rig.reference.lag.value.si(),
            valve_s: rig.manifold.valve_delay.si(),
            scan_s: rig.scan_time().si(),
            noise_pa: rig.reference.noise.si(),
            resolution_pa: channels.resolution_pa(),
            rate_pa_per_s: rates.map(f64::abs).fold(SLOWEST, f64::max),
            bends_per_s: 1.0 / rig.manifold.thermal.si().max(SHORTEST_S)
                + 1.0 / rig.manifold.evacuate.si().max(SHORTEST_S),
        }
    }
}

/// Least slope assumed at a turn, pascal per second. Judgement of this project.
const SLOWEST: f64 = 100.0;
/// Least time constant, seconds: no scan follows faster air. Judgement of this project.
const SHORTEST_S: f64 = 0.05;

/// The least deep level.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LeastDeep {
    /// The level and its standard uncertainty from noise, pascal.
    pub(crate) level: Noisy,
    /// Number of turns of the level.
    pub(crate) turns: usize,
    /// Largest change of slope at a turn, pascal per second.
    pub(crate) bend_pa_per_s: f64,
}

impl LeastDeep {
    /// The contributions to its uncertainty.
    pub(crate) fn contributions(self, task: &Task, zero: Zero) -> Vec<Contribution> {
        const RUN: &str = "this run";
        const RIG: &str = "rig sheet";
        let reference = &task.sheets.rig.reference;
        let calibration = &reference.calibration;
        let level = VacuumLevel::new(self.level.value);
        let turns = format!("noise of the turns, the least of {}", self.turns);
        // A lag delays both lines equally, so they still meet at the same level; what remains is the transition between them.
        let lag_pa = self.bend_pa_per_s * reference.lag.uncertainty.si() / 2.0;
        vec![
            Contribution::normal(&turns, self.level.uncertainty).of(RUN),
            Contribution::rectangular("lag of the reference at the turn", lag_pa).of(RIG),
            Contribution::normal("calibration of the reference", calibration.standard_uncertainty_pa(level))
                .of(&certificate(task)),
            Contribution::rectangular("zero drift of the reference", reference.drift.si()).of(RIG),
            Contribution::rectangular("hysteresis of the reference", reference.hysteresis.si()).of(RIG),
            Contribution::normal("zero reading", zero.uncertainty_pa).of(RUN),
        ]
    }
}

/// A change of the valve output, between two reads.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ValveEdge {
    feeds: bool,
    between_s: [f64; 2],
}

impl ValveEdge {
    /// From a change, where `feeding` is the state of the output while it feeds.
    pub(crate) fn of(change: &Change, feeding: bool) -> Self {
        let between_s = [change.last_old.before.seconds(), change.first_new.after.seconds()];
        Self { feeds: change.on == feeding, between_s }
    }
}

/// The least deep level from the first cut-off that ends after `from_s`; `None` without one, or without a reading after it.
pub(crate) fn least_deep(
    samples: &[Sample],
    edges: &[ValveEdge],
    from_s: f64,
    around: Around,
) -> Option<LeastDeep> {
    let first = edges.iter().position(|edge| !edge.feeds && edge.between_s[1] > from_s)?;
    let edges = edges.get(first..)?;
    let cuts = (0..edges.len()).filter(|&index| !edges[index].feeds);
    let stretches: Vec<Stretch<'_>> = cuts
        .map(|index| Stretch::of(samples, &edges[index..]))
        .filter(|stretch| !stretch.samples.is_empty())
        .collect();
    // All turns have the same noise, so their residuals are pooled.
    let first: Vec<Turn> = stretches.iter().filter_map(|stretch| stretch.turn(around, None)).collect();
    let freedom: f64 = first.iter().map(|turn| turn.freedom).sum();
    let squares: f64 = first.iter().map(|turn| turn.freedom * turn.residual_pa.powi(2)).sum();
    let noise_pa =
        if freedom > 0.0 { (squares / freedom).sqrt() } else { around.noise_pa.max(around.resolution_pa) };
    let levels: Vec<Noisy> = stretches.iter().flat_map(|stretch| stretch.lowest(around, noise_pa)).collect();
    let bends = first.iter().map(|turn| (turn.slopes_pa_per_s[1] - turn.slopes_pa_per_s[0]).abs());
    let bend_pa_per_s = bends.fold(0.0, f64::max);
    // How far the level falls before the valve acts depends on the phase of the scan.
    let falls = first.iter().map(|turn| turn.slopes_pa_per_s[0].abs()).fold(0.0, f64::max);
    let spread_pa = falls * around.scan_s / 12f64.sqrt();
    Some(LeastDeep { level: least_of(&levels, Some(spread_pa))?, turns: levels.len(), bend_pa_per_s })
}

/// Readings from one cut-off to the next, or to the end.
struct Stretch<'s> {
    samples: &'s [Sample],
    from_s: f64,
    /// Bracket of the resume edge, seconds; `None` if the device did not resume.
    fed_s: Option<[f64; 2]>,
}

impl<'s> Stretch<'s> {
    /// The stretch after the cut-off that is the first of these edges.
    fn of(samples: &'s [Sample], edges: &[ValveEdge]) -> Self {
        let from_s = edges.first().map_or(f64::INFINITY, |cut| cut.between_s[1]);
        let next = edges.iter().skip(1).find(|edge| !edge.feeds);
        let to_s = next.map_or(f64::INFINITY, |next| next.between_s[0]);
        let first = samples.partition_point(|sample| sample.t_s <= from_s);
        let end = samples.partition_point(|sample| sample.t_s <= to_s);
        let fed_s = edges.get(1).filter(|edge| edge.feeds).map(|fed| fed.between_s);
        Self { samples: samples.get(first..end).unwrap_or_default(), from_s, fed_s }
    }

    /// The turn at the resume edge, from the curves before and after it.
    fn turn(&self, around: Around, noise_pa: Option<f64>) -> Option<Turn> {
        /// Readings needed after a turn.
        const AFTER: usize = 3;
        let [earliest_s, latest_s] = self.fed_s?;
        // From the edge to the air: the scan that sees it, the scan that writes, and the valve.
        let turns_s = latest_s + 3.0 * around.scan_s + 2.0 * around.valve_s + around.lag_s;
        let longest_s = longest_s(around);
        // Only half of the time since the cut-off is used: at its start that change of the air still shows. Judgement of this project.
        let start_s = f64::midpoint(self.from_s, earliest_s).max(earliest_s - longest_s);
        let near = |sample: &&Sample| start_s <= sample.t_s && sample.t_s <= turns_s + longest_s;
        let near: Vec<Sample> = self.samples.iter().filter(near).copied().collect();
        let near = distinct(&near);
        // The last readings are kept for the curve after the turn, because the level is watched only briefly after the last resume.
        let last_s = near.len().checked_sub(AFTER).and_then(|index| near.get(index))?.t_s;
        let prior = TurnPrior {
            between_s: [earliest_s, turns_s.min(last_s)],
            lag_s: around.lag_s,
            noise_pa,
            resolution_pa: around.resolution_pa,
            bend_pa_per_s2: around.rate_pa_per_s * around.bends_per_s,
        };
        fit_turn(&near, prior)
    }

    /// The least deep level, at the turn or at the end; a reading far below it replaces it.
    fn lowest(&self, around: Around, noise_pa: f64) -> Vec<Noisy> {
        /// Noise does not explain a reading this many standard deviations below. Judgement of this project.
        const UNEXPLAINED: f64 = 6.0;
        let reading = self.samples.iter().map(|sample| sample.level_pa).fold(f64::INFINITY, f64::min);
        let reading = Noisy { value: reading, uncertainty: noise_pa };
        let turn = self.turn(around, Some(noise_pa));
        let turn = turn.map(|turn| Noisy { value: turn.level_pa, uncertainty: turn.uncertainty_pa });
        if turn.is_none() && self.fed_s.is_some() {
            // The level turned, but all that is known is between which readings.
            let between_pa = around.rate_pa_per_s * around.scan_s / 12f64.sqrt();
            return vec![Noisy { uncertainty: noise_pa.hypot(between_pa), ..reading }];
        }
        let Some(found) = turn.or_else(|| self.end(around)) else { return vec![reading] };
        let below = found.value - reading.value;
        if below > UNEXPLAINED * noise_pa.hypot(found.uncertainty) { vec![reading] } else { vec![found] }
    }

    /// The level at the end, from a line through the last readings, extended by the fall that the lag still hides.
    fn end(&self, around: Around) -> Option<Noisy> {
        let end_s = self.samples.last()?.t_s;
        let from_s = end_s - longest_s(around);
        let last: Vec<Sample> = self.samples.iter().filter(|sample| sample.t_s >= from_s).copied().collect();
        let line = fit_line(&distinct(&last), end_s, around.resolution_pa)?;
        let value = line.level_pa(end_s) + line.slope_pa_per_s(end_s).min(0.0) * around.lag_s;
        Some(Noisy { value, uncertainty: line.level_uncertainty_pa(end_s) })
    }
}

/// Longest stretch fitted on one side, seconds: shorter than the time constants of the air, so that two bends describe it, but at least
/// a few readings. Judgement of this project.
fn longest_s(around: Around) -> f64 {
    const SHORT_S: f64 = 0.3;
    const LONG_S: f64 = 1.0;
    const READINGS: f64 = 6.0;
    (READINGS * around.scan_s).clamp(SHORT_S, LONG_S)
}

#[cfg(test)]
mod tests;
