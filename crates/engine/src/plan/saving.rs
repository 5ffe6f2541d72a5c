//! Range of levels of the step `air-saving`: every device that its sheets allow must cut off and resume within it.

use super::{Planner, deepest};
use crate::predict::time_constant;
use tripbench_device::Expected;
use tripbench_judge::{unanswered_pa, unanswered_s};
use tripbench_quantity::VacuumLevel;
use tripbench_rig::Air;
use tripbench_sheet::{Finding, Place, Wording};

/// Least distance beyond the limits, pascal.
const LEAST_PA: f64 = 1_500.0;
/// Factor on the rates of the rig sheet: a fast pull cools the gas and a fast fall warms it.
const FASTER: f64 = 1.4;
/// A single reading with noise may end the step: this multiple of the noise.
const NOISES: f64 = 4.0;

impl Planner<'_> {
    /// Least deep and deepest level of the step. At either, an output that did not answer is surely late: the level was beyond its limit
    /// for longer than a good output takes.
    pub(super) fn saving_range(&self, expected: &Expected, falling: Air) -> [VacuumLevel; 2] {
        let rig = &self.sheets.rig;
        let waited_s = unanswered_s(&self.blank) + 2.0 * rig.scan_time().si();
        let beyond = |level: VacuumLevel| {
            unanswered_pa(&self.blank, level)
                + NOISES * rig.reference.noise.si()
                + rig.reference.input.resolution()
        };
        let deep = deepest(expected);
        let high_pa = self.after((Air::Evacuate, FASTER), deep.si() + beyond(deep), waited_s);
        let low_pa = expected.resume.map_or(f64::INFINITY, |resume| {
            self.after((falling, FASTER), resume.low.si() - beyond(resume.low), waited_s)
        });
        let bottom_pa = (expected.off.low.si() - LEAST_PA).min(low_pa).max(500.0);
        [VacuumLevel::new(bottom_pa), VacuumLevel::new(high_pa.max(deep.si() + LEAST_PA))]
    }

    /// Warns where the rig lets the level fall so far after a resume that the switch output of a good device may drop.
    pub(super) fn warn_of_fall(&self, expected: &Expected, falling: Air, place: &Place) {
        let Some(resume) = expected.resume else { return };
        let rig = &self.sheets.rig;
        let reopened_s = self.response_s()
            + rig.input_time().si()
            + rig.scan_time().si()
            + rig.order_time().si()
            + rig.manifold.valve_delay.si();
        let least_pa = self.after((falling, 1.0), resume.low.si(), reopened_s);
        let calibration_pa = rig.reference.calibration.standard_uncertainty_pa(expected.off.high);
        if least_pa - 2.0 * calibration_pa - rig.reference.drift.si() > expected.off.high.si() {
            return;
        }
        let style = self.sheets.site.style;
        let message = format!(
            "the rig may let the level fall too far: from a resume at {} to about {}, before the valve has opened; a good switch output may drop from {} on, which is left undecided",
            style.level(resume.low),
            style.level(VacuumLevel::new(least_pa)),
            style.level(expected.off.high)
        );
        let help = "a slower bleed valve, leak_only = true, or settings with a shorter delay or a resume level farther from the reset point";
        self.findings.add(Finding::warning(
            "level-falls-too-far",
            place,
            Wording::new(message, "this step", help),
        ));
    }

    /// Level that the air reaches from another within a time, pascal, moving faster than its sheet says by a factor.
    fn after(&self, (air, faster): (Air, f64), from_pa: f64, time_s: f64) -> f64 {
        let rig = &self.sheets.rig;
        let Some(tau) = time_constant(rig, air) else {
            return from_pa - rig.manifold.largest_leak.si() * time_s;
        };
        let end_pa = if air.evacuates() { self.reached().si() } else { 0.0 };
        end_pa + (from_pa - end_pa) * (-faster * time_s / tau.si()).exp()
    }
}
