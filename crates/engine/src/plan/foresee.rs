//! What a run will not be able to decide, said before any air flows: predicted uncertainties against tolerances.

use super::Planner;
use crate::predict::motion_rate;
use tripbench_device::{Expected, LevelLimits};
use tripbench_measure::{Contribution, Limits, combine, conformance_probability};
use tripbench_quantity::{LevelDifference, TimeSpan};
use tripbench_record::{Motion, SwitchPointsTask};
use tripbench_sheet::{Finding, Place, Wording};

/// A quantity whose uncertainty is foreseen.
struct Foreseen<'a> {
    name: &'a str,
    half_tolerance_pa: f64,
    uncertainty_pa: f64,
}

impl Planner<'_> {
    /// Adds a warning for each quantity of a step that can be undecided often, or always.
    pub(super) fn foresee(&self, task: &SwitchPointsTask, expected: &Expected, place: &Place) {
        let (rising, falling) = ((task.rising, true), (task.falling, false));
        let level = |name, limits: LevelLimits, motion| Foreseen {
            name,
            half_tolerance_pa: (limits.high.si() - limits.low.si()) / 2.0,
            uncertainty_pa: self.level_uncertainty_pa(task, limits, motion),
        };
        let mut all =
            vec![level("switch point", expected.on, rising), level("reset point", expected.off, falling)];
        if task.valve {
            all.extend(expected.cut_off.map(|limits| level("cut-off level", limits, rising)));
            all.extend(expected.resume.map(|limits| level("resume level", limits, falling)));
        }
        if let Some([low, high]) = expected.hysteresis {
            let [on, off] = [(expected.on, rising), (expected.off, falling)]
                .map(|(limits, motion)| self.random_pa(task, limits, motion));
            let fixed = self.sheets.rig.reference.hysteresis.si() * (2.0_f64 / 3.0).sqrt();
            all.push(Foreseen {
                name: "hysteresis",
                half_tolerance_pa: (high.si() - low.si()) / 2.0,
                uncertainty_pa: 1.96 * on.hypot(off).hypot(fixed),
            });
        }
        for foreseen in &all {
            self.warn(foreseen, place);
        }
        self.foresee_delays(task, expected, place);
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
        let delay = rate_left * self.response_s() / 12f64.sqrt();
        let lag = rate_left * sheets.rig.reference.lag.uncertainty.si() / 3f64.sqrt();
        crossing.hypot(delay).hypot(lag)
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

    fn warn(&self, foreseen: &Foreseen<'_>, place: &Place) {
        let Foreseen { name, half_tolerance_pa: t, uncertainty_pa: u } = *foreseen;
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

    /// How fine a delay can be told at all. It matters where an output as late as that moves its level by more than a device
    /// at nominal is inside its limits.
    fn foresee_delays(&self, task: &SwitchPointsTask, expected: &Expected, place: &Place) {
        let rig = &self.sheets.rig;
        let promised = TimeSpan::new(self.response_s());
        for (deeper, limits, motion) in
            [(true, expected.on, task.rising), (false, expected.off, task.falling)]
        {
            let slow = if deeper { task.slow_rising } else { task.slow_falling };
            let by_rates = self.delay_uncertainty_s(limits, deeper, (slow, task.cycles)).map(|u| 1.96 * u);
            let by_fall = (task.fast_fall && !deeper)
                .then(|| 0.95 * (rig.scan_time().si() + rig.module.image_age.si()) / 2.0);
            let Some(seen_s) = by_rates.or(by_fall) else { continue };
            let rate = motion_rate(rig, self.reached(), (motion, deeper), limits.high).si();
            let u_pa = self.level_uncertainty_pa(task, limits, (motion, deeper));
            let half_pa = (limits.high.si() - limits.low.si()) / 2.0;
            if seen_s * rate <= (half_pa - u_pa).max(u_pa / 3.0) {
                continue;
            }
            let direction = if deeper { "on" } else { "off" };
            let message = format!(
                "an {direction} delay is told to {:.0} ms here; that it is within the {:.0} ms promised can not be decided",
                seen_s * 1e3,
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

/// Share of devices with a true error `off_pa` that a guard band of U leaves undecided.
fn undecided_share(t_pa: f64, u_pa: f64, off_pa: f64) -> f64 {
    let Ok(result) = combine(off_pa, 0.0, vec![Contribution::normal("all", u_pa / 1.96)]) else { return 1.0 };
    let within =
        |limit: f64| conformance_probability(&result, Limits { low: Some(-limit), high: Some(limit) });
    // Pass within T − U, fail beyond T + U.
    within(t_pa + u_pa) - within(t_pa - u_pa)
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
