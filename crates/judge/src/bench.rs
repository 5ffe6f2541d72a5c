//! A bench for tests: short sheets, and a trace computed scan by scan from a level that is a polygon over time, so that every edge,
//! level and delay is known. Nothing here is computed by the code under test.

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "computed moments and words of a trace, far within their types"
)]

mod sheets;

use crate::channel::{Channels, Zero};
use std::collections::BTreeMap;
use tripbench_quantity::{LevelRate, Mono, Span, TimeSpan, VacuumLevel};
use tripbench_record::{Check, Mark, Motion, QuantityName, Segment, StepTask, SwitchPointsTask, Task, Trace};
use tripbench_rig::{Area, Block, Cell, Scan};

pub(crate) use sheets::Bench;

/// A moment, from seconds.
pub(crate) fn at(seconds: f64) -> Mono {
    Mono::from_nanos((seconds * 1e9).round() as u64)
}

/// A span between two moments, in seconds.
pub(crate) fn span(before: f64, after: f64) -> Span {
    Span { before: at(before), after: at(after) }
}

/// A stretch of a step.
pub(crate) fn mark(step: u16, segment: Segment, from: f64, to: f64) -> Mark {
    Mark { step, segment, from: at(from), to: at(to) }
}

/// A noise-free zero reading at the start.
pub(crate) const ZERO: Zero =
    Zero { offset_pa: 0.0, uncertainty_pa: 4.0, at_s: 0.5, spread_pa: 0.0, count: 100 };

/// Time between two scans; then, within a scan, the time between the starts of two reads and the length of one, seconds.
pub(crate) const SCAN_S: f64 = 5e-3;
pub(crate) const READ_S: [f64; 2] = [5e-4, 4e-4];

/// The module's answer at a moment, seconds.
pub(crate) type Signal = Box<dyn Fn(f64) -> u16>;

/// A level over time as a polygon, with signals and the marked stretches of the steps.
#[derive(Default)]
pub(crate) struct World {
    /// Corners of the level: seconds and pascal.
    pub(crate) corners: Vec<(f64, f64)>,
    pub(crate) marks: Vec<Mark>,
    pub(crate) signals: BTreeMap<(Area, u16), Signal>,
    /// Error added to the level as read, such as noise or an offset, pascal.
    pub(crate) error: Option<Box<dyn Fn(f64) -> f64>>,
    /// Lag of the reading, seconds.
    pub(crate) lag_s: f64,
}

impl std::fmt::Debug for World {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("World").field("corners", &self.corners).finish_non_exhaustive()
    }
}

impl World {
    /// Vented for a second, as the zero of step 0.
    pub(crate) fn new() -> Self {
        Self::default().vented(0, 1.0)
    }

    /// End of the polygon so far, seconds.
    pub(crate) fn now_s(&self) -> f64 {
        self.corners.last().map_or(0.0, |corner| corner.0)
    }

    pub(crate) fn level_pa(&self, t_s: f64) -> f64 {
        let Some(next) = self.corners.iter().position(|corner| t_s < corner.0) else {
            return self.corners.last().map_or(0.0, |corner| corner.1);
        };
        let Some(before) = next.checked_sub(1) else { return self.corners[0].1 };
        let ((from_s, from_pa), (to_s, to_pa)) = (self.corners[before], self.corners[next]);
        from_pa + (to_pa - from_pa) * (t_s - from_s) / (to_s - from_s)
    }

    /// Adds a vented stretch at rest of this length.
    pub(crate) fn vented(mut self, step: u16, seconds: f64) -> Self {
        if self.now_s() > 0.0 {
            self = self.to(0.0, 0.5);
        }
        let from = self.now_s();
        self.corners.extend([(from, 0.0), (from + seconds, 0.0)]);
        self.marks.push(mark(step, Segment::Vented, from, from + seconds));
        self
    }

    /// Moves to a level within this time.
    pub(crate) fn to(mut self, level_pa: f64, seconds: f64) -> Self {
        self.corners.push((self.now_s() + seconds, level_pa));
        self
    }

    /// Moves to a level within this time, and marks the stretch.
    pub(crate) fn over(self, step: u16, segment: Segment, level_pa: f64, seconds: f64) -> Self {
        let from = self.now_s();
        let mut world = self.to(level_pa, seconds);
        world.marks.push(mark(step, segment, from, from + seconds));
        world
    }

