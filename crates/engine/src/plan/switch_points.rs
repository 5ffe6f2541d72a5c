//! Planning of `switch-points`: the window, and the way in which the air moves through it.

use super::mix::{Ramps, Wanted, slow_top};
use super::{FAST_END, Planner, deepest};
use crate::predict::{motion_rate, motion_time, rate};
use crate::script::{Script, ScriptStep, StepKind};
use tripbench_device::{Expected, Mode};
use tripbench_quantity::{LevelDifference, LevelRate, LevelStyle, SignConvention, TimeSpan, VacuumLevel};
use tripbench_record::{Motion, StepTask, SwitchPointsTask, Way};
use tripbench_rig::{Air, OutputName};
use tripbench_sheet::{At, Finding, Place, Wording};

/// Smallest margin of the window beyond every level, pascal: a device that is off by this much is still measured.
const LEAST_MARGIN_PA: f64 = 1_000.0;
/// Time fitted below a level of a fast fall before the vent valve shuts, seconds.
const FAST_FITTED_S: f64 = 0.04;
/// Ratio of two rates that separates a delay from a level: the judge treats rates up to 1.5 times apart as one.
pub(super) const WELL_APART: f64 = 1.6;
/// Share of the longest time under vacuum that a plan uses.
const USED_OF_LONGEST: f64 = 0.8;

