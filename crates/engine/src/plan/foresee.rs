//! What a run will not be able to decide, said before any air flows: predicted uncertainties against tolerances.

use super::Planner;
use crate::predict::motion_rate;
use tripbench_device::{DecisionRule, Expected, LevelLimits, SiteSheet};
use tripbench_measure::{Contribution, Limits, combine, conformance_probability, normal_quantile};
use tripbench_quantity::{LevelDifference, TimeSpan};
use tripbench_record::{Motion, Prediction, QuantityName, StepTask, SwitchPointsTask, Task};
use tripbench_sheet::{Finding, Findings, Place, Wording};

/// A quantity of a step whose uncertainty is foreseen, in its own unit.
struct Foreseen {
    /// How a warning names it.
    name: &'static str,
    quantity: QuantityName,
    half_tolerance: f64,
    uncertainty: f64,
}

/// What every check of a task will be able to tell, as its sheets have it, before any air flows.
pub fn predictions(task: &Task) -> Vec<Prediction> {
    let findings = Findings::new();
    let planner = Planner { sheets: &task.sheets, positions: &task.positions, findings: &findings };
    let Some(expected) = planner.expected() else { return Vec::new() };
    let mut all = Vec::new();
    for (step, planned) in (0..).zip(&task.steps) {
        let prediction = |quantity, expanded_uncertainty: f64, half_tolerance: f64, unit: &str| {
            let guard = guard_of_u(&task.sheets.site);
            let share = |off: f64| undecided_share_by(half_tolerance, expanded_uncertainty, off, guard);
            Prediction {
                step,
                quantity,
                unit: unit.to_owned(),
                expanded_uncertainty,
                half_tolerance,
                undecided_at_nominal: share(0.0),
                undecided_at_half: share(half_tolerance / 2.0),
            }
        };
        if let StepTask::SwitchPoints(ramps) = &planned.task {
            let levels = planner.foreseen(ramps, &expected);
            all.extend(
                levels.iter().map(|one| prediction(one.quantity, one.uncertainty, one.half_tolerance, "Pa")),
            );
            let delays = planner.foreseen_delays(ramps, &expected);
            all.extend(delays.iter().map(|one| prediction(one.quantity, one.told_s, one.harmless_s, "s")));
        } else if let StepTask::Response(response) = &planned.task {
            let levels = task.steps.get(usize::from(response.levels_of)).map(|step| &step.task);
            let cycles = if let Some(StepTask::SwitchPoints(ramps)) = levels { ramps.cycles } else { 1 };
            let told_s = planner.response_told_s(cycles, &expected);
            for quantity in [QuantityName::ResponseOn, QuantityName::ResponseOff] {
                all.push(prediction(quantity, told_s, response.limit.si() / 2.0, "s"));
            }
        } else if let StepTask::AirSaving(saving) = &planned.task {
            let limits = [
                (QuantityName::CutOff, expected.cut_off, true),
                (QuantityName::Resume, expected.resume, false),
            ];
            for (quantity, limits, deeper) in limits {
                let Some(limits) = limits else { continue };
                let half = (limits.high.si() - limits.low.si()) / 2.0;
                all.push(prediction(
                    quantity,
                    planner.saving_uncertainty_pa(limits, deeper, saving.cycles),
                    half,
                    "Pa",
                ));
            }
        }
    }
    all
}

/// A delay whose uncertainty is foreseen, seconds.
struct ForeseenDelay {
    quantity: QuantityName,
    /// How fine it is told.
    told_s: f64,
    /// An output so late moves its level by no more than a device at nominal is inside its limits.
    harmless_s: f64,
}