    /// A ramp up and down between two levels at a rate, both marked as one cycle, started `late_s` late.
    pub(crate) fn cycle(self, step: u16, cycle: u16, rate_pa_per_s: f64, late_s: f64) -> Self {
        let (low, high) = (50e3, 72e3);
        let seconds = (high - low) / rate_pa_per_s;
        self.to(low, 0.5)
            .to(low, 0.2 + late_s)
            .over(step, Segment::Rising { cycle }, high, seconds)
            .to(high, 0.2 + late_s)
            .over(step, Segment::Falling { cycle }, low, seconds)
    }

    /// Adds a signal of the module.
    pub(crate) fn signal(mut self, area: Area, number: u16, signal: impl Fn(f64) -> u16 + 'static) -> Self {
        self.signals.insert((area, number), Box::new(signal));
        self
    }

    /// Times at which the polygon passes a level in a direction, seconds.
    pub(crate) fn passes(&self, level_pa: f64, rising: bool) -> Vec<f64> {
        let pairs = self.corners.windows(2);
        let crosses = pairs.filter(|pair| {
            let (from, to) = (pair[0].1, pair[1].1);
            if rising { from < level_pa && level_pa <= to } else { to <= level_pa && level_pa < from }
        });
        crosses
            .map(|pair| {
                pair[0].0 + (level_pa - pair[0].1) / (pair[1].1 - pair[0].1) * (pair[1].0 - pair[0].0)
            })
            .collect()
    }

    /// Times at which a device with these levels and delays changes, seconds: on, off, on and so on.
    pub(crate) fn changes(&self, [on_pa, off_pa]: [f64; 2], delay_s: [f64; 2]) -> Vec<f64> {
        let mut times = Vec::new();
        let (mut on, mut off) =
            (self.passes(on_pa, true).into_iter(), self.passes(off_pa, false).into_iter());
        let mut last_s = f64::NEG_INFINITY;
        while let Some(next) = on.find(|at| *at > last_s) {
            times.push(next + delay_s[0]);
            let Some(back) = off.find(|at| *at > next) else { break };
            times.push(back + delay_s[1]);
            last_s = back;
        }
        times
    }

    /// A device at a discrete input with these switch levels and this delay both ways.
    pub(crate) fn device(self, input: u16, levels: [f64; 2], delay_s: f64) -> Self {
        let times = self.changes(levels, [delay_s, delay_s]);
        self.toggled(input, times)
    }

    /// A discrete input that changes at these moments, off at first.
    pub(crate) fn toggled(self, input: u16, times: Vec<f64>) -> Self {
        self.signal(Area::DiscreteInput, input, toggle(times))
    }

    /// Start of a read of a scan, seconds.
    pub(crate) fn read_s(scan: u32, block: u32) -> f64 {
        f64::from(scan) * SCAN_S + f64::from(block) * READ_S[0]
    }

    /// All scans up to the end.
    pub(crate) fn trace(&self, task: &Task) -> Trace {
        let count = (self.now_s() / SCAN_S).ceil() as u32;
        let scans = (0..count).map(|scan| self.scan(task, scan)).collect();
        Trace { plan: task.plan.clone(), scans }
    }

    fn scan(&self, task: &Task, scan: u32) -> Scan {
        let block = |(index, read): (u32, &tripbench_rig::Read)| {
            let before = Self::read_s(scan, index);
            let middle = before + READ_S[1] / 2.0;
            let cells = (read.start..read.start + read.count).map(|number| (read.unit, read.area, number));
            Block {
                span: span(before, before + READ_S[1]),
                words: cells.map(|cell| self.word(task, cell, middle)).collect(),
            }
        };
        Scan { blocks: (0..).zip(&task.plan.reads).map(block).collect() }
    }

    fn word(&self, task: &Task, (_, area, number): Cell, t_s: f64) -> u16 {
        if let Some(signal) = self.signals.get(&(area, number)) {
            return signal(t_s);
        }
        let input = &task.sheets.rig.reference.input;
        let first = input.at.number;
        if area != input.at.area || !(first..first + input.raw.registers()).contains(&number) {
            return 0;
        }
        let level = self.level_pa(t_s - self.lag_s) + self.error.as_ref().map_or(0.0, |error| error(t_s));
        let share = level / (input.values[1].si() - input.values[0].si());
        let count = (input.counts[0] + share * (input.counts[1] - input.counts[0])).round() as i64;
        if input.raw.registers() == 2 && number == first { (count >> 16) as u16 } else { count as u16 }
    }
}

