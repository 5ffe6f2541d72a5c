//! How many of the ramps are slow: at full flow wherever the uncertainty allows it, slower where the device's unknown delay
//! asks for it, and at two rates so that the delay shows.

use super::{Planner, deepest};
use crate::predict::{motion_rate, rate};
use crate::script::{Script, StepKind};
use tripbench_device::{Expected, LevelLimits};
use tripbench_measure::{Contribution, combine};
use tripbench_quantity::VacuumLevel;
use tripbench_record::{Motion, Way};
use tripbench_rig::{Air, OutputName};

/// How the air moves in the cycles of a step.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ramps {
    pub(super) rising: Motion,
    pub(super) falling: Motion,
    /// How many of the cycles are throttled instead.
    pub(super) slow_rising: u16,
    pub(super) slow_falling: u16,
}

/// A share of slow ramps in one direction.
#[derive(Debug, Clone, Copy)]
struct Share {
    slow: u16,
    /// Largest variance of a level by what is random in this run, pascal squared.
    variance: f64,
    time_s: f64,
}

/// One group of ramps: how many, their signed slope, and the variance of one crossing.
#[derive(Debug, Clone, Copy)]
struct Group {
    count: u16,
    slope: f64,
    variance: f64,
}

/// Growth of U for which no rate is made slower.
const GROWTH: f64 = 1.02;