impl Planner<'_> {
    /// Adds a warning for each quantity of a step that can be undecided often, or always.
    pub(super) fn foresee(&self, task: &SwitchPointsTask, expected: &Expected, place: &Place) {
        for foreseen in &self.foreseen(task, expected) {
            self.warn(foreseen, place);
        }
        self.foresee_delays(task, expected, place);
    }

    /// Levels and hysteresis of a step.
    fn foreseen(&self, task: &SwitchPointsTask, expected: &Expected) -> Vec<Foreseen> {
        let (rising, falling) = ((task.rising, true), (task.falling, false));
        let level = |name, quantity, limits: LevelLimits, motion| Foreseen {
            name,
            quantity,
            half_tolerance: (limits.high.si() - limits.low.si()) / 2.0,
            uncertainty: self.level_uncertainty_pa(task, limits, motion),
        };
        let mut all = vec![
            level("switch point", QuantityName::SwitchPoint, expected.on, rising),
            level("reset point", QuantityName::ResetPoint, expected.off, falling),
        ];
        if task.valve {
            all.extend(
                expected.cut_off.map(|limits| level("cut-off level", QuantityName::CutOff, limits, rising)),
            );
            all.extend(
                expected.resume.map(|limits| level("resume level", QuantityName::Resume, limits, falling)),
            );
        }
        if let Some([low, high]) = expected.hysteresis {
            let [on, off] = [(expected.on, rising), (expected.off, falling)]
                .map(|(limits, motion)| self.random_pa(task, limits, motion));
            let fixed = self.sheets.rig.reference.hysteresis.si() * (2.0_f64 / 3.0).sqrt();
            all.push(Foreseen {
                name: "hysteresis",
                quantity: QuantityName::Hysteresis,
                half_tolerance: (high.si() - low.si()) / 2.0,
                uncertainty: 1.96 * on.hypot(off).hypot(fixed),
            });
        }
        all
    }

    /// U of a level that a device shows while it drives the valve itself: one rate, its own.
    fn saving_uncertainty_pa(&self, limits: LevelLimits, deeper: bool, cycles: u16) -> f64 {
        let rate = motion_rate(&self.sheets.rig, self.reached(), (Motion::FullFlow, deeper), limits.low).si();
        let rate = if deeper { rate } else { self.sheets.rig.manifold.largest_leak.si() };
        let crossings = self.crossing_variance(rate, limits) / f64::from(cycles.max(1));
        self.expanded_pa((crossings + rate.powi(2) * self.delay_variance()).sqrt())
    }

    /// Standard uncertainty that is not shared between levels: edges, repeatability, delay and lag at the rate.
    fn random_pa(&self, task: &SwitchPointsTask, limits: LevelLimits, motion: (Motion, bool)) -> f64 {
        let sheets = self.sheets;
        if task.two_rates(motion.1) {
            let slow = if motion.1 { task.slow_rising } else { task.slow_falling };
            return self.variance(limits, motion.1, (slow, task.cycles)).sqrt();
        }
        let rate = motion_rate(&sheets.rig, self.reached(), motion, limits.low).si();
        let scan_s = sheets.rig.scan_time().si() + sheets.rig.module.image_age.si();
        // A pulse shows that the level lies within it, wherever its edge is; what is settled has no rate.
        let (period_s, rate_left) = match motion.0 {
            Motion::Pulses { pulse, .. } => (pulse.si() + sheets.rig.order_time().si(), 0.0),
            Motion::FullFlow | Motion::Throttled | Motion::Regulated { .. } | Motion::ByHand { .. } => {
                (scan_s, rate)
            }
        };
        let spread = self.spread_pa(limits);
        let crossing = (rate * period_s / 12f64.sqrt()).hypot(spread) / f64::from(task.cycles.max(1)).sqrt();
        let unshown = if motion.1 { self.unshown_variance() } else { 0.0 };
        let delay = rate_left * (self.delay_variance() + unshown).sqrt();
        crossing.hypot(delay)
    }

    /// Spread of one crossing as the type promises it, a standard deviation.
    pub(super) fn spread_pa(&self, limits: LevelLimits) -> f64 {
        let sheets = self.sheets.device.as_ref().zip(self.sheets.settings.as_ref());
        sheets.map_or(50.0, |(device, settings)| {
            device.promise.repeatability.half_width(limits.low, device.scale(settings.unit.value)).si() / 2.0
        })
    }

    pub(super) fn level_uncertainty_pa(
        &self,
        task: &SwitchPointsTask,
        limits: LevelLimits,
        motion: (Motion, bool),
    ) -> f64 {
        self.expanded_pa(self.random_pa(task, limits, motion))
    }

    /// Longest delay that the sheets promise, seconds.
    pub(super) fn response_s(&self) -> f64 {
        self.sheets.settings.as_ref().map_or(0.0, |settings| settings.delay.si())
            + self.sheets.device.as_ref().map_or(0.0, |device| device.promise.response_time.si())
    }

    fn warn(&self, foreseen: &Foreseen, place: &Place) {
        let Foreseen { name, half_tolerance: t, uncertainty: u, .. } = *foreseen;
        if u <= t / 3.0 {
            return;
        }
        let style = self.sheets.site.style;
        let show = |pascal: f64| style.difference(LevelDifference::new(pascal));
        let message = if u >= t {
            format!(
                "the {name} can not be decided on this rig: U will be about {}, half its tolerance is {}",
                show(u),
                show(t)
            )
        } else {
            let [nominal, half] = [0.0, t / 2.0].map(|off| undecided_share(t, u, off));
            format!(
                "the {name} can be left undecided: U about {}, half its tolerance {}; so for about {:.0} % of devices at nominal, {:.0} % at half the tolerance",
                show(u),
                show(t),
                nominal * 100.0,
                half * 100.0
            )
        };
        let help = "a faster wire, fewer addresses, a throttle or bleed valve, more cycles, or a reference with a smaller uncertainty decide more";
        self.findings.add(Finding::warning(
            "can-not-decide",
            place,
            Wording::new(message, "this step", help),
        ));
    }

    /// How fine the delays of a step can be told at all, where it shows them.
    fn foreseen_delays(&self, task: &SwitchPointsTask, expected: &Expected) -> Vec<ForeseenDelay> {
        let rig = &self.sheets.rig;
        let mut all = Vec::new();
        for (deeper, limits, motion) in
            [(true, expected.on, task.rising), (false, expected.off, task.falling)]
        {
            let slow = if deeper { task.slow_rising } else { task.slow_falling };
            let by_rates = self.delay_uncertainty_s(limits, deeper, (slow, task.cycles)).map(|u| 1.96 * u);
            let by_fall = (task.fast_fall && !deeper)
                .then(|| 0.95 * (rig.scan_time().si() + rig.module.image_age.si()) / 2.0);
            let Some(told_s) = by_rates.or(by_fall) else { continue };
            let rate = motion_rate(rig, self.reached(), (motion, deeper), limits.high).si();
            let u_pa = self.level_uncertainty_pa(task, limits, (motion, deeper));
            let half_pa = (limits.high.si() - limits.low.si()) / 2.0;
            let quantity = if deeper { QuantityName::OnDelay } else { QuantityName::OffDelay };
            let harmless_s = (half_pa - u_pa).max(u_pa / 3.0) / rate.max(1.0);
            all.push(ForeseenDelay { quantity, told_s, harmless_s });
        }
        all
    }

    /// Warns where an output as late as is still not told moves its level by more than a device at nominal is inside its limits.
    fn foresee_delays(&self, task: &SwitchPointsTask, expected: &Expected, place: &Place) {
        let promised = TimeSpan::new(self.response_s());
        for delay in
            self.foreseen_delays(task, expected).iter().filter(|delay| delay.told_s > delay.harmless_s)
        {
            let direction = if delay.quantity == QuantityName::OnDelay { "on" } else { "off" };
            let message = format!(
                "an {direction} delay is told to {:.0} ms here; that it is within the {:.0} ms promised can not be decided",
                delay.told_s * 1e3,
                promised.si() * 1e3
            );
            let help = "only a much longer delay is seen; a faster wire or more cycles tell more";
            self.findings.add(Finding::warning(
                "delay-not-told",
                place,
                Wording::new(message, "this step", help),
            ));
        }
    }
}

