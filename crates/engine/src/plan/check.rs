//! Checks of a script against the rig: missing outputs, levels out of reach, steps without a zero.

use super::{Planner, deepest};
use crate::predict::rate;
use crate::script::{Script, StepKind};
use tripbench_device::Expected;
use tripbench_quantity::{LevelStyle, SignConvention, VacuumLevel};
use tripbench_rig::{Air, ReferenceKind, RigSheet};
use tripbench_sheet::{Finding, Place, Wording};

/// Smallest time from a stop to the valve's coil that a plan assumes, seconds.
const STOP_LATENCY_S: f64 = 0.1;

/// Time from a stop to the valve's coil that a plan assumes, seconds.
pub(super) fn stop_s(rig: &RigSheet) -> f64 {
    rig.stop_time().si().max(STOP_LATENCY_S)
}

impl Planner<'_> {
    pub(super) fn check_script(&self, script: &Script) {
        if script.steps.is_empty() {
            self.finding(
                "no-step",
                &script.header.name.place,
                "this script has no step",
                "add [[step]] tables with do = \"…\"",
            );
        }
        self.fast_enough();
        self.shows_its_zero();
        self.ends_with_zero(script);
        let (mut zeroed, mut watched) = (false, false);
        for (index, step) in script.steps.iter().enumerate() {
            match step.kind {
                StepKind::Zero { .. } => zeroed = true,
                StepKind::Leak { .. } => watched = true,
                StepKind::SwitchPoints { .. } => {
                    self.mode(step);
                    self.framed(script, index, (zeroed, watched));
                }
                StepKind::Response { .. } | StepKind::AirSaving { .. } => {
                    self.framed(script, index, (zeroed, watched));
                }
                StepKind::Drive { .. }
                | StepKind::Hold { .. }
                | StepKind::WaitUntil { .. }
                | StepKind::Ask { .. } => {}
            }
        }
    }

    /// Checks that no step moves the air after the last zero: outputs are checked only up to there.
    fn ends_with_zero(&self, script: &Script) {
        let judged = self.sheets.settings.is_some();
        let finds = script.steps.iter().any(|step| matches!(step.kind, StepKind::SwitchPoints { .. }));
        let zero = script.steps.iter().rposition(|step| matches!(step.kind, StepKind::Zero { .. }));
        let Some(zero) = zero.filter(|_| judged && finds) else { return };
        let later = script.steps[zero + 1..].iter();
        for step in later.filter(|step| !matches!(step.kind, StepKind::Ask { .. })) {
            let message = format!("{} after the last zero", step.kind.name());
            let help = "put the last zero after it: outputs are checked only up to the last zero";
            self.finding("after-last-zero", &step.place, &message, help);
        }
    }

    /// Checks that a step that judges levels has a zero before and after it, and a leak step before it.
    fn framed(&self, script: &Script, index: usize, (zeroed, watched): (bool, bool)) {
        let step = &script.steps[index];
        let (name, judged) = (step.kind.name(), self.sheets.settings.is_some());
        let missing = |rule, what: &str, help| {
            self.finding(rule, &step.place, &format!("{name} without a {what}"), help);
        };
        if judged && !watched {
            let help = "put a step with do = \"leak\" before it: with an unknown leak no level can be judged";
            missing("no-leak-before", "leak step before", help);
        }
        let mut later = script.steps[index + 1..].iter();
        if judged && !later.any(|step| matches!(step.kind, StepKind::Zero { .. })) {
            let help =
                "put a step with do = \"zero\" after it: a reference that drifts would shift every level";
            missing("no-zero-after", "zero after", help);
        }
        if !zeroed {
            let help = "put a step with do = \"zero\" before it: without it a reference offset would shift every level";
            missing("no-zero-before", "zero before", help);
        }
    }

    /// Checks that a scan with a write in between fits into the longest gap that a run accepts.
    fn fast_enough(&self) {
        const LONGEST_S: f64 = 0.25;
        let rig = &self.sheets.rig;
        let needed_s = rig.scan_time().si() + rig.order_time().si();
        if needed_s <= LONGEST_S {
            return;
        }
        let message = format!("a scan with a write takes {:.0} ms on this wire", needed_s * 1e3);
        let help = format!(
            "allowed: up to {:.0} ms, because a longer gap between two scans aborts the run; use a higher baud rate, or fewer or adjacent addresses",
            LONGEST_S * 1e3
        );
        let wording = Wording::new(message, "too slow for this read plan", help);
        self.findings.add(Finding::error("wire-too-slow", rig.link.place(), wording));
    }

    /// Checks that the reference can send its reading at ambient: at the end of its range lower readings are cut off, and no zero can
    /// be taken.
    fn shows_its_zero(&self) {
        let reference = &self.sheets.rig.reference;
        let near_pa = 3.0 * reference.noise.si() + reference.input.resolution() / 2.0;
        let values = reference.input.stops().into_iter().map(|count| reference.input.value(count).si());
        let at_ambient = values.into_iter().any(|level_pa| level_pa.abs() <= near_pa);
        if !at_ambient || reference.kind != ReferenceKind::Gauge {
            return;
        }
        let message = format!(
            "`{}` reads ambient at the end of its range: readings below it are cut off, so no zero can be taken and nothing can be judged",
            reference.name.value
        );
        let help = "use a reference or an output range with ambient inside it, such as 4-20 mA; for a voltage that continues below ambient give two points inside the range and leave `signal` out";
        let wording = Wording::new(message, "this reference", help);
        self.findings.add(Finding::warning("zero-at-a-stop", &reference.name.place, wording));
    }

    pub(super) fn finding(&self, rule: &'static str, place: &Place, message: &str, help: &str) {
        self.findings.add(Finding::error(rule, place, Wording::new(message, "this step", help)));
    }

    /// Checks that the rig has the outputs for an air state.
    pub(super) fn can(&self, air: Air, place: &Place) -> Option<()> {
        let rig = &self.sheets.rig;
        if rig.can(air) {
            return Some(());
        }
        let outputs: Vec<_> = rig.outputs.iter().map(|output| output.name.word()).collect();
        let wording = Wording::new(
            format!("the rig `{}` has no output `{air}`", rig.header.name.value),
            "the rig has no such output",
            format!("its outputs: {}", outputs.join(", ")),
        );
        let finding = Finding::error("no-such-output", place, wording);
        self.findings.add(finding.with(&rig.header.name.place, "the rig sheet"));
        None
    }

    /// Checks that a window contains every limit with 0.5 kPa to spare: a ramp that ends inside the limits proves nothing.
    pub(super) fn holds_limits(
        &self,
        (bottom, top): (VacuumLevel, VacuumLevel),
        expected: Option<&Expected>,
        place: &Place,
    ) -> Option<()> {
        const SPARE_PA: f64 = 500.0;
        let Some(expected) = expected else { return Some(()) };
        let (low, high) = (expected.off.low.si() - SPARE_PA, deepest(expected).si() + SPARE_PA);
        if bottom.si() <= low.max(0.0) && high <= top.si() {
            return Some(());
        }
        let style = LevelStyle { sign: SignConvention::Vacuum, ..self.sheets.site.style };
        let show = |pascal| style.level(VacuumLevel::new(pascal));
        let message =
            format!("the window {} to {} ends inside the limits", show(bottom.si()), show(top.si()));
        let help = format!(
            "allowed: from {} or less deep, to {} or deeper; or leave both out",
            show(low.max(0.0)),
            show(high)
        );
        self.finding("window-inside-limits", place, &message, &help);
        None
    }

    /// Checks that the pump reaches a level and that it stays short of the limit of a run, stop latency included.
    pub(super) fn reachable(&self, level: VacuumLevel, place: &Place) -> Option<()> {
        let rig = &self.sheets.rig;
        let style = LevelStyle { sign: SignConvention::Vacuum, ..self.sheets.site.style };
        let reached = self.reached();
        let overshoot_s = stop_s(rig) + rig.manifold.valve_delay.si();
        let overshoot = rate(rig, reached, Air::Evacuate, level).si() * overshoot_s;
        let highest = rig.run_limits.deepest_level.value;
        let (limit, why, at) = if level.si() + overshoot >= highest.si() {
            (
                VacuumLevel::new(highest.si() - overshoot),
                "the limit of a run less the overshoot after a stop",
                &rig.run_limits.deepest_level.place,
            )
        } else if level.si() >= 0.98 * reached.si() {
            (
                VacuumLevel::new(0.98 * reached.si()),
                "98 % of the deepest level at this site",
                &rig.manifold.ultimate_vacuum.place,
            )
        } else {
            return Some(());
        };
        let message = format!("{} cannot be reached safely", style.level(level));
        let help = format!("allowed: less deep than {}: {why}", style.level(limit));
        let finding =
            Finding::error("level-not-reached", place, Wording::new(message, "too deep for this rig", help));
        self.findings.add(finding.with(at, why));
        None
    }
}
