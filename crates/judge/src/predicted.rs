//! What planned ramps will be able to decide: the budgets of a run over predicted crossings. The predicted device is set as on its
//! sheet, has the mean promised delay and scatters as promised.

use crate::channel::{Zero, age_half_s};
use crate::coverage::selects;
use crate::hose::{self, Leak};
use crate::level::Crossings;
use crate::place::{Sight, crossing, fitted_spread_pa};
use crate::promised::{longest_delay_s, net_delay_s, promised_spread_pa, response_s, selected_delay_s};
use crate::result::{Basis, Delay, Level, at_rates, delay, hysteresis, level};
use crate::screening::spare_s;
use crate::spread::{hides_spread, scatter};
use crate::transition::{Timed, other_left_s, shows_selected};
use tripbench_device::{Expected, LevelLimits};
use tripbench_measure::{AtRates, Bracket, Contribution, Density, MeasurementResult, combine};
use tripbench_quantity::VacuumLevel;
use tripbench_record::{Motion, QuantityName, SwitchPointsTask, Task};

/// Planned ramps, with the rig and the sheets.
#[derive(Clone, Copy)]
pub struct Foresight<'f> {
    /// The sheets; the steps are ignored.
    pub task: &'f Task,
    /// The ramps.
    pub ramps: &'f SwitchPointsTask,
    /// Absolute rate at a level in a ramp, pascal per second.
    pub rate: &'f dyn Fn(Ramp, VacuumLevel) -> f64,
    /// Expanded uncertainty with which the leak will be known, pascal per second.
    pub leak_pa_per_s: f64,
}

impl std::fmt::Debug for Foresight<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Foresight").field("ramps", self.ramps).finish_non_exhaustive()
    }
}

/// One planned ramp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ramp {
    /// How the air moves.
    pub motion: Motion,
    /// Whether it goes towards deeper vacuum.
    pub deeper: bool,
    /// Motion of the ramp before it, in the other direction; `None` from rest.
    pub after: Option<Motion>,
}

/// A predicted level, with the delay of its output.
#[derive(Debug, Clone)]
pub struct PredictedLevel {
    level: Level,
    /// The static level from the crossings alone, independent of the delay.
    standing: Density,
    delay: Option<MeasurementResult>,
    crossings: Crossings,
    /// The level if the run shows that no other delay of the type is selected.
    as_set: Level,
}

impl PredictedLevel {
    /// Expanded uncertainty of the level if the run shows that no other delay of the type is selected, pascal.
    pub const fn as_set_pa(&self) -> f64 {
        self.as_set.result.expanded_uncertainty
    }

    /// Expanded uncertainty of the level, pascal.
    pub const fn expanded_pa(&self) -> f64 {
        self.level.result.expanded_uncertainty
    }

    /// Whether the effect of a leak behind the hose, for a rig whose leak is too small to measure, is too large for this half
    /// tolerance, pascal.
    pub fn hose_leaves_open(&self, half_tolerance_pa: f64) -> bool {
        self.crossings.hose.leaves_open(half_tolerance_pa)
    }

    /// Expanded uncertainty of the delay, seconds; `None` if the ramps do not show it.
    pub fn delay_expanded_s(&self) -> Option<f64> {
        self.delay.as_ref().map(|delay| delay.expanded_uncertainty)
    }

    /// Degrees of freedom of the delay's uncertainty; `None` if the ramps do not show the delay, infinite if no part of it is
    /// estimated.
    pub fn delay_freedom(&self) -> Option<f64> {
        self.delay.as_ref().map(|delay| delay.degrees_of_freedom.unwrap_or(f64::INFINITY))
    }

    /// Whether a spread much larger than promised would not show.
    pub fn hides_spread(&self, task: &Task) -> bool {
        hides_spread(task, &self.level, &self.crossings)
    }

    /// By how much the delay may exceed the promise without changing the verdict of a level that is inside its limits by `slack_pa`,
    /// seconds.
    pub fn spare_s(&self, slack_pa: f64) -> f64 {
        spare_s(&self.level, slack_pa)
    }
}

/// What delays resolved as predicted will not show: a pinched hose, and which delay is selected. Empty without predicted levels.
pub fn left_open_by_delays(task: &Task, levels: &[PredictedLevel]) -> Vec<QuantityName> {
    let delays: Vec<&MeasurementResult> = levels.iter().filter_map(|level| level.delay.as_ref()).collect();
    let timed: Vec<Timed<'_>> = delays.iter().map(|delay| Timed { delay, seems_later_s: 0.0 }).collect();
    let selected = selects(task) && !shows_selected(task, &timed);
    let hose = hose::has_hoses(task) && !delays.iter().any(|delay| hose::is_told(task, delay));
    let open = [(QuantityName::SelectedDelay, selected), (QuantityName::Hose, hose)];
    open.into_iter().filter(|(_, open)| *open && !levels.is_empty()).map(|(quantity, _)| quantity).collect()
}