impl Planner<'_> {
    pub(super) fn switch_points(
        &self,
        script: &Script,
        index: usize,
    ) -> Option<(&'static str, StepTask, f64)> {
        let step = script.steps.get(index)?;
        let StepKind::SwitchPoints { cycles, from, to, way, valve } = &step.kind else { return None };
        let expected = self.expected();
        let way = match way {
            Some(asked) => Some(self.way(asked)?),
            None => None,
        };
        let saving = self.sheets.settings.as_ref().is_some_and(|settings| settings.air_saving.is_some());
        let valve = self.valve(step, valve.as_ref().map_or(saving, |valve| valve.value))?;
        let response_s = self.response_after(script, index);
        let wanted = Wanted { expected: expected.as_ref(), cycles: *cycles, valve, response_s };
        let ramps = self.ramps(way, wanted);
        let Ramps { rising, slow_rising, .. } = ramps;
        let [bottom, top] = self.window(expected.as_ref(), ramps);
        let bottom = from.as_ref().map(|level| level.value).or(bottom);
        let top = to.as_ref().map(|level| level.value).or(top);
        let (Some(bottom), Some(top)) = (bottom, top) else {
            let help = "without a settings sheet write from = \"… kPa\" and to = \"… kPa\"";
            self.finding("window-missing", &step.place, "this step has no window", help);
            return None;
        };
        if bottom >= top {
            let message = "`from` is not less deep than `to`";
            self.finding("window-empty", &step.place, message, "give `from` the less deep level");
            return None;
        }
        let place = to.as_ref().map_or(&step.place, |level| &level.place);
        self.reachable(top, place)?;
        self.holds_limits((bottom, top), expected.as_ref(), place)?;
        self.regulator_reaches(rising, top, place)?;
        let near = match expected.as_ref().filter(|_| slow_rising > 0) {
            Some(expected) => self.near_throttled(expected.on.low),
            None => self.near(bottom, rising),
        };
        let middle =
            |low: VacuumLevel, high: VacuumLevel| VacuumLevel::new(f64::midpoint(low.si(), high.si()));
        let phased_at = expected.as_ref().map_or([middle(bottom, top); 2], |expected| {
            [middle(expected.on.low, expected.on.high), middle(expected.off.low, expected.off.high)]
        });
        let slow_top = expected.as_ref().map_or(top, |expected| slow_top(expected, top));
        let task =
            SwitchPointsTask { bottom, top, near, phased_at, slow_top, ..self.ramps_task(ramps, wanted) };
        let cycle_s = |cycle: u16| {
            let (up, down) = (task.motion(true, cycle), task.motion(false, cycle));
            let rise = match expected.as_ref().filter(|_| task.slow(true).contains(cycle)) {
                Some(expected) => {
                    self.ramp_time((up, task.throttled_to_the_top(cycle)), (bottom, top), expected)
                }
                None => self.motion_time(up, (bottom, top)),
            };
            rise + self.motion_time(down, (top, bottom))
        };
        let cycles_s: Vec<f64> = (1..=*cycles).map(cycle_s).collect();
        self.short_enough(cycles_s.iter().copied().fold(0.0, f64::max), &step.place)?;
        if !rising.is_free() {
            self.watched_after(script, index, "switch-points")?;
        }
        let predicted_s = self.duration(script, index, &task, cycles_s.iter().sum());
        Some(("switch-points", StepTask::SwitchPoints(task), predicted_s))
    }

    /// Longest response that a later step allows, seconds.
    fn response_after(&self, script: &Script, index: usize) -> Option<f64> {
        script.steps[index + 1..].iter().find_map(|step| {
            let StepKind::Response { limit, .. } = &step.kind else { return None };
            Some(limit.as_ref().map_or(self.response_s(), |limit| limit.value.si()))
        })
    }

    /// Checks that the regulator's range covers the deep end, and a little more so that the level gets there.
    fn regulator_reaches(&self, rising: Motion, top: VacuumLevel, place: &Place) -> Option<()> {
        const AHEAD_PA: f64 = 500.0;
        let regulators = self.sheets.rig.outputs.iter();
        let regulator = regulators.filter(|output| output.name == OutputName::Regulator).find_map(|output| {
            Some((output, output.scale?.values.iter().map(|level| level.si()).fold(0.0, f64::max)))
        });
        let Some((output, deepest_pa)) = regulator.filter(|_| matches!(rising, Motion::Regulated { .. }))
        else {
            return Some(());
        };
        if top.si() + AHEAD_PA <= deepest_pa {
            return Some(());
        }
        let style = LevelStyle { sign: SignConvention::Vacuum, ..self.sheets.site.style };
        let message = format!("the regulator does not reach {}", style.level(top));
        let help = format!(
            "allowed: up to {}; choose another way or a less deep window",
            style.level(VacuumLevel::new(deepest_pa - AHEAD_PA))
        );
        let finding = Finding::error("regulator-too-short", place, Wording::new(message, "this step", help));
        self.findings.add(finding.with(&output.place, "the regulator"));
        None
    }

    /// Predicted time of the whole step, seconds.
    fn duration(&self, script: &Script, index: usize, task: &SwitchPointsTask, cycles_s: f64) -> f64 {
        // A leak step before leaves the rig deep; from ambient, one pull that is not evaluated comes first.
        let deep = index
            .checked_sub(1)
            .is_some_and(|before| matches!(script.steps[before].kind, StepKind::Leak { .. }));
        let pull = self.motion_time(self.to_the_window(), (VacuumLevel::ZERO, task.top));
        let vent = self.time_of(Air::Vent, (task.bottom, VacuumLevel::ZERO));
        let first = if deep { 0.0 } else { pull } + self.motion_time(task.falling, (task.top, task.bottom));
        let allowed_s = self.longest_at_vacuum_s();
        let breaks = (cycles_s / allowed_s).floor();
        let last = if task.fast_pair() {
            self.time_of(Air::Evacuate, (task.bottom, task.top))
                + self.time_of(Air::Vent, (task.top, FAST_END))
        } else {
            0.0
        };
        first + cycles_s + breaks * (vent + pull) + last
    }

    /// The way asked for; refused where the rig lacks an output for it.
    fn way(&self, asked: &At<Way>) -> Option<Way> {
        let rig = &self.sheets.rig;
        let (there, needs) = match asked.value {
            Way::FullFlow | Way::Pulses => (rig.has(OutputName::Evacuate), "an output `evacuate`"),
            Way::Throttled => (rig.has(OutputName::EvacuateFine), "an output `evacuate-fine`"),
            Way::Regulated => (rig.has(OutputName::Regulator), "an output `regulator`"),
            Way::ByHand => (rig.by_hand(), "a rig without valve outputs"),
        };
        if there {
            return Some(asked.value);
        }
        let name = &rig.header.name;
        let wording = Wording::new(
            format!("the way `{}` needs {needs}", asked.value),
            format!("the rig `{}` cannot do this", name.value),
            "choose another way, or leave `way` out: the plan then chooses by uncertainty",
        );
        let finding = Finding::error("way-not-there", &asked.place, wording);
        self.findings.add(finding.with(&name.place, "the rig sheet"));
        None
    }

    /// Variances that a rate adds to a level, divided by the rate squared, seconds squared: by delay and lag, and by the edge, which
    /// lies somewhere between two scans and on a slow line is the larger part.
    fn variances_per_rate(&self, cycles: u16) -> [f64; 2] {
        let rig = &self.sheets.rig;
        let by_delay = ((self.response_s() / 2.0).powi(2) + rig.reference.lag.uncertainty.si().powi(2)) / 3.0;
        let by_edge = rig.scan_time().si().powi(2) / 12.0 / f64::from(cycles.max(1));
        [by_delay, by_edge]
    }

    /// Standard uncertainty of the calibration at the deepest judged level, by default at half the level reached, pascal: it grows
    /// with the level.
    pub(super) fn calibration_pa(&self) -> f64 {
        let level = self
            .expected()
            .map_or(VacuumLevel::new(self.reached().si() / 2.0), |expected| deepest(&expected));
        self.sheets.rig.reference.calibration.standard_uncertainty_pa(level)
    }

    /// Largest rate that raises the uncertainty by less than 2 %, within what a regulator or a person can follow.
    fn chosen_rate(&self, cycles: u16, (least, most): (f64, f64)) -> LevelRate {
        let [by_delay, by_edge] = self.variances_per_rate(cycles);
        let rate = self.calibration_pa() * (1.02_f64.powi(2) - 1.0).sqrt() / (by_delay + by_edge).sqrt();
        LevelRate::new(rate.clamp(least, most.max(least)))
    }

    /// How the air moves, rising and falling.
    pub(super) fn motions(&self, way: Way, expected: Option<&Expected>, cycles: u16) -> [Motion; 2] {
        let rig = &self.sheets.rig;
        let falling =
            if rig.can(Air::Bleed) && !rig.by_hand() { Motion::Throttled } else { Motion::FullFlow };
        match way {
            Way::FullFlow => [Motion::FullFlow, falling],
            Way::Throttled => [Motion::Throttled, falling],
            Way::Regulated => {
                // Half of what the pump achieves at the deep end, so that the regulator can follow.
                let top = expected.map_or(VacuumLevel::new(0.8 * self.reached().si()), deepest);
                let follows = rate(rig, self.reached(), Air::Evacuate, top).si() / 2.0;
                let motion = Motion::Regulated { rate: self.chosen_rate(cycles, (200.0, follows)) };
                [motion, if falling == Motion::Throttled { falling } else { motion }]
            }
            Way::Pulses => {
                let [on, off] =
                    expected.map_or([50e3; 2], |expected| [expected.on.low.si(), expected.off.low.si()]);
                [(Air::Evacuate, on), (falling.air(false), off)]
                    .map(|(air, level)| self.pulses(expected, air, VacuumLevel::new(level)))
            }
            Way::ByHand => [Motion::ByHand { rate: self.chosen_rate(cycles, (300.0, 1_500.0)) }; 2],
        }
    }

    /// Pulses of about a fifth of half the tolerance; after each the rig waits until a device with its full delay has responded.
    fn pulses(&self, expected: Option<&Expected>, air: Air, level: VacuumLevel) -> Motion {
        let rig = &self.sheets.rig;
        let half_pa =
            expected.map_or(1_000.0, |expected| (expected.on.high.si() - expected.on.low.si()) / 2.0);
        let open_s = half_pa / 5.0 / rate(rig, self.reached(), air, level).si().max(1.0);
        let pulse = (open_s - rig.order_time().si()).clamp(0.005, 0.5);
        let answered = 2.0 * self.response_s()
            + 10.0 * rig.reference.lag.value.si()
            + 4.0 * rig.scan_time().si()
            + rig.input_time().si();
        let settle = rig.manifold.valve_delay.si() + answered.max(0.1);
        Motion::Pulses { air, pulse: TimeSpan::new(pulse), settle: TimeSpan::new(settle) }
    }

    /// How the window is reached from ambient.
    fn to_the_window(&self) -> Motion {
        if self.sheets.rig.by_hand() {
            Motion::ByHand { rate: LevelRate::new(5_000.0) }
        } else {
            Motion::FullFlow
        }
    }

    pub(super) fn motion_time(&self, motion: Motion, (from, to): (VacuumLevel, VacuumLevel)) -> f64 {
        motion_time(&self.sheets.rig, self.reached(), (motion, from < to), (from, to))
    }

    /// Time under vacuum that a plan may use, seconds; halved where the module does not go to safe by itself.
    fn longest_at_vacuum_s(&self) -> f64 {
        let rig = &self.sheets.rig;
        let share = if rig.module.loss_of_master.is_some() { 1.0 } else { 0.5 };
        USED_OF_LONGEST * share * rig.run_limits.longest_at_vacuum.si()
    }

    /// Checks that one cycle fits into the time that the limit of a run allows under vacuum; between two cycles the rig can be vented.
    pub(super) fn short_enough(&self, cycle_s: f64, place: &Place) -> Option<()> {
        let allowed_s = self.longest_at_vacuum_s();
        if cycle_s <= allowed_s {
            return Some(());
        }
        let longest = &self.sheets.rig.run_limits.longest_at_vacuum;
        let wording = Wording::new(
            format!("one cycle takes {cycle_s:.0} s under vacuum this way"),
            "too long for the limit of a run",
            format!(
                "allowed: up to {allowed_s:.0} s, a part of the rig's longest time under vacuum; use a faster way or a smaller window"
            ),
        );
        let finding = Finding::error("too-long-under-vacuum", place, wording);
        self.findings.add(finding.with(&longest.place, "the rig's longest time under vacuum"));
        None
    }

    /// Checks for a leak step afterwards: with such ramps the rig's own rate does not show that a hose came off.
    pub(super) fn watched_after(&self, script: &Script, index: usize, name: &str) -> Option<()> {
        let mut later = script.steps[index + 1..].iter();
        if self.sheets.settings.is_none() || later.any(|step| matches!(step.kind, StepKind::Leak { .. })) {
            return Some(());
        }
        let help = "put a step with do = \"leak\" after it: with these ramps the rate does not show that a hose came off";
        let message = format!("{name} without a leak step after");
        self.finding("no-leak-after", &script.steps[index].place, &message, help);
        None
    }

    /// The window that contains every expected level, with room for delays and for the fit on both sides.
    pub(super) fn window(&self, expected: Option<&Expected>, ramps: Ramps) -> [Option<VacuumLevel>; 2] {
        let Ramps { rising, falling, slow_falling, .. } = ramps;
        let Some(expected) = expected else { return [None, None] };
        // The edge of a good device comes while the ramp is still running.
        let delay_s = self.response_s() + self.sheets.rig.input_time().si();
        // Extent of a local curve beyond a crossing, and a few scans more.
        let scan_s = self.sheets.rig.scan_time().si();
        let fitted_s = (20.0 * scan_s).clamp(0.08, 0.4) + 4.0 * scan_s;
        let margin = |motion: (Motion, bool), level: VacuumLevel| {
            let rate = motion_rate(&self.sheets.rig, self.reached(), motion, level).si();
            // Where some falls are fast and some slow, the fast ones are fitted by readings before the level.
            let fitted_s = if slow_falling > 0 && !motion.1 { FAST_FITTED_S } else { fitted_s };
            LevelDifference::new((rate * (fitted_s + delay_s)).max(LEAST_MARGIN_PA))
        };
        let top = deepest(expected);
        let least = expected.off.low;
        let bottom = VacuumLevel::new((least - margin((falling, false), least)).si().max(500.0));
        [Some(bottom), Some(top + margin((rising, true), top))]
    }

    /// Whether a pull at full flow, and a fall at full vent, show a delay that the ramps do not: beside ramps of one rate that are
    /// much slower. Pulses have no rate, and show an output that is too late by themselves. Requires enough new readings between the
    /// start of the pull or fall and each level, and a reference that follows by then.
    pub(super) fn fast_shows(&self, ramps: Ramps, wanted: Wanted<'_>) -> [bool; 2] {
        let Some(expected) = wanted.expected else { return [false; 2] };
        let slower = |motion: Motion, slow: u16, deeper: bool, level: VacuumLevel| {
            let one_rate = slow == 0 || slow == wanted.cycles;
            let fast = self.rate_at(Motion::FullFlow, deeper, level);
            let well = fast > WELL_APART * self.rate_at(motion, deeper, level);
            one_rate && well && !matches!(motion, Motion::FullFlow | Motion::Pulses { .. })
        };
        let rises = slower(ramps.rising, ramps.slow_rising, true, expected.on.high);
        let falls = slower(ramps.falling, ramps.slow_falling, false, expected.off.low);
        let first = expected.resume.filter(|_| wanted.valve).map_or(expected.off.high, |resume| resume.high);
        [rises && self.followed_s(true, expected.on.low), falls && self.followed_s(false, first)]
    }

    /// Whether the reference follows a fast pull from below the window, or a fast fall from its deep end, before a level is reached:
    /// enough readings, and longer than its lag.
    fn followed_s(&self, deeper: bool, level: VacuumLevel) -> bool {
        const READINGS: f64 = 4.0;
        const LAGS: f64 = 3.0;
        /// Movement before which the start of the fall is not evaluated, pascal; less than the smallest margin of a window.
        const MOVED_PA: f64 = 500.0;
        let rig = &self.sheets.rig;
        let deep = self.expected().map_or(level, |expected| deepest(&expected));
        let (air, from, to) = if deeper {
            (Air::Evacuate, VacuumLevel::new((level.si() / 2.0).max(MOVED_PA)), level)
        } else {
            (Air::Vent, VacuumLevel::new(deep.si() + LEAST_MARGIN_PA - MOVED_PA), level)
        };
        let time_s = self.time_of(air, (from, to)) - rig.manifold.valve_delay.si();
        let read_s = rig.scan_time().si().max(rig.module.converter.si());
        time_s >= READINGS * read_s + LAGS * rig.reference.lag.value.si()
    }

    /// End of the full-flow approach: after a fast pull the gas warms and the vacuum falls back, and a regulator takes a while to
    /// reach its rate.
    fn near(&self, bottom: VacuumLevel, rising: Motion) -> VacuumLevel {
        let manifold = &self.sheets.rig.manifold;
        let follows = match rising {
            Motion::FullFlow | Motion::ByHand { .. } => return bottom,
            Motion::Throttled | Motion::Pulses { .. } => 0.0,
            Motion::Regulated { rate } => 2.0 * rate.si() * manifold.evacuate.si(),
        };
        let rate = rate(&self.sheets.rig, self.reached(), Air::Evacuate, bottom).si();
        let short = (0.5 * rate * manifold.thermal.si() + 500.0).max(1_000.0) + follows;
        VacuumLevel::new((bottom.si() - short).max(0.0))
    }

    /// End of the full-flow approach before a throttled ramp through one level only.
    pub(super) fn near_throttled(&self, level: VacuumLevel) -> VacuumLevel {
        const MARGIN_PA: f64 = 500.0;
        self.near(VacuumLevel::new((level.si() - MARGIN_PA).max(0.0)), Motion::Throttled)
    }

    /// Whether cut-off and resume are judged; refused where the rig cannot see the valve outputs.
    fn valve(&self, step: &ScriptStep, wanted: bool) -> Option<bool> {
        match self.blind_position().filter(|_| wanted) {
            None => Some(wanted),
            Some(blind) => {
                let message = format!("the rig has no valve input at position {blind}");
                let help =
                    "add it to the rig sheet, or write valve = false: then cut-off and resume are not judged";
                self.finding("valve-not-seen", &step.place, &message, help);
                None
            }
        }
    }

    pub(super) fn mode(&self, step: &ScriptStep) {
        if let Some(settings) =
            self.sheets.settings.as_ref().filter(|settings| settings.mode.value == Mode::Window)
        {
            let wording = Wording::new(
                "switch-points cannot test a window output",
                "this step",
                "its output turns off again above the window; test it as single-point or two-point",
            );
            self.findings.add(
                Finding::error("mode-not-tested", &step.place, wording)
                    .with(&settings.mode.place, "the mode is set here"),
            );
        }
    }
}