impl Planner<'_> {
    /// The way that a script asks for; else as few slow ramps as raise no uncertainty by 2 % or more; one in each direction at
    /// the least, to show a delay beyond what is promised.
    pub(super) fn ramps(
        &self,
        (script, index): (&Script, usize),
        asked: Option<Way>,
        (expected, cycles): (Option<&Expected>, u16),
    ) -> Ramps {
        let alike = |way| {
            let [rising, falling] = self.motions(way, expected, cycles);
            Ramps { rising, falling, slow_rising: 0, slow_falling: 0 }
        };
        let rig = &self.sheets.rig;
        if let Some(way) = asked {
            return alike(way);
        }
        if rig.by_hand() {
            return alike(Way::ByHand);
        }
        let Some(expected) = expected.filter(|_| rig.can(Air::EvacuateFine)) else {
            return alike(Way::FullFlow);
        };
        // A response needs the levels at a rate well below full flow.
        if script.steps[index + 1..].iter().any(|step| matches!(step.kind, StepKind::Response { .. })) {
            return alike(Way::Throttled);
        }
        let (rising, falling) = self.shares(expected, cycles);
        let best = rising.iter().flat_map(|up| falling.iter().map(move |down| (*up, *down)));
        let best = best
            .filter(|(up, down)| self.good_enough(expected, cycles, (*up, *down)))
            .min_by(|a, b| (a.0.time_s + a.1.time_s).total_cmp(&(b.0.time_s + b.1.time_s)));
        // Where no share is good enough, the least uncertain, if the interlock leaves time for it.
        let least = |all: &[Share]| all.iter().copied().min_by(|a, b| a.variance.total_cmp(&b.variance));
        let Some((up, down)) = best.or_else(|| Some((least(&rising)?, least(&falling)?))) else {
            return alike(Way::FullFlow);
        };
        let [_, bleeds] = self.motions(Way::Throttled, Some(expected), cycles);
        let part = |slow: u16| if slow < cycles { slow } else { 0 };
        Ramps {
            rising: if up.slow < cycles { Motion::FullFlow } else { Motion::Throttled },
            falling: if down.slow < cycles { Motion::FullFlow } else { bleeds },
            slow_rising: part(up.slow),
            slow_falling: part(down.slow),
        }
    }

    /// Every share of slow ramps that there can be, rising and falling.
    fn shares(&self, expected: &Expected, cycles: u16) -> (Vec<Share>, Vec<Share>) {
        let rig = &self.sheets.rig;
        let least = expected.off.low;
        let top = VacuumLevel::new(deepest(expected).si() + 1_500.0);
        let rising = [Some(expected.on), expected.cut_off];
        let falling = [Some(expected.off), expected.resume];
        let share = |slow: u16, deeper: bool| {
            let all = if deeper { rising } else { falling };
            let variance = all.into_iter().flatten().enumerate().map(|(index, limits)| {
                // A throttled ramp goes on at full flow beyond the switch point.
                let slow = if deeper && index > 0 && slow < cycles { 0 } else { slow };
                self.variance(limits, deeper, (slow, cycles))
            });
            let time = |motion: Motion| {
                let (from, to) = if deeper { (least, top) } else { (top, least) };
                self.ramp_time(motion, (from, to), expected)
            };
            let time_s =
                f64::from(slow) * time(Motion::Throttled) + f64::from(cycles - slow) * time(Motion::FullFlow);
            Share { slow, variance: variance.fold(0.0, f64::max), time_s }
        };
        // One at the least is slow: at one rate nothing tells a delay from the level.
        let fewest = u16::from(cycles > 1);
        let up = (fewest..=cycles).map(|slow| share(slow, true)).collect();
        let mixed = rig.can(Air::Bleed) && self.fast_falls_fit(expected, top);
        let down: Vec<Share> = if rig.can(Air::Bleed) {
            let from = if mixed { 1 } else { cycles };
            (from..=cycles).map(|slow| share(slow, false)).collect()
        } else {
            // All fall at full vent: there is nothing slower.
            vec![Share { slow: cycles, ..share(0, false) }]
        };
        (up, down)
    }

    /// Whether the fits around the levels end before the vent valve has opened or shuts again, with reads close enough.
    fn fast_falls_fit(&self, expected: &Expected, top: VacuumLevel) -> bool {
        /// Reads farther apart show too little of so fast a fall.
        const LONGEST_SCAN_S: f64 = 0.01;
        /// What is fitted to one side of a crossing at the least.
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

    /// Time of one ramp, with the approach at full flow before a throttled one.
    pub(super) fn ramp_time(
        &self,
        motion: Motion,
        (from, to): (VacuumLevel, VacuumLevel),
        expected: &Expected,
    ) -> f64 {
        let time = |motion, levels| self.motion_time(motion, levels);
        if motion != Motion::Throttled || to < from {
            return time(motion, (from, to));
        }
        let (near, slow_top) = (self.near_throttled(expected.on.low), slow_top(expected, to));
        let thermal = self.sheets.rig.manifold.thermal.si();
        time(Motion::FullFlow, (from, near))
            + thermal
            + time(Motion::Throttled, (near, slow_top))
            + time(Motion::FullFlow, (slow_top, to))
    }

    /// Whether levels and hysteresis are as good as with rates near zero, or good enough to be decided well.
    fn good_enough(&self, expected: &Expected, cycles: u16, (up, down): (Share, Share)) -> bool {
        let still = |limits: LevelLimits| self.spread_pa(limits).powi(2) / f64::from(cycles.max(1));
        let (on, off) = (still(expected.on), still(expected.off));
        let level = |variance: f64| self.expanded_pa(variance.sqrt());
        let well = |share: Share, still: f64| level(share.variance) < GROWTH * level(still);
        let fixed = 2.0 / 3.0 * self.sheets.rig.reference.hysteresis.si().powi(2);
        let expanded = |variance: f64| 1.96 * (variance + fixed).sqrt();
        let difference = expected.hysteresis.is_none_or(|[low, high]| {
            let enough = (high.si() - low.si()) / 2.0 / 3.0;
            expanded(up.variance + down.variance) <= enough.max(GROWTH * expanded(on + off))
        });
        well(up, on) && well(down, off) && difference
    }

    /// Variance of a level by everything that is random in this run: edges, repeatability, delay and lag, where `slow` of
    /// `cycles` ramps are throttled. Weighted least squares for level and delay, the delay known beforehand.
    pub(super) fn variance(&self, limits: LevelLimits, deeper: bool, (slow, cycles): (u16, u16)) -> f64 {
        let sign = if deeper { 1.0 } else { -1.0 };
        let group = |motion: Motion, count: u16| {
            let rate = motion_rate(&self.sheets.rig, self.reached(), (motion, deeper), limits.low).si();
            Group { count, slope: sign * rate, variance: self.crossing_variance(rate, limits) }
        };
        // At one rate a selected delay may be missing; a fast fall at the end shows it for the reset point.
        let unshown = if deeper && (slow == 0 || slow == cycles) { self.unshown_variance() } else { 0.0 };
        level_variance(
            &[group(Motion::Throttled, slow), group(Motion::FullFlow, cycles - slow)],
            self.delay_variance() + unshown,
        )
    }

    /// Variance of one crossing at a rate: its edge, and the spread that is promised.
    pub(super) fn crossing_variance(&self, rate: f64, limits: LevelLimits) -> f64 {
        let rig = &self.sheets.rig;
        let period_s = rig.scan_time().si() + rig.module.image_age.si();
        (rate * period_s).powi(2) / 12.0 + self.spread_pa(limits).powi(2)
    }

    /// Variance of the net delay as the sheets have it, seconds squared.
    pub(super) fn delay_variance(&self) -> f64 {
        let rig = &self.sheets.rig;
        let lag_s = rig.reference.lag.uncertainty.si() + rig.module.converter.si() / 4.0;
        let response_s = self.response_s() - self.selected_s();
        ((response_s / 2.0).powi(2) + lag_s.powi(2)) / 3.0
    }

    /// Variance of a selected delay that nothing shows to be there, seconds squared.
    pub(super) fn unshown_variance(&self) -> f64 {
        self.selected_s().powi(2) / 3.0
    }

    /// Delay that the settings select, seconds.
    fn selected_s(&self) -> f64 {
        self.sheets.settings.as_ref().map_or(0.0, |settings| settings.delay.si())
    }

    /// Standard uncertainty of a delay from ramps of which `slow` are throttled, seconds; `None` at one rate.
    pub(super) fn delay_uncertainty_s(
        &self,
        limits: LevelLimits,
        deeper: bool,
        (slow, cycles): (u16, u16),
    ) -> Option<f64> {
        if slow == 0 || slow >= cycles {
            return None;
        }
        let rate = |motion| motion_rate(&self.sheets.rig, self.reached(), (motion, deeper), limits.low).si();
        let (low, high) = (rate(Motion::Throttled), rate(Motion::FullFlow));
        let variance = self.crossing_variance(low, limits) / f64::from(slow)
            + self.crossing_variance(high, limits) / f64::from(cycles - slow);
        let lag = self.sheets.rig.reference.lag.uncertainty.si().powi(2) / 3.0;
        Some((variance / (high - low).powi(2) + lag).sqrt())
    }

    /// U of a level whose random part has a standard uncertainty.
    pub(super) fn expanded_pa(&self, random_pa: f64) -> f64 {
        let reference = &self.sheets.rig.reference;
        let contributions = vec![
            Contribution::normal("this run", random_pa),
            Contribution::normal("calibration", self.calibration_pa()),
            Contribution::rectangular("drift", reference.drift.si()),
            Contribution::rectangular("hysteresis", reference.hysteresis.si()),
        ];
        combine(0.0, reference.input.resolution(), contributions)
            .map_or(f64::INFINITY, |result| result.expanded_uncertainty)
    }
}

