//! The crossings of one level: one output in one direction, from the ramps and the fast pair of a step.

use crate::channel::{Change, Channels, Zero, changes};
use crate::hose::Drop;
use crate::place::{Placed, place};
use crate::promised::longest_delay_s;
use tripbench_measure::{CrossingInterval, RateGroup, Sample, mean};
use tripbench_quantity::{LevelStyle, VacuumLevel};
use tripbench_record::{CrossingRecord, Cycles, Mark, Motion, Segment};
use tripbench_rig::{ActiveState, DigitalInput, Edges};

/// The change to look for: an input that changes to a state in one direction of ramp.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sought<'r> {
    /// The input.
    pub(crate) input: &'r DigitalInput,
    /// The state that it changes to.
    pub(crate) to: bool,
    /// Whether the ramps rise.
    pub(crate) rising: bool,
    /// How the air moves in the ramps.
    pub(crate) motion: Motion,
    /// Cycles that are throttled where the others are not.
    pub(crate) slow: Cycles,
    /// Delay subtracted from an edge to find when the level was crossed, seconds.
    pub(crate) delay_s: f64,
}

/// The crossings found in the ramps of one direction.
#[derive(Debug, Clone, Default)]
pub(crate) struct Crossings {
    /// Whether the ramps rise.
    pub(crate) rising: bool,
    /// Crossings that count, those of the fast pair last.
    pub(crate) records: Vec<CrossingRecord>,
    /// Level intervals of these crossings.
    pub(crate) intervals: Vec<CrossingInterval>,
    /// Standard uncertainties of their rates, pascal per second.
    pub(crate) rate_uncertainties: Vec<f64>,
    /// Changes beyond the one expected in each ramp, over all ramps.
    pub(crate) extra: u32,
    /// Disagreement between the module's edge counter and the reads.
    pub(crate) counted: Counted,
    /// Ramps without the expected change.
    pub(crate) missing: u32,
    /// Throttled ramps that began after the output had already changed.
    pub(crate) early: u32,
    /// Ramps whose change could not be placed: direction reversed, or too few samples around it.
    pub(crate) unplaced: u32,
    /// Cycles that are throttled where the others are not.
    pub(crate) slow: Cycles,
    /// Delay that was subtracted from the edges, seconds.
    pub(crate) taken_off_s: f64,
    /// Deepest level that every ramp reached, pascal.
    pub(crate) least_top_pa: f64,
    /// Least deep level that every ramp fell to, pascal.
    pub(crate) greatest_bottom_pa: f64,
    /// The same two levels, but only up to the time before the end of each ramp that a good output and its input need to show a change,
    /// pascal.
    pub(crate) answered_pa: [f64; 2],
    /// Effect of a leak behind the hose.
    pub(crate) hose: Drop,
    /// Whether the input changed in the last ramp.
    pub(crate) alive: bool,
    /// Levels of the ramps in which the output changed once, but in the opposite sense, pascal.
    pub(crate) opposite_pa: Vec<f64>,
}

impl Crossings {
    /// Adds a crossing.
    pub(crate) fn push(&mut self, placed: Placed) {
        self.intervals.push(placed.interval);
        self.records.push(placed.record);
        self.rate_uncertainties.push(placed.rate_uncertainty_pa_per_s);
    }

    /// Words for an output that changed in the opposite sense wherever its change is missing; `to` is the expected new state.
    pub(crate) fn other_way_round(&self, to: bool, style: LevelStyle) -> Option<String> {
        let (count, level_pa) = (self.opposite_pa.len(), mean(&self.opposite_pa)?);
        let ramps = self.missing + self.placed() + self.unplaced;
        let name = |on: bool| if on { "on" } else { "off" };
        (u32::try_from(count) == Ok(self.missing)).then(|| {
            format!(
                "changes from {0} to {1} at about {2} in {count} of {ramps} ramps, where {1} to {0} is expected: is its logic inverted? Check the \
                 settings sheet and the wiring",
                name(to),
                name(!to),
                style.level(VacuumLevel::new(level_pa))
            )
        })
    }