/// A signal that changes at these moments, 0 at first.
pub(crate) fn toggle(times: Vec<f64>) -> impl Fn(f64) -> u16 {
    move |t_s| u16::from(times.iter().filter(|time| **time <= t_s).count() % 2 == 1)
}

/// Ramps at full flow, up and down.
pub(crate) fn ramps(cycles: u16) -> SwitchPointsTask {
    SwitchPointsTask {
        cycles,
        bottom: VacuumLevel::new(50e3),
        top: VacuumLevel::new(72e3),
        near: VacuumLevel::new(49e3),
        rising: Motion::FullFlow,
        falling: Motion::FullFlow,
        valve: false,
        fast_shows: [false; 2],
        phased_at: [VacuumLevel::new(60e3), VacuumLevel::new(55e3)],
        slow_top: VacuumLevel::new(66e3),
        slow_rising: 0,
        slow_falling: 0,
    }
}

/// A zero of one second.
pub(crate) fn zero(again: bool) -> StepTask {
    StepTask::Zero { watch: TimeSpan::new(1.0), again }
}

/// Motion at a regulated rate.
pub(crate) fn regulated(rate_pa_per_s: f64) -> Motion {
    Motion::Regulated { rate: LevelRate::new(rate_pa_per_s) }
}

/// The trace of a world, kept beside its task.
#[derive(Debug)]
pub(crate) struct Played {
    pub(crate) task: Task,
    pub(crate) trace: Trace,
    pub(crate) marks: Vec<Mark>,
}

impl Played {
    pub(crate) fn of(bench: &Bench, world: &World) -> Self {
        let task = bench.task();
        let trace = world.trace(&task);
        Self { task, trace, marks: world.marks.clone() }
    }

    pub(crate) fn channels(&self) -> Channels<'_> {
        Channels::new(&self.task, &self.trace)
    }

    pub(crate) fn judged(&self, step: u16) -> Vec<Check> {
        crate::judge_step(&self.task, &self.trace, &self.marks, step)
    }
}

/// The check of a quantity.
#[track_caller]
pub(crate) fn of(checks: &[Check], quantity: QuantityName) -> &Check {
    checks.iter().find(|check| check.quantity == quantity).unwrap_or_else(|| panic!("no {quantity:?}"))
}

/// Asserts equality within a millionth.
#[track_caller]
pub(crate) fn near(found: f64, expected: f64) {
    let close = (found - expected).abs() <= 1e-6 * expected.abs().max(1e-3);
    assert!(close, "{found} instead of {expected}");
}

/// Asserts equality within an absolute tolerance.
#[track_caller]
pub(crate) fn within(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{found} instead of {expected} ± {tolerance}");
}

/// Standard uncertainty of the contribution whose name contains a text.
#[track_caller]
pub(crate) fn part(contributions: &[tripbench_measure::Contribution], name: &str) -> f64 {
    let found = contributions.iter().find(|part| part.name.contains(name));
    found.unwrap_or_else(|| panic!("no {name} in {contributions:?}")).standard_uncertainty
}

/// Crossings 10 Pa wide around these levels, at a signed rate.
pub(crate) fn crossings_around(
    middles_pa: impl IntoIterator<Item = f64>,
    rate_pa_per_s: f64,
) -> crate::level::Crossings {
    let mut found = crate::level::Crossings { rising: true, ..Default::default() };
    for (cycle, middle_pa) in (1..).zip(middles_pa) {
        let (low_pa, high_pa) = (middle_pa - 5.0, middle_pa + 5.0);
        found.intervals.push(tripbench_measure::CrossingInterval { low_pa, high_pa, fit_pa: 2.0 });
        found.records.push(tripbench_record::CrossingRecord {
            cycle,
            earliest_s: 1.0,
            latest_s: 1.1,
            low_pa,
            high_pa,
            rate_pa_per_s,
            planned_phase: None,
            fast: false,
        });
        found.rate_uncertainties.push(1.0);
    }
    found
}

/// A level with its crossings at 2000 Pa/s, each `step_pa` deeper than the one before.
pub(crate) fn a_level(
    task: &Task,
    step_pa: f64,
    count: u16,
) -> (crate::result::Level, crate::level::Crossings) {
    use crate::result::{Basis, Delay, level};
    let found = crossings_around((1..=count).map(|cycle| 60e3 + step_pa * (f64::from(cycle) - 2.0)), 2_000.0);
    let basis = Basis { task, zero: ZERO, resolution_pa: 6.0 };
    (level(basis, &found, None, Delay::AsPromised { other_s: 0.0 }).expect("a level"), found)
}