/// A group of planned crossings.
#[derive(Debug, Clone, Copy)]
struct Group {
    cycles: [u16; 2],
    motion: Motion,
    rate_pa_per_s: f64,
    fast: bool,
}

impl Foresight<'_> {
    /// The expected levels as the ramps will show them: switch point and reset point, then cut-off and resume where the valve output is
    /// judged. Empty if one of them cannot be predicted.
    pub fn levels(&self, expected: &Expected) -> Vec<PredictedLevel> {
        let switch = [(true, expected.on, false), (false, expected.off, false)];
        let valve = expected.cut_off.zip(expected.resume).filter(|_| self.ramps.valve);
        let valve = valve.into_iter().flat_map(|(cut, resume)| [(true, cut, true), (false, resume, true)]);
        let mut found: Vec<(Crossings, Option<AtRates>)> = switch
            .into_iter()
            .chain(valve)
            .map(|(rising, limits, valve)| {
                let crossings = self.crossings(rising, limits, valve);
                let rates = at_rates(self.task, &crossings, 0.0);
                (crossings, rates)
            })
            .collect();
        let basis = self.basis();
        let delays: Vec<Option<MeasurementResult>> = found
            .iter()
            .map(|(crossings, rates)| rates.as_ref().and_then(|rates| delay(basis, (crossings, 0.0), rates)))
            .collect();
        let known: Vec<&MeasurementResult> = delays.iter().flatten().collect();
        let timed: Vec<Timed<'_>> = known.iter().map(|delay| Timed { delay, seems_later_s: 0.0 }).collect();
        let other_s = other_left_s(self.task, &timed);
        for (crossings, _) in &mut found {
            crossings.hose = self.hose(crossings, &known);
        }
        let predicted =
            |((crossings, rates), delay): ((Crossings, Option<AtRates>), Option<MeasurementResult>)| {
                let as_set = level(basis, &crossings, rates.clone(), Delay::AsPromised { other_s: 0.0 })?;
                let rates = if other_s > 0.0 { at_rates(self.task, &crossings, other_s) } else { rates };
                let standing = rates.as_ref().map(|rates| rates.free.density.clone());
                let level = level(basis, &crossings, rates, Delay::AsPromised { other_s })?;
                let standing = standing.unwrap_or_else(|| level.random.density.clone());
                Some(PredictedLevel { level, standing, delay, crossings, as_set })
            };
        // All or none, because they are identified by their order.
        found.into_iter().zip(delays).map(predicted).collect::<Option<Vec<_>>>().unwrap_or_default()
    }

    /// Expanded uncertainty of the hysteresis between two levels, pascal.
    pub fn hysteresis_pa(&self, on: &PredictedLevel, off: &PredictedLevel) -> f64 {
        self.between_pa(&on.level, &off.level)
    }

    /// The same if the run shows that no other delay of the type is selected.
    pub fn hysteresis_as_set_pa(&self, on: &PredictedLevel, off: &PredictedLevel) -> f64 {
        self.between_pa(&on.as_set, &off.as_set)
    }

    fn between_pa(&self, on: &Level, off: &Level) -> f64 {
        hysteresis(self.basis(), on, off).map_or(f64::INFINITY, |found| found.expanded_uncertainty)
    }

    /// Expanded uncertainty of a level crossed `cycles` times at one rate only, where the device drives its own valve, pascal. `shown`:
    /// whether earlier ramps show which delay is selected.
    pub fn at_one_rate_pa(
        &self,
        limits: LevelLimits,
        (rate_pa_per_s, deeper, cycles): (f64, bool, u16),
        shown: bool,
    ) -> f64 {
        let group = Group { cycles: [1, cycles], motion: Motion::FullFlow, rate_pa_per_s, fast: false };
        let mut crossings = self.at(deeper, limits, &[group]);
        crossings.slow = tripbench_record::Cycles::default();
        let other_s = if shown { 0.0 } else { other_left_s(self.task, &[]) };
        level(self.basis(), &crossings, None, Delay::AsPromised { other_s })
            .map_or(f64::INFINITY, |level| level.result.expanded_uncertainty)
    }

    fn basis(&self) -> Basis<'_> {
        let rig = &self.task.sheets.rig;
        let resolution_pa = rig.reference.input.resolution();
        // A zero lasts for seconds, so little more than the resolution is left.
        let uncertainty_pa = (self.noise_pa() / ZERO_READINGS.sqrt()).hypot(resolution_pa / 12f64.sqrt());
        let zero = Zero { offset_pa: 0.0, uncertainty_pa, at_s: 0.0, spread_pa: self.noise_pa(), count: 2 };
        Basis { task: self.task, zero, resolution_pa }
    }

    fn noise_pa(&self) -> f64 {
        let reference = &self.task.sheets.rig.reference;
        reference.noise.si().hypot(reference.input.resolution() / 12f64.sqrt())
    }

    fn crossings(&self, rising: bool, limits: LevelLimits, valve: bool) -> Crossings {
        let ramps = self.ramps;
        let motion = if rising { ramps.rising } else { ramps.falling };
        let level = VacuumLevel::new(f64::midpoint(limits.low.si(), limits.high.si()));
        let rate = |motion, after| (self.rate)(Ramp { motion, deeper: rising, after }, level);
        let slow = ramps.slow(rising);
        // A throttled rise continues at full flow beyond the switch point, except in one cycle.
        let throttled: Vec<u16> = (1..=ramps.cycles)
            .filter(|cycle| slow.contains(*cycle))
            .filter(|cycle| !(valve && rising) || ramps.throttled_to_the_top(*cycle))
            .collect();
        let mut groups: Vec<Group> = (1..=ramps.cycles)
            .map(|cycle| {
                let motion = if throttled.contains(&cycle) { Motion::Throttled } else { motion };
                // The first ramp follows the approach, at about the rate of a ramp after a fall.
                let other = if rising { cycle.saturating_sub(1).max(1) } else { cycle };
                let rate_pa_per_s = rate(motion, Some(ramps.motion(!rising, other)));
                Group { cycles: [cycle, cycle], motion, rate_pa_per_s, fast: false }
            })
            .collect();
        // The pull of the fast pair always shows; its fall only where enough readings lie in it.
        if if rising { ramps.fast_pair() } else { ramps.fast_shows[1] } {
            let motion = Motion::FullFlow;
            groups.push(Group { cycles: [1, 1], motion, rate_pa_per_s: rate(motion, None), fast: true });
        }
        let mut found = self.at(rising, limits, &groups);
        found.slow = slow;
        found
    }

    /// Crossings at these rates, evenly spread over the phases of scans and conversions and over the promised spread.
    fn at(&self, rising: bool, limits: LevelLimits, groups: &[Group]) -> Crossings {
        const STARTS_S: f64 = 15.0;
        const CYCLE_S: f64 = 6.0;
        let level_pa = f64::midpoint(limits.low.si(), limits.high.si());
        let all: Vec<(u16, Group)> = groups
            .iter()
            .flat_map(|group| (group.cycles[0]..=group.cycles[1]).map(move |cycle| (cycle, *group)))
            .collect();
        let spread_pa = promised_spread_pa(self.task, level_pa);
        let sign = if rising { 1.0 } else { -1.0 };
        let mut found =
            Crossings { rising, taken_off_s: net_delay_s(self.task), alive: true, ..Crossings::default() };
        for (index, (cycle, group)) in all.iter().enumerate() {
            let same = |other: &&(u16, Group)| (other.1.motion, other.1.fast) == (group.motion, group.fast);
            let (before, count) = (all[..index].iter().filter(same).count(), all.iter().filter(same).count());
            let away_pa = scatter(count, spread_pa).get(before).copied().unwrap_or(0.0);
            #[expect(clippy::cast_precision_loss, reason = "counts are small")]
            let share = (before as f64 + 0.5) / count as f64;
            let wide_pa = self.wide_pa(group.rate_pa_per_s, rising);
            let age_pa = group.rate_pa_per_s * 2.0 * age_half_s(self.task);
            let middle_pa = level_pa + away_pa + met(share, [wide_pa - age_pa, age_pa]);
            let at_s = STARTS_S + CYCLE_S * (f64::from(*cycle) + if rising { 0.0 } else { 0.5 });
            let edge = Bracket { earliest_s: at_s, latest_s: at_s };
            let ends = [middle_pa - wide_pa / 2.0, middle_pa + wide_pa / 2.0];
            let (interval, mut record) =
                crossing(edge, ends, self.fit_pa(group.rate_pa_per_s, level_pa), sign * group.rate_pa_per_s);
            (record.cycle, record.fast) = (*cycle, group.fast);
            found.intervals.push(interval);
            found.records.push(record);
            found.rate_uncertainties.push(0.0);
        }
        found
    }

    /// Width of the interval of one crossing at a rate, pascal.
    fn wide_pa(&self, rate_pa_per_s: f64, rising: bool) -> f64 {
        let rig = &self.task.sheets.rig;
        let motion = if rising { self.ramps.rising } else { self.ramps.falling };
        if let Motion::Pulses { pulse, .. } = motion {
            return rate_pa_per_s * (pulse.si() + rig.order_time().si());
        }
        let stamped = rig.positions.iter().all(|position| position.switch.capture.is_some());
        let tick = rig.module.clock.as_ref().filter(|_| stamped).map(|clock| clock.tick.si());
        let edge_s = tick.map_or(rig.edge_time().si(), |tick| 2.0 * tick + rig.link.answer_time.si());
        rate_pa_per_s * (edge_s + 2.0 * age_half_s(self.task))
    }

    /// Standard uncertainty of a level from the curve through the samples around it, pascal: 3/2 of the noise over the root of their
    /// number, at the middle of a curve of second degree.
    fn fit_pa(&self, rate_pa_per_s: f64, level_pa: f64) -> f64 {
        let rig = &self.task.sheets.rig;
        let period_s = rig.scan_time().si().max(rig.module.converter.si()).max(1e-4);
        let resolution_pa = rig.reference.input.resolution();
        let moved_s = resolution_pa / rate_pa_per_s.max(1e-3);
        let sight = Sight {
            period_s,
            noise_pa: rig.reference.noise.si(),
            resolution_pa,
            rate_pa_per_s,
            level_pa: level_pa.abs(),
            spread_pa: fitted_spread_pa(self.task, level_pa),
            by_hand: rig.by_hand(),
        };
        let samples = (2.0 * sight.reach_s() / period_s.max(moved_s)).max(6.0);
        1.5 * self.noise_pa() / samples.sqrt()
    }

    fn hose(&self, crossings: &Crossings, delays: &[&MeasurementResult]) -> hose::Drop {
        let level_pa = crossings.intervals.first().map_or(0.0, |interval| interval.low_pa);
        let leak = Leak::known(0.0, self.leak_pa_per_s, self.task.sheets.rig.manifold.largest_leak.si());
        let positions =
            self.task.positions.iter().filter_map(|plan| self.task.sheets.rig.position(plan.number));
        let drops = positions.map(|position| hose::through(self.task, position, leak, level_pa, delays));
        drops.max_by(|a, b| a.largest_pa.total_cmp(&b.largest_pa)).unwrap_or_default()
    }

    /// Expanded uncertainty of one response, seconds, with the level as predicted: crossed in a pull at full flow from ambient, or in
    /// the fall at full vent that follows.
    pub fn response_s(&self, level: &PredictedLevel, deeper: bool) -> f64 {
        let rig = &self.task.sheets.rig;
        let after = (!deeper).then_some(Motion::FullFlow);
        let ramp = Ramp { motion: Motion::FullFlow, deeper, after };
        let rate = (self.rate)(ramp, VacuumLevel::new(level.level.result.value)).max(1.0);
        let parts = vec![
            Contribution::rectangular("edge", self.wide_pa(rate, true) / rate / 2.0),
            Contribution::rectangular("lag of the reference", rig.reference.lag.uncertainty.si()),
            Contribution::intervals("level", &level.standing.scaled(1.0 / rate), level.level.count),
            Contribution::normal("scatter of the fit", self.fit_pa(rate, level.level.result.value) / rate),
        ];
        combine(0.0, rig.reference.input.resolution() / rate, parts)
            .map_or(f64::INFINITY, |one| one.expanded_uncertainty)
    }

    /// Mean and longest promised time from level to output, seconds.
    pub fn promised_s(&self) -> [f64; 2] {
        [selected_delay_s(self.task) + response_s(self.task) / 2.0, longest_delay_s(self.task)]
    }
}

/// Offset of an edge from the middle of its interval at a given quantile. The phases of scans and conversions are independent, so the
/// distribution is that of the sum of two rectangles of these widths.
fn met(share: f64, [edge, age]: [f64; 2]) -> f64 {
    let (wide, narrow) = (edge.max(age), edge.min(age).max(0.0));
    let from_end = share.min(1.0 - share);
    let from_middle = if from_end * 2.0 * wide < narrow {
        f64::midpoint(wide, narrow) - (2.0 * from_end * wide * narrow).sqrt()
    } else {
        (0.5 - from_end) * wide
    };
    from_middle.copysign(share - 0.5)
}

/// Readings of a zero. Judgement of this project.
const ZERO_READINGS: f64 = 100.0;

#[cfg(test)]
mod tests;