    /// Number of ramps whose crossing counts.
    pub(crate) fn placed(&self) -> u32 {
        u32::try_from(self.records.iter().filter(|record| !record.fast).count()).unwrap_or(u32::MAX)
    }

    /// The crossings, grouped by how the air moved.
    pub(crate) fn groups(&self) -> Vec<RateGroup> {
        let group = |wanted: Moved| {
            let mine = self.records.iter().zip(&self.intervals);
            let mine = mine.filter(|(record, _)| self.moved(record) == wanted);
            let (rates, crossings): (Vec<f64>, Vec<CrossingInterval>) =
                mine.map(|(record, interval)| (record.rate_pa_per_s, *interval)).unzip();
            Some(RateGroup { slope_pa_per_s: mean(&rates)?, crossings })
        };
        [Moved::Slowly, Moved::AsPlanned, Moved::Fast].into_iter().filter_map(group).collect()
    }

    /// How the air moved at a crossing. Where some ramps are throttled the rate decides, because such a ramp can continue at full flow
    /// beyond the switch point.
    fn moved(&self, record: &CrossingRecord) -> Moved {
        /// Rates within this factor are of one kind. Judgement of this project.
        const ALIKE: f64 = 1.5;
        let rates = || self.records.iter().map(|record| record.rate_pa_per_s.abs());
        let ramps =
            || self.records.iter().filter(|record| !record.fast).map(|record| record.rate_pa_per_s.abs());
        let (least, most) = (ramps().fold(f64::INFINITY, f64::min), ramps().fold(0.0, f64::max));
        if record.fast {
            // The fast pair counts with the other ramps where those run at full flow too.
            let fastest = rates().fold(0.0, f64::max);
            return if most * ALIKE < fastest { Moved::Fast } else { Moved::AsPlanned };
        }
        let slowly = self.slow.count() > 0
            && most > ALIKE * least
            && record.rate_pa_per_s.abs() < (least * most).sqrt();
        if slowly { Moved::Slowly } else { Moved::AsPlanned }
    }

    /// Mean time of all crossings, seconds.
    pub(crate) fn mean_time_s(&self) -> Option<f64> {
        mean(&self.records.iter().map(middle_s).collect::<Vec<_>>())
    }

    /// Mean times of the slow crossings and of the fast ones, seconds.
    pub(crate) fn mean_times_s(&self) -> Option<[f64; 2]> {
        let rates = || self.records.iter().map(|record| record.rate_pa_per_s.abs());
        let (least, most) = (rates().fold(f64::INFINITY, f64::min), rates().fold(0.0, f64::max));
        let between = (least * most).sqrt();
        let of = |slow: bool| {
            let mine = self.records.iter().filter(|record| (record.rate_pa_per_s.abs() < between) == slow);
            mean(&mine.map(middle_s).collect::<Vec<_>>())
        };
        Some([of(true)?, of(false)?])
    }

    /// Factor by which the largest rate surely exceeds the least, at crossings that move alike: two standard uncertainties of both are
    /// subtracted (judgement of this project). 1 for fewer than two crossings. The part of a throttled ramp beyond its throttled range
    /// is not compared, because the gas is warmer there.
    pub(crate) fn rate_ratio(&self) -> f64 {
        const SURELY: f64 = 2.0;
        let rate = |one: &(&CrossingRecord, &f64)| one.0.rate_pa_per_s.abs();
        let ratio = |wanted: Moved| {
            let beyond = |record: &CrossingRecord| {
                wanted == Moved::AsPlanned && self.rising && self.slow.contains(record.cycle)
            };
            let alike = || {
                let all = self.records.iter().zip(&self.rate_uncertainties);
                all.filter(|(record, _)| !record.fast && self.moved(record) == wanted && !beyond(record))
            };
            let least = alike().min_by(|a, b| rate(a).total_cmp(&rate(b)));
            let most = alike().max_by(|a, b| rate(a).total_cmp(&rate(b)));
            let (Some(least), Some(most)) = (least, most) else { return 1.0 };
            let relative = (most.1 / rate(&most)).hypot(least.1 / rate(&least));
            (rate(&most) / rate(&least) * (1.0 - SURELY * relative)).max(1.0)
        };
        ratio(Moved::Slowly).max(ratio(Moved::AsPlanned))
    }
}

