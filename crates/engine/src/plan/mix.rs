//! How many ramps are slow: full flow wherever the uncertainty allows it, slower where the device's unknown delay requires it, and two
//! rates so that the delay shows. The code that judges a run also predicts what a mix will show.

use super::switch_points::WELL_APART;
use super::{Planner, deepest};
use crate::gas::Window;
use crate::predict::{motion_rate, rate};
use tripbench_device::Expected;
use tripbench_judge::{Foresight, PredictedLevel, Ramp};
use tripbench_quantity::VacuumLevel;
use tripbench_record::{Motion, SwitchPointsTask, Way};
use tripbench_rig::{Air, OutputName};

/// How the air moves in the cycles of a step.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ramps {
    pub(super) rising: Motion,
    pub(super) falling: Motion,
    /// Number of cycles that are throttled instead.
    pub(super) slow_rising: u16,
    pub(super) slow_falling: u16,
}

/// What a step of ramps has to show.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted<'e> {
    pub(super) expected: Option<&'e Expected>,
    pub(super) cycles: u16,
    /// Whether the valve output is judged too.
    pub(super) valve: bool,
    /// Longest response that a later step allows, seconds.
    pub(super) response_s: Option<f64>,
}

/// Growth factor of U up to which a faster rate is preferred.
const GROWTH: f64 = 1.02;