/// Where a throttled ramp among others goes on at full flow: beyond all that the switch point may be.
pub(super) fn slow_top(expected: &Expected, top: VacuumLevel) -> VacuumLevel {
    const BEYOND_PA: f64 = 1_000.0;
    let beyond = VacuumLevel::new(expected.on.high.si() + BEYOND_PA);
    if beyond < top { beyond } else { top }
}

/// Variance of the level where each group's mean crossing is level + slope · delay, and the delay is known beforehand.
fn level_variance(groups: &[Group], delay_variance: f64) -> f64 {
    let (mut level, mut both, mut delay) = (0.0, 0.0, 1.0 / delay_variance.max(1e-12));
    for group in groups.iter().filter(|group| group.count > 0) {
        let weight = f64::from(group.count) / group.variance.max(1e-6);
        level += weight;
        both += weight * group.slope;
        delay += weight * group.slope.powi(2);
    }
    delay / (level * delay - both * both)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Two rates, closed form: var L = (r2² s1² + r1² s2²)/(r2 − r1)², where nothing is known of the delay beforehand.
    #[test]
    fn the_variance_at_two_rates_is_the_closed_form() {
        let slow = Group { count: 5, slope: 1_000.0, variance: 5.0 * 36.0 };
        let fast = Group { count: 5, slope: 6_000.0, variance: 5.0 * 49.0 };
        let expected = (6_000.0_f64.powi(2) * 36.0 + 1_000.0_f64.powi(2) * 49.0) / 5_000.0_f64.powi(2);
        assert!((level_variance(&[slow, fast], 1e3) / expected - 1.0).abs() < 1e-6);
        // One rate: the crossings' variance, and the rate times the delay.
        let alone = level_variance(&[Group { count: 0, ..slow }, fast], 9e-6);
        assert!((alone - (49.0 + 36.0e6 * 9e-6)).abs() < 1e-6, "{alone}");
    }
}