/// Least and greatest level, pascal.
fn ends(samples: &[Sample]) -> [f64; 2] {
    let levels = || samples.iter().map(|sample| sample.level_pa);
    [levels().fold(f64::INFINITY, f64::min), levels().fold(f64::NEG_INFINITY, f64::max)]
}

/// Samples after the air has started to move and the reference follows it with a constant lag. Earlier samples would bend the curve.
fn moving<'s>(samples: &'s [Sample], channels: &Channels<'_>) -> &'s [Sample] {
    /// Change of the level that counts as moving. Judgement of this project.
    const MOVED_PA: f64 = 500.0;
    /// Lags after which a twentieth of the transient is left.
    const LAGS: f64 = 3.0;
    let Some(first) = samples.first() else { return samples };
    let reference = &channels.task.sheets.rig.reference;
    let noise_pa = reference.noise.si().max(channels.resolution_pa());
    let moved = |sample: &&Sample| (sample.level_pa - first.level_pa).abs() > MOVED_PA.max(6.0 * noise_pa);
    let Some(begun) = samples.iter().find(moved) else { return &[] };
    let from_s = begun.t_s + LAGS * reference.lag.value.si();
    let start = samples.partition_point(|sample| sample.t_s < from_s);
    samples.get(start..).unwrap_or_default()
}

/// How the air moved at a crossing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Moved {
    /// Through the throttle, unlike the other ramps.
    Slowly,
    /// As in most ramps.
    AsPlanned,
    /// As in the fast pair.
    Fast,
}

/// Middle of the interval in which the edge lies, seconds.
fn middle_s(record: &CrossingRecord) -> f64 {
    f64::midpoint(record.earliest_s, record.latest_s)
}

/// A stretch in which a level is crossed once.
#[derive(Debug, Clone, Copy)]
enum Stretch {
    /// A ramp, by its cycle.
    Ramp(u16),
    /// A pull at full flow, or a fall at full vent, by its cycle.
    Fast(u16),
}

impl Stretch {
    const fn of(segment: Segment, rising: bool) -> Option<Self> {
        match (segment, rising) {
            (Segment::Rising { cycle }, true) | (Segment::Falling { cycle }, false) => {
                Some(Self::Ramp(cycle))
            }
            (Segment::FastRising { cycle }, true) | (Segment::FastFalling { cycle }, false) => {
                Some(Self::Fast(cycle))
            }
            _ => None,
        }
    }
}

/// Finds the crossings in the ramps and the fast pair of a step.
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
        answered_pa: [f64::INFINITY, f64::NEG_INFINITY],
        slow: sought.slow,
        taken_off_s: sought.delay_s,
        ..Crossings::default()
    };
    for mark in marks.iter().filter(|mark| mark.step == step) {
        let samples = || channels.samples(mark, zero);
        match Stretch::of(mark.segment, sought.rising) {
            Some(Stretch::Ramp(cycle)) => found.ramp((channels, mark), &samples(), cycle, sought),
            Some(Stretch::Fast(cycle)) => found.fast((channels, mark), &samples(), cycle, sought),
            None => {}
        }
    }
    found
}

