//! One level of one position, from its crossings: the interval of each, what they say together, and the budget.

use crate::channel::{Change, Channels, Zero, changes};
use crate::hose::Drop;
use crate::stamp::edge;
use tripbench_measure::{Bracket, CrossingInterval, RateGroup, Sample, distinct, fit_curve, mean};
use tripbench_record::{CrossingRecord, Cycles, Mark, Motion, Segment, Task};
use tripbench_rig::{ActiveState, DigitalInput, Edges};

/// What is looked for: an input that changes to a state in one direction of ramp.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sought<'r> {
    /// The input.
    pub(crate) input: &'r DigitalInput,
    /// The state that it changes to.
    pub(crate) to: bool,
    /// Direction of the ramp.
    pub(crate) rising: bool,
    /// How the air moves in it.
    pub(crate) motion: Motion,
    /// Cycles that are throttled where the others are not.
    pub(crate) slow: Cycles,
    /// What is taken off an edge to find when the level was crossed, seconds.
    pub(crate) delay_s: f64,
}

/// What the ramps of one direction showed.
#[derive(Debug, Clone, Default)]
pub(crate) struct Crossings {
    /// Whether the ramps were rising.
    pub(crate) rising: bool,
    /// Crossings that count.
    pub(crate) records: Vec<CrossingRecord>,
    /// Their intervals.
    pub(crate) intervals: Vec<CrossingInterval>,
    /// Changes beyond the one expected, over all ramps.
    pub(crate) extra: u32,
    /// Changes that the module counted beside those that the reads saw.
    pub(crate) counted: Counted,
    /// Ramps without the expected change.
    pub(crate) missing: u32,
    /// Throttled ramps that began when the output had changed already.
    pub(crate) early: u32,
    /// Ramps whose change could not be placed: direction reversed, or too few samples around it.
    pub(crate) unplaced: u32,
    /// Cycles that are throttled where the others are not.
    pub(crate) slow: Cycles,
    /// Deepest level that every ramp reached, pascal.
    pub(crate) least_top_pa: f64,
    /// Least deep level that every ramp came down to, pascal.
    pub(crate) greatest_bottom_pa: f64,
    /// Selected delay that nothing in the run shows to be there in this direction, seconds.
    pub(crate) unshown_s: f64,
    /// What a leak behind the hose can do.
    pub(crate) hose: Drop,
    /// Whether the last ramp saw the input in both states.
    pub(crate) alive: bool,
}

impl Crossings {
    /// Whether a crossing is one of the slow ones, where some ramps are throttled: by its rate, for a throttled ramp goes on at
    /// full flow beyond the switch point.
    fn is_slow(&self, record: &CrossingRecord) -> bool {
        /// Rates that are nearer than this are of one kind.
        const ALIKE: f64 = 1.5;
        if self.slow.count() == 0 {
            return false;
        }
        let rates = || self.records.iter().map(|record| record.rate_pa_per_s.abs());
        let (least, most) = (rates().fold(f64::INFINITY, f64::min), rates().fold(0.0, f64::max));
        most > ALIKE * least && record.rate_pa_per_s.abs() < (least * most).sqrt()
    }

    /// The crossings in groups of one way of moving the air each.
    pub(crate) fn groups(&self) -> Vec<RateGroup> {
        let group = |slow: bool| {
            let mine = self.records.iter().zip(&self.intervals);
            let mine = mine.filter(|(record, _)| self.is_slow(record) == slow);
            let (rates, crossings): (Vec<f64>, Vec<CrossingInterval>) =
                mine.map(|(record, interval)| (record.rate_pa_per_s, *interval)).unzip();
            Some(RateGroup { slope_pa_per_s: mean(&rates)?, crossings })
        };
        [group(true), group(false)].into_iter().flatten().collect()
    }

    /// Mean time of the crossings of one group, or of all, seconds.
    pub(crate) fn mean_time_s(&self, slow: Option<bool>) -> Option<f64> {
        let mine = self.records.iter().filter(|record| slow.is_none_or(|slow| self.is_slow(record) == slow));
        mean(&mine.map(|record| f64::midpoint(record.earliest_s, record.latest_s)).collect::<Vec<_>>())
    }

    /// Largest over least rate at the crossings of one group; 1 for fewer than two. One that a throttled ramp reached beyond its
    /// throttled part is like none of the others: the gas is warmer there.
    pub(crate) fn rate_ratio(&self) -> f64 {
        let ratio = |slow: bool| {
            let beyond = |record: &CrossingRecord| self.rising && self.slow.contains(record.cycle);
            let mine = || {
                let alike =
                    |record: &&CrossingRecord| self.is_slow(record) == slow && (slow || !beyond(record));
                self.records.iter().filter(alike)
            };
            let rates = || mine().map(|record| record.rate_pa_per_s.abs());
            let (least, most) = (rates().fold(f64::INFINITY, f64::min), rates().fold(0.0, f64::max));
            if mine().count() < 2 { 1.0 } else { most / least }
        };
        ratio(true).max(ratio(false))
    }
}