impl Planner<'_> {
    /// The way that the script asks for. By default as few slow ramps as keep every uncertainty within 2 % of that near standstill, or
    /// of the least that any mix reaches; at least one in each direction, to show a delay beyond the promised one.
    pub(super) fn ramps(&self, asked: Option<Way>, wanted: Wanted<'_>) -> Ramps {
        let cycles = wanted.cycles;
        let alike = |way| {
            let [rising, falling] = self.motions(way, wanted.expected, cycles);
            Ramps { rising, falling, slow_rising: 0, slow_falling: 0 }
        };
        let rig = &self.sheets.rig;
        if let Some(way) = asked {
            return alike(way);
        }
        if rig.by_hand() {
            return alike(Way::ByHand);
        }
        let throttles = |expected: &&Expected| {
            let rate = |motion| self.rate_at(motion, true, expected.on.high);
            rig.can(Air::EvacuateFine) && rate(Motion::FullFlow) > WELL_APART * rate(Motion::Throttled)
        };
        let Some(expected) = wanted.expected.filter(throttles) else {
            return alike(Way::FullFlow);
        };
        let mut all = self.mixes(expected, wanted);
        all.sort_by(|a, b| a.1.total_cmp(&b.1));
        let predicted: Vec<(Ramps, Vec<PredictedLevel>)> = all
            .into_iter()
            .map(|(ramps, _)| (ramps, self.predicted_levels(&self.ramps_task(ramps, wanted), expected)))
            .collect();
        let bar = attainable(self.bar(expected, wanted), &predicted);
        let good = predicted.iter().find(|(_, levels)| self.good_enough(expected, wanted, levels, &bar));
        // Where none is good enough, the least uncertain.
        let worst =
            |levels: &[PredictedLevel]| levels.iter().map(PredictedLevel::expanded_pa).fold(0.0, f64::max);
        let least = || predicted.iter().min_by(|a, b| worst(&a.1).total_cmp(&worst(&b.1)));
        good.or_else(least).map_or_else(|| alike(Way::FullFlow), |(ramps, _)| *ramps)
    }

    /// Every possible mix, with its time in seconds.
    fn mixes(&self, expected: &Expected, wanted: Wanted<'_>) -> Vec<(Ramps, f64)> {
        let rig = &self.sheets.rig;
        let (least, cycles) = (expected.off.low, wanted.cycles);
        let top = VacuumLevel::new(deepest(expected).si() + 1_500.0);
        let [_, bleeds] = self.motions(Way::Throttled, Some(expected), cycles);
        // At least one is slow: at one rate nothing separates a delay from the level.
        let up = u16::from(cycles > 1)..=cycles;
        let slower = self.rate_at(Motion::FullFlow, false, expected.off.low)
            > WELL_APART * self.rate_at(Motion::Throttled, false, expected.off.low);
        let fits = rig.can(Air::Bleed) && slower && self.fast_falls_fit(expected, top);
        let down = if fits { 1 } else { cycles };
        let part = |slow: u16| if slow < cycles { slow } else { 0 };
        let mix = |up: u16, down: u16| {
            let ramps = Ramps {
                rising: if up < cycles { Motion::FullFlow } else { Motion::Throttled },
                falling: if down < cycles { Motion::FullFlow } else { bleeds },
                slow_rising: part(up),
                slow_falling: part(down),
            };
            let task = self.ramps_task(ramps, wanted);
            let rise = |cycle| {
                let motion = task.motion(true, cycle);
                self.ramp_time((motion, task.throttled_to_the_top(cycle)), (least, top), expected)
            };
            let fall = |cycle| self.motion_time(task.motion(false, cycle), (top, least));
            (ramps, (1..=cycles).map(|cycle| rise(cycle) + fall(cycle)).sum())
        };
        up.flat_map(|up| (down..=cycles).map(move |down| (up, down)))
            .map(|(up, down)| mix(up, down))
            .collect()
    }

    /// A step with these ramps, complete only in what its uncertainty depends on.
    pub(super) fn ramps_task(&self, ramps: Ramps, wanted: Wanted<'_>) -> SwitchPointsTask {
        let level = wanted.expected.map_or(VacuumLevel::ZERO, |expected| expected.on.low);
        SwitchPointsTask {
            cycles: wanted.cycles,
            bottom: level,
            top: level,
            near: level,
            rising: ramps.rising,
            falling: ramps.falling,
            valve: wanted.valve,
            fast_shows: self.fast_shows(ramps, wanted),
            phased_at: [level; 2],
            slow_top: level,
            slow_rising: ramps.slow_rising,
            slow_falling: ramps.slow_falling,
        }
    }

    /// Predicted levels of planned ramps.
    pub(super) fn predicted_levels(
        &self,
        ramps: &SwitchPointsTask,
        expected: &Expected,
    ) -> Vec<PredictedLevel> {
        self.foresight(ramps, &self.rates(ramps, expected)).levels(expected)
    }

    pub(super) fn rate_at(&self, motion: Motion, deeper: bool, level: VacuumLevel) -> f64 {
        motion_rate(&self.sheets.rig, self.reached(), (motion, deeper), level).si()
    }

    /// Rates in the ramps of a step, with the gas temperature of each ramp.
    pub(super) fn rates(
        &self,
        ramps: &SwitchPointsTask,
        expected: &Expected,
    ) -> impl Fn(Ramp, VacuumLevel) -> f64 {
        let all = Ramps {
            rising: ramps.rising,
            falling: ramps.falling,
            slow_rising: ramps.slow_rising,
            slow_falling: ramps.slow_falling,
        };
        let [bottom, top] = self.window(Some(expected), all);
        let window = bottom.zip(top).map(|(bottom, top)| Window { bottom, top });
        move |ramp, level| {
            if self.sheets.rig.by_hand() && ramp.deeper && ramp.motion == Motion::FullFlow {
                return self.pulled_by_hand_pa_per_s();
            }
            let free = window
                .and_then(|window| self.passed.rate((&self.sheets.rig, self.reached()), window, ramp, level));
            free.unwrap_or_else(|| self.rate_at(ramp.motion, ramp.deeper, level))
        }
    }

    /// Rate of a pull by hand where the guide asks for none, pascal per second: the whole pull takes the declared time, evenly.
    fn pulled_by_hand_pa_per_s(&self) -> f64 {
        self.reached().si() / self.sheets.rig.manifold.evacuate.si()
    }

    pub(super) fn foresight<'f>(
        &'f self,
        ramps: &'f SwitchPointsTask,
        rate: &'f dyn Fn(Ramp, VacuumLevel) -> f64,
    ) -> Foresight<'f> {
        Foresight { task: &self.blank, ramps, rate, leak_pa_per_s: self.leak_told_pa_per_s }
    }

    /// Whether the fits around the levels end before the vent valve opens or shuts again, with reads close enough together.
    fn fast_falls_fit(&self, expected: &Expected, top: VacuumLevel) -> bool {
        /// Longest scan time: reads further apart show too little of such a fast fall.
        const LONGEST_SCAN_S: f64 = 0.01;
        /// Shortest time fitted on one side of a crossing.
        const FITTED_S: f64 = 0.06;
        let rig = &self.sheets.rig;
        let deepest = expected.resume.map_or(expected.off.high, |resume| {
            if resume.high > expected.off.high { resume.high } else { expected.off.high }
        });
        let rate = rate(rig, self.reached(), Air::Vent, top).si().max(1.0);
        rig.has(OutputName::Vent)
            && rig.scan_time().si() <= LONGEST_SCAN_S
            && (top.si() - deepest.si()) / rate >= FITTED_S
    }

    /// Time of one ramp, seconds. A throttled ramp is approached at full flow and continues at full flow beyond the switch point,
    /// unless it is throttled `to_the_top`.
    pub(super) fn ramp_time(
        &self,
        (motion, to_the_top): (Motion, bool),
        (from, to): (VacuumLevel, VacuumLevel),
        expected: &Expected,
    ) -> f64 {
        let time = |motion, levels| self.motion_time(motion, levels);
        if motion != Motion::Throttled || to < from {
            return time(motion, (from, to));
        }
        let near = self.near_throttled(expected.on.low);
        let slow_top = if to_the_top { to } else { slow_top(expected, to) };
        let thermal = self.sheets.rig.manifold.thermal.si();
        time(Motion::FullFlow, (from, near))
            + thermal
            + time(Motion::Throttled, (near, slow_top))
            + time(Motion::FullFlow, (slow_top, to))
    }

    /// Predicted levels with rates near standstill.
    fn bar(&self, expected: &Expected, wanted: Wanted<'_>) -> Vec<PredictedLevel> {
        let ramps =
            Ramps { rising: Motion::Throttled, falling: Motion::Throttled, slow_rising: 0, slow_falling: 0 };
        let still = SwitchPointsTask { fast_shows: [false; 2], ..self.ramps_task(ramps, wanted) };
        self.foresight(&still, &|_, _| 1.0).levels(expected)
    }

    /// Whether levels and hysteresis are as good as with rates near zero, or good enough to be decided well, and delays and responses
    /// are resolved well enough.
    fn good_enough(
        &self,
        expected: &Expected,
        wanted: Wanted<'_>,
        levels: &[PredictedLevel],
        bar: &[PredictedLevel],
    ) -> bool {
        let well = levels.len() == bar.len()
            && levels.iter().zip(bar).all(|(level, bar)| level.expanded_pa() < GROWTH * bar.expanded_pa());
        let ([on, off, ..], [still_on, still_off, ..]) = (levels, bar) else { return false };
        let sight = self.ramps_task(
            Ramps { rising: Motion::FullFlow, falling: Motion::FullFlow, slow_rising: 0, slow_falling: 0 },
            wanted,
        );
        let rates = self.rates(&sight, expected);
        let sight = self.foresight(&sight, &rates);
        let difference = expected.hysteresis.is_none_or(|[low, high]| {
            let enough = (high.si() - low.si()) / 2.0 / 3.0;
            sight.hysteresis_pa(on, off) <= enough.max(GROWTH * sight.hysteresis_pa(still_on, still_off))
        });
        let told = wanted.response_s.is_none_or(|limit_s| sight.response_s(on, true) <= limit_s / 3.0);
        well && difference && told
    }
}

/// For each level the larger of its bar and the least that any mix reaches.
fn attainable(bar: Vec<PredictedLevel>, predicted: &[(Ramps, Vec<PredictedLevel>)]) -> Vec<PredictedLevel> {
    let least = |(index, bar): (usize, PredictedLevel)| {
        let all = predicted.iter().filter_map(|(_, levels)| levels.get(index));
        let least = all.min_by(|a, b| a.expanded_pa().total_cmp(&b.expanded_pa()));
        least.filter(|least| least.expanded_pa() > bar.expanded_pa()).cloned().unwrap_or(bar)
    };
    bar.into_iter().enumerate().map(least).collect()
}

/// Where a throttled ramp among others continues at full flow: beyond every possible switch point.
pub(super) fn slow_top(expected: &Expected, top: VacuumLevel) -> VacuumLevel {
    const BEYOND_PA: f64 = 1_000.0;
    let beyond = VacuumLevel::new(expected.on.high.si() + BEYOND_PA);
    if beyond < top { beyond } else { top }
}