/// Width of the guard band by the site's rule, as a share of U.
fn guard_of_u(site: &SiteSheet) -> f64 {
    match site.decision {
        DecisionRule::GuardBand => 1.0,
        DecisionRule::Simple => 0.0,
        DecisionRule::HighestRisk => normal_quantile(1.0 - site.highest_risk) / normal_quantile(0.975),
    }
}

/// Share of devices with a true error `off_pa` that a guard band of U leaves undecided.
fn undecided_share(t_pa: f64, u_pa: f64, off_pa: f64) -> f64 {
    undecided_share_by(t_pa, u_pa, off_pa, 1.0)
}

/// The same for a guard band that is a share of U.
fn undecided_share_by(t_pa: f64, u_pa: f64, off_pa: f64, guard: f64) -> f64 {
    let Ok(result) = combine(off_pa, 0.0, vec![Contribution::normal("all", u_pa / 1.96)]) else { return 1.0 };
    let within =
        |limit: f64| conformance_probability(&result, Limits { low: Some(-limit), high: Some(limit) });
    // Pass within T − w, fail beyond T + w.
    let w = guard * u_pa;
    within(t_pa + w) - if w < t_pa { within(t_pa - w) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    // For a device at nominal with U = T/3 nobody is undecided but the tails beyond 2 U: 2 (1 − Φ(3.92)).
    #[test]
    fn a_third_of_the_tolerance_leaves_nearly_nobody_undecided() {
        assert!(undecided_share(3.0, 1.0, 0.0) < 1e-4);
        // At the limit itself 95 % are undecided (ILAC-G8 with w = U; value from this project's measuring notes).
        assert!((undecided_share(3.0, 1.0, 3.0) - 0.95).abs() < 1e-3);
    }
}