/// Delays between the level crossing and the edge at the module, less the reference's own: mean, seconds. The delay that was
/// selected is taken to be there; whether it is, is checked where a run has two rates, and counts where it has not.
pub(crate) fn net_delay_s(task: &Task) -> f64 {
    selected_delay_s(task) + response_s(task) / 2.0 - task.sheets.rig.reference.lag.value.si()
}

/// Delay that the settings sheet selects, seconds.
pub(crate) fn selected_delay_s(task: &Task) -> f64 {
    task.sheets.settings.as_ref().map_or(0.0, |settings| settings.delay.si())
}

/// Response that the type promises without it, seconds.
pub(crate) fn response_s(task: &Task) -> f64 {
    task.sheets.device.as_ref().map_or(0.0, |device| device.promise.response_time.si())
}

/// Longest delay that the device can have: the selected one and the response promised without it. Of an unknown device neither
/// is known: then the level stated is the apparent one, at the edge.
pub(crate) fn longest_delay_s(task: &Task) -> f64 {
    selected_delay_s(task) + response_s(task)
}

/// Finds the crossings in the ramps of a step.
pub(crate) fn crossings(
    channels: &Channels<'_>,
    marks: &[Mark],
    step: u16,
    zero: Zero,
    sought: Sought<'_>,
) -> Crossings {
    let mut found = Crossings {
        rising: sought.rising,
        least_top_pa: f64::INFINITY,
        greatest_bottom_pa: f64::NEG_INFINITY,
        slow: sought.slow,
        ..Crossings::default()
    };
    for mark in marks.iter().filter(|mark| mark.step == step) {
        let ((Segment::Rising { cycle }, true) | (Segment::Falling { cycle }, false)) =
            (mark.segment, sought.rising)
        else {
            continue;
        };
        let samples = channels.samples(mark, zero);
        let bits = channels.bits(mark, sought.input);
        let all = changes(&bits);
        let top = samples.iter().map(|sample| sample.level_pa).fold(f64::NEG_INFINITY, f64::max);
        found.least_top_pa = found.least_top_pa.min(top);
        let bottom = samples.iter().map(|sample| sample.level_pa).fold(f64::INFINITY, f64::min);
        found.greatest_bottom_pa = found.greatest_bottom_pa.max(bottom);
        found.alive = !all.is_empty();
        let wanted = all.iter().filter(|change| change.on == sought.to);
        let started_right = bits.first().is_some_and(|bit| bit.on != sought.to);
        found.extra += u32::try_from(all.len().saturating_sub(1)).unwrap_or(u32::MAX);
        found.counted.add(between_reads(channels, mark, sought.input, &all));
        match wanted.into_iter().next().filter(|_| started_right) {
            None if !started_right && all.is_empty() && sought.slow.contains(cycle) => found.early += 1,
            None => found.missing += 1,
            Some(change) => match place(channels, mark, &samples, change, sought) {
                None => found.unplaced += 1,
                Some((interval, mut record)) => {
                    record.cycle = cycle;
                    found.intervals.push(interval);
                    found.records.push(record);
                }
            },
        }
    }
    found
}

/// What a module's edge counter and the reads do not agree in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Counted {
    /// Changes that it counted and no read saw.
    pub(crate) more: u64,
    /// Changes that were read and it did not count.
    pub(crate) less: u64,
}

impl Counted {
    /// Whether they agree.
    pub(crate) const fn agrees(self) -> bool {
        self.more == 0 && self.less == 0
    }

    /// Over several stretches: what is too much in one does not make up for what is missing in another.
    const fn add(&mut self, other: Self) {
        self.more += other.more;
        self.less += other.less;
    }
}

/// What the module counted in a stretch against what the reads saw; both agree where it does not count.
pub(crate) fn between_reads(
    channels: &Channels<'_>,
    mark: &Mark,
    input: &DigitalInput,
    seen: &[Change],
) -> Counted {
    let Some(counter) = &input.counter else { return Counted::default() };
    // The counter sees the wire, whatever counts as on.
    let counts =
        |change: &&Change| counter.edges == Edges::Both || change.on == (input.active == ActiveState::High);
    let expected: Vec<&Change> = seen.iter().filter(counts).collect();
    let whole = channels.counted(mark, counter).unwrap_or(0);
    let expected_count = expected.len() as u64;
    // Each change has to be counted where it was seen, a read earlier or later: else it is the counter of another input.
    let elsewhere =
        expected.iter().filter(|change| !channels.counts_around(mark, counter, change)).count() as u64;
    Counted {
        more: whole.saturating_sub(expected_count),
        less: expected_count.saturating_sub(whole).max(elsewhere),
    }
}