impl Crossings {
    /// Adds the crossing of one ramp.
    fn ramp(
        &mut self,
        (channels, mark): (&Channels<'_>, &Mark),
        samples: &[Sample],
        cycle: u16,
        sought: Sought<'_>,
    ) {
        let bits = channels.bits(mark, sought.input);
        let all = changes(&bits);
        let [bottom, top] = ends(samples);
        self.least_top_pa = self.least_top_pa.min(top);
        self.greatest_bottom_pa = self.greatest_bottom_pa.max(bottom);
        let rig = &channels.task.sheets.rig;
        let answers_s = longest_delay_s(channels.task) + rig.input_time().si() + rig.scan_time().si();
        let asked = samples.partition_point(|sample| sample.t_s <= mark.to.seconds() - answers_s);
        let [bottom, top] = ends(&samples[..asked]);
        self.answered_pa = [self.answered_pa[0].min(top), self.answered_pa[1].max(bottom)];
        self.alive = !all.is_empty();
        let wanted = all.iter().find(|change| change.on == sought.to);
        let started_right = bits.first().is_some_and(|bit| bit.on != sought.to);
        self.extra += u32::try_from(all.len().saturating_sub(1)).unwrap_or(u32::MAX);
        self.counted.add(between_reads(channels, mark, sought.input, &all));
        if let [change] = all.as_slice()
            && change.on != sought.to
        {
            let at_s = f64::midpoint(change.last_old.middle_seconds(), change.first_new.middle_seconds());
            let near = samples.get(samples.partition_point(|sample| sample.t_s < at_s)).or(samples.last());
            self.opposite_pa.extend(near.map(|sample| sample.level_pa));
        }
        match wanted.filter(|_| started_right) {
            None if !started_right && all.is_empty() && sought.slow.contains(cycle) => self.early += 1,
            None => self.missing += 1,
            Some(change) => match place(channels, mark, samples, change, sought) {
                None => self.unplaced += 1,
                Some(mut placed) => {
                    placed.record.cycle = cycle;
                    self.push(placed);
                }
            },
        }
    }

    /// Adds the crossing of a pull or fall of the fast pair, if the output changed exactly once and to the right state. Other changes
    /// are judged by the output states over the whole run.
    fn fast(
        &mut self,
        (channels, mark): (&Channels<'_>, &Mark),
        samples: &[Sample],
        cycle: u16,
        sought: Sought<'_>,
    ) {
        if matches!(sought.motion, Motion::Pulses { .. }) {
            return;
        }
        let all = changes(&channels.bits(mark, sought.input));
        let &[change] = all.as_slice() else { return };
        if change.on != sought.to || !between_reads(channels, mark, sought.input, &all).agrees() {
            return;
        }
        let samples = moving(samples, channels);
        if let Some(mut placed) = place(channels, mark, samples, &change, sought) {
            placed.record.cycle = cycle;
            placed.record.fast = true;
            self.push(placed);
        }
    }
}

/// Disagreement between a module's edge counter and the reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Counted {
    /// Changes that were counted but not read.
    pub(crate) more: u64,
    /// Changes that were read but not counted.
    pub(crate) less: u64,
}

impl Counted {
    /// Whether counter and reads agree.
    pub(crate) const fn agrees(self) -> bool {
        self.more == 0 && self.less == 0
    }

    /// Adds the disagreement of another stretch. Surplus in one stretch does not offset a deficit in another.
    pub(crate) const fn add(&mut self, other: Self) {
        self.more += other.more;
        self.less += other.less;
    }
}

/// Compares the module's count over a stretch with the changes that the reads saw. Agrees for an input without a counter.
pub(crate) fn between_reads(
    channels: &Channels<'_>,
    mark: &Mark,
    input: &DigitalInput,
    seen: &[Change],
) -> Counted {
    let Some(counter) = &input.counter else { return Counted::default() };
    // The counter sees the signal on the wire, whatever state counts as on.
    let counts =
        |change: &&Change| counter.edges == Edges::Both || change.on == (input.active == ActiveState::High);
    let expected: Vec<&Change> = seen.iter().filter(counts).collect();
    let whole = channels.counted(mark, counter).unwrap_or(0);
    let expected_count = expected.len() as u64;
    // Each change must be counted within one read of where it was seen; otherwise the counter belongs to another input.
    let elsewhere =
        expected.iter().filter(|change| !channels.counts_around(mark, counter, change)).count() as u64;
    Counted {
        more: whole.saturating_sub(expected_count),
        less: expected_count.saturating_sub(whole).max(elsewhere),
    }
}

/// The remark for a disagreement: changes between two reads, or a counter that missed edges.
pub(crate) fn between_reads_remark(counted: Counted) -> String {
    if counted.less > 0 {
        String::from(
            "the module's edge counter counted less than the reads saw, or at other times: is it the counter of this input?",
        )
    } else {
        format!("the module counted {} more changes between two reads: the output chatters", counted.more)
    }
}

#[cfg(test)]
mod tests;
