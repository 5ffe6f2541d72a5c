//! Warnings about what a run will not be able to decide.

use super::Planner;
use super::foresee::{PredictedCheck, around_nominal};
use super::shares::{guard_of_u, undecided_share_by};
use tripbench_quantity::{LevelDifference, TimeSpan};
use tripbench_record::QuantityName;
use tripbench_sheet::{Finding, Place, Wording};

impl Planner<'_> {
    /// Warns of a level that cannot be decided or may be left undecided.
    pub(super) fn warn(&self, predicted: &PredictedCheck, place: &Place) {
        let PredictedCheck { name, half_tolerance: t, uncertainty: u, as_set, .. } = *predicted;
        if predicted.open {
            let message = format!(
                "the {name} cannot be decided: a leak too small to be measured could shift it behind the hose by more than a quarter of half its tolerance, and no delay shows that the hose is clear"
            );
            let help = "a shorter or wider hose, a longer leak step, or ramps that resolve a delay to 10 ms or to the promised delay";
            self.findings.add(Finding::warning(
                "hose-not-told",
                place,
                Wording::new(message, "this step", help),
            ));
        }
        if u <= t / 3.0 {
            return;
        }
        let style = self.sheets.site.style;
        let show = |pascal: f64| style.difference(LevelDifference::new(pascal));
        let guard = guard_of_u(&self.sheets.site, around_nominal(t), u);
        let message = if guard * u >= t
            && guard_of_u(&self.sheets.site, around_nominal(t), as_set) * as_set < t
        {
            format!(
                "the {name} is left undecided wherever a run does not show that no other delay of the type is selected: U will be about {} then, half its tolerance is {}",
                show(u),
                show(t)
            )
        } else if guard * u >= t {
            format!(
                "no device can be shown to have a good {name} on this rig: U will be about {}, half its tolerance is {}",
                show(u),
                show(t)
            )
        } else {
            let [nominal, half] = [0.0, t / 2.0].map(|off| undecided_share_by(t, u, off, guard));
            format!(
                "the {name} may be left undecided: U about {}, half its tolerance {}; this concerns about {:.0} % of devices at nominal, {:.0} % at half the tolerance",
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

    /// Warns where the delay that remains unresolved shifts a level by more than the margin of a device at nominal.
    pub(super) fn warn_delay(&self, predicted: &PredictedCheck, place: &Place) {
        let PredictedCheck { quantity, half_tolerance, uncertainty, .. } = *predicted;
        if uncertainty <= half_tolerance {
            return;
        }
        let direction = if quantity == QuantityName::OnDelay {
            "the on delay"
        } else if quantity == QuantityName::OffDelay {
            "the off delay"
        } else if quantity == QuantityName::CutOffDelay {
            "the delay of the valve output at cut-off"
        } else {
            "the delay of the valve output at resume"
        };
        let promised = TimeSpan::new(self.response_s());
        let message = format!(
            "{direction} can be measured to ± {:.0} ms here, which is too coarse to decide the {:.0} ms promised",
            uncertainty * 1e3,
            promised.si() * 1e3
        );
        let help = "only a much longer delay will show; a faster wire or more cycles resolve more";
        self.findings.add(Finding::warning(
            "delay-not-told",
            place,
            Wording::new(message, "this step", help),
        ));
    }
}