/// Level between the two ends of the edge's interval, from a curve through the samples around it.
fn place(
    channels: &Channels<'_>,
    mark: &Mark,
    samples: &[Sample],
    change: &Change,
    sought: Sought<'_>,
) -> Option<(CrossingInterval, CrossingRecord)> {
    if let Motion::Pulses { settle, .. } = sought.motion {
        let edge = edge(channels, mark, sought.input, change)?;
        return place_between_peaks(channels, (samples, settle.si()), edge, sought.rising);
    }
    let edge = edge(channels, mark, sought.input, change)?;
    let delay_s = sought.delay_s;
    let (from_s, to_s) = (edge.earliest_s - delay_s, edge.latest_s - delay_s);
    let centre_s = f64::midpoint(from_s, to_s);
    let near = around(samples, centre_s, to_s - from_s);
    let curve = fit_curve(&distinct(near), centre_s, channels.resolution_pa())?;
    let slope = curve.slope_pa_per_s(centre_s);
    if (slope > 0.0) != sought.rising || !slope.is_finite() {
        return None;
    }
    let ends = [curve.level_pa(from_s), curve.level_pa(to_s)];
    Some(crossing(edge, ends, curve.level_uncertainty_pa(centre_s), slope))
}

/// A crossing between two levels, in whatever order they are.
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
    };
    (CrossingInterval { low_pa, high_pa, fit_pa }, record)
}

/// Where the air moves in pulses: the level lies between the farthest that was reached without a change and the farthest
/// that had been reached when it came. What was reached less than the longest delay before the change may already have
/// caused it; what the reference shows comes later by its lag.
fn place_between_peaks(
    channels: &Channels<'_>,
    (samples, settle_s): (&[Sample], f64),
    edge: Bracket,
    rising: bool,
) -> Option<(CrossingInterval, CrossingRecord)> {
    /// Time constants after which nothing of a lag is left.
    const SETTLED: f64 = 5.0;
    let rig = &channels.task.sheets.rig;
    let sign = if rising { 1.0 } else { -1.0 };
    // The farthest of many means is too far by the noise: wide means have less of it, and the rest is taken off.
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
    // A change long after the farthest point is the answer to it by an output that is later than its sheets say.
    let reached_s = smooth.iter().filter(|sample| sample.t_s <= after_s);
    let reached_s =
        reached_s.filter(|sample| sample.level_pa * sign >= with).map(|sample| sample.t_s).next_back()?;
    let scans_s = 3.0 * (rig.scan_time().si() + rig.module.converter.si());
    if edge.earliest_s - reached_s > longest_delay_s(channels.task) + SETTLED * lag_s + scans_s
        || with <= without
    {
        return None;
    }
    let fit_pa = rig.reference.noise.si().hypot(channels.resolution_pa() / 12f64.sqrt());
    let ends = [without - too_far_pa, with - too_far_pa].map(|end| end * sign);
    Some(crossing(edge, ends, fit_pa, 0.0))
}

/// By how much the farthest of many means of three readings is too far, in standard deviations of one; found in simulation.
const TOO_FAR: f64 = 0.75;

/// Readings in a mean where the air rests between pulses: a third of the rest, 3 to 15.
fn means_over(channels: &Channels<'_>, settle_s: f64) -> usize {
    let period_s = channels.task.sheets.rig.scan_time().si().max(1e-4);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 3 and 15")]
    let wide = (settle_s / period_s / 3.0).clamp(3.0, 15.0) as usize;
    wide
}

/// Samples within about twenty sample periods to each side, and well beyond the interval; both sides have to be there.
pub(crate) fn around(samples: &[Sample], centre_s: f64, width_s: f64) -> &[Sample] {
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return &[] };
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    let period_s = (last.t_s - first.t_s) / samples.len().max(2) as f64;
    let half_s = (20.0 * period_s).clamp(0.08, 0.4).max(2.0 * width_s);
    let from = samples.partition_point(|sample| sample.t_s < centre_s - half_s);
    let to = samples.partition_point(|sample| sample.t_s <= centre_s + half_s);
    let here = &samples[from..to];
    let after = here.iter().filter(|sample| sample.t_s > centre_s).count();
    if after >= 3 && here.len() >= after + 3 { here } else { &[] }
}

/// Repeatability that the type promises, as a standard deviation: half of the promised half width.
pub(crate) fn promised_spread_pa(task: &Task, near_pa: f64) -> f64 {
    let declared =
        task.sheets.device.as_ref().zip(task.sheets.settings.as_ref()).map(|(device, settings)| {
            let scale = device.scale(settings.unit.value);
            device.promise.repeatability.half_width(tripbench_quantity::VacuumLevel::new(near_pa), scale).si()
                / 2.0
        });
    declared.unwrap_or(50.0)
}
