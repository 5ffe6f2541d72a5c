//! From script and sheets to a plan: everything that can be found wrong before a valve moves is found here.

use crate::predict::{rate, time};
use crate::script::{Direction, OnFailure, Script, ScriptStep, StepKind};
use std::sync::Arc;
use tripbench_device::{Expected, Mode, expected};
use tripbench_quantity::{LevelDifference, TimeSpan, VacuumLevel};
use tripbench_record::{LeakTask, LoadedSheets, PlannedStep, PositionPlan, StepTask, SwitchPointsTask, Task};
use tripbench_rig::Air;
use tripbench_sheet::{Finding, Findings, Wording};

mod check;
mod foresee;

/// What a plan is made of.
#[derive(Debug)]
pub struct PlanInput<'p> {
    /// The script.
    pub script: &'p Script,
    /// The sheets.
    pub sheets: Arc<LoadedSheets>,
    /// The positions that take part.
    pub positions: Vec<PositionPlan>,
}

/// Plans a run; what can not be done on this rig with these sheets is a finding at the script's step.
pub fn plan(input: PlanInput<'_>, findings: &Findings) -> Option<Task> {
    let planner = Planner { sheets: &input.sheets, positions: &input.positions, findings };
    planner.check_script(input.script);
    let steps: Vec<Option<PlannedStep>> =
        (0..).zip(&input.script.steps).map(|(index, step)| planner.step(input.script, index, step)).collect();
    let steps = steps.into_iter().collect::<Option<Vec<_>>>()?;
    if findings.any_error() {
        return None;
    }
    let plan = input.sheets.rig.read_plan();
    Some(Task { steps, positions: input.positions, plan, sheets: input.sheets })
}

/// Where the fast fall ends: late enough for an output that is late.
pub(crate) const FAST_END: VacuumLevel = VacuumLevel::new(3_000.0);

struct Planner<'p> {
    sheets: &'p LoadedSheets,
    positions: &'p [PositionPlan],
    findings: &'p Findings,
}

impl Planner<'_> {
    /// Deepest level of this rig at this site.
    fn reached(&self) -> VacuumLevel {
        self.sheets.site.reached(self.sheets.rig.manifold.ultimate_vacuum.value)
    }

    fn expected(&self) -> Option<Expected> {
        let (settings, device) = self.sheets.settings.as_ref().zip(self.sheets.device.as_ref())?;
        Some(expected(settings, device))
    }

    fn step(&self, script: &Script, index: usize, step: &ScriptStep) -> Option<PlannedStep> {
        let (name, task, predicted) = match &step.kind {
            StepKind::Zero { watch } => {
                let again =
                    script.steps[..index].iter().any(|earlier| matches!(earlier.kind, StepKind::Zero { .. }));
                let vent = self.time_of(Air::Vent, (self.window_top(script), VacuumLevel::ZERO));
                ("zero", StepTask::Zero { watch: *watch, again }, vent + watch.si() + 0.5)
            }
            StepKind::Leak { .. } => self.leak(script, step)?,
            StepKind::SwitchPoints { .. } => {
                let planned = self.switch_points(script, index)?;
                if let (StepTask::SwitchPoints(task), Some(expected)) = (&planned.1, self.expected()) {
                    self.foresee(task, &expected, &step.place);
                }
                planned
            }
            StepKind::Drive { air } => {
                self.can(air.value, &air.place)?;
                ("drive", StepTask::Drive { air: air.value }, 0.1)
            }
            StepKind::Hold { time } => ("hold", StepTask::Hold { time: time.value }, time.si()),
            StepKind::WaitUntil { level, direction, within } => {
                self.reachable(level.value, &level.place)?;
                let rising = *direction == Direction::Deeper;
                (
                    "wait-until",
                    StepTask::WaitUntil { level: level.value, rising, within: *within },
                    within.si() / 2.0,
                )
            }
            StepKind::Ask { text } => {
                let text = text.get(&self.sheets.site.language).to_owned();
                ("ask", StepTask::Ask { text }, 0.0)
            }
        };
        let stop_on_failure = step.on_failure == OnFailure::Stop;
        Some(PlannedStep {
            name: name.to_owned(),
            task,
            stop_on_failure,
            predicted: TimeSpan::new(predicted),
        })
    }

    fn time_of(&self, air: Air, levels: (VacuumLevel, VacuumLevel)) -> f64 {
        time(&self.sheets.rig, self.reached(), air, levels).map_or(0.0, TimeSpan::si)
    }

    /// Deep end of the script's first window, for the time that venting takes.
    fn window_top(&self, script: &Script) -> VacuumLevel {
        let windows = script.steps.iter().filter_map(|step| match &step.kind {
            StepKind::SwitchPoints { to: Some(to), .. } => Some(to.value),
            StepKind::SwitchPoints { to: None, .. } => self.expected().map(|expected| deepest(&expected)),
            StepKind::Zero { .. }
            | StepKind::Leak { .. }
            | StepKind::Drive { .. }
            | StepKind::Hold { .. }
            | StepKind::WaitUntil { .. }
            | StepKind::Ask { .. } => None,
        });
        windows.max_by(|a, b| a.si().total_cmp(&b.si())).unwrap_or(VacuumLevel::new(1_000.0))
    }

    fn leak(&self, script: &Script, step: &ScriptStep) -> Option<(&'static str, StepTask, f64)> {
        let StepKind::Leak { level, settle, watch, limit } = &step.kind else { return None };
        let (level, place) = level
            .as_ref()
            .map_or((self.window_top(script), &step.place), |level| (level.value, &level.place));
        self.can(Air::Evacuate, &step.place)?;
        self.reachable(level, place)?;
        let largest = &self.sheets.rig.manifold.largest_leak;
        let limit = limit.as_ref().map_or(largest.value, |limit| limit.value);
        if limit.si() > largest.si() {
            let help = "with a larger leak the rig sheet says that levels can not be judged: take its limit or a smaller one";
            let wording =
                Wording::new("the leak limit is larger than the rig sheet allows", "this step", help);
            self.findings.add(
                Finding::error("leak-limit", &step.place, wording)
                    .with(&largest.place, "the rig's largest leak"),
            );
            return None;
        }
        let settle = settle.unwrap_or_else(|| TimeSpan::new(3.0 * self.sheets.rig.manifold.thermal.si()));
        let predicted = self.time_of(Air::Evacuate, (VacuumLevel::ZERO, level)) + settle.si() + watch.si();
        Some(("leak", StepTask::Leak(LeakTask { level, settle, watch: *watch, limit }), predicted))
    }

    fn switch_points(&self, script: &Script, index: usize) -> Option<(&'static str, StepTask, f64)> {
        let step = script.steps.get(index)?;
        let StepKind::SwitchPoints { cycles, from, to, rising, valve } = &step.kind else { return None };
        let expected = self.expected();
        let rising_air = match rising {
            Some(air) => self.can(air.value, &air.place).map(|()| air.value)?,
            None => self.rising_air(expected.as_ref(), *cycles),
        };
        let falling = if self.sheets.rig.can(Air::Bleed) { Air::Bleed } else { Air::Vent };
        let [bottom, top] = self.window(expected.as_ref(), (rising_air, falling));
        let bottom = from.as_ref().map(|level| level.value).or(bottom);
        let top = to.as_ref().map(|level| level.value).or(top);
        let (Some(bottom), Some(top)) = (bottom, top) else {
            let help = "without a settings sheet write from = \"… kPa\" and to = \"… kPa\"";
            self.finding("window-missing", &step.place, "this step has no window", help);
            return None;
        };
        if bottom >= top {
            self.finding(
                "window-empty",
                &step.place,
                "the window's less deep end is not less deep than its deep end",
                "write from less deep, to deeper",
            );
            return None;
        }
        let place = to.as_ref().map_or(&step.place, |level| &level.place);
        self.reachable(top, place)?;
        self.holds_limits((bottom, top), expected.as_ref(), place)?;
        let saving = self.sheets.settings.as_ref().is_some_and(|settings| settings.air_saving.is_some());
        let valve = self.valve(step, valve.as_ref().map_or(saving, |valve| valve.value))?;
        let near = self.near(bottom, rising_air);
        // Only against a slower fall does a fast one show a delay.
        let fast_fall = falling == Air::Bleed && expected.is_some();
        let task = SwitchPointsTask {
            cycles: *cycles,
            bottom,
            top,
            near,
            rising: rising_air,
            falling,
            valve,
            fast_fall,
        };
        // A leak step before leaves the rig deep; from ambient one pull that does not count comes first.
        let deep = index
            .checked_sub(1)
            .is_some_and(|before| matches!(script.steps[before].kind, StepKind::Leak { .. }));
        let pull = if deep { 0.0 } else { self.time_of(Air::Evacuate, (VacuumLevel::ZERO, top)) };
        let first = pull + self.time_of(falling, (top, bottom));
        let cycle = self.time_of(rising_air, (bottom, top)) + self.time_of(falling, (top, bottom));
        let last = if fast_fall {
            self.time_of(Air::Evacuate, (bottom, top)) + self.time_of(Air::Vent, (top, FAST_END))
        } else {
            0.0
        };
        Some(("switch-points", StepTask::SwitchPoints(task), first + f64::from(*cycles) * cycle + last))
    }

    /// Throttled only where the rate's share would raise the uncertainty by 2 % or more, and the rig has a throttle.
    fn rising_air(&self, expected: Option<&Expected>, cycles: u16) -> Air {
        let rig = &self.sheets.rig;
        let Some(expected) = expected.filter(|_| rig.can(Air::EvacuateFine)) else { return Air::Evacuate };
        let rate = rate(rig, self.reached(), Air::Evacuate, expected.on.low).si();
        let response = self.sheets.device.as_ref().map_or(0.0, |device| device.promise.response_time.si())
            + self.sheets.settings.as_ref().map_or(0.0, |settings| settings.delay.si());
        let calibration = &rig.reference.calibration;
        let fixed = (calibration.expanded_uncertainty.si() / *calibration.coverage_factor).powi(2);
        let by_rate =
            ((rate * response / 2.0).powi(2) + (rate * rig.reference.lag.uncertainty.si()).powi(2)) / 3.0;
        // An edge lies somewhere between two scans: on a slow line that is the larger part.
        let by_edge = (rate * rig.scan_time().si()).powi(2) / 12.0 / f64::from(cycles.max(1));
        let grows = |by: f64| (1.0 + by / fixed).sqrt() >= 1.02;
        let throttled =
            grows(by_rate) || (grows(by_rate + by_edge) && self.time_for_throttle(expected, cycles));
        if throttled { Air::EvacuateFine } else { Air::Evacuate }
    }

    /// Whether so many throttled ramps fit into the time that the interlock allows under vacuum, with a fifth to spare.
    fn time_for_throttle(&self, expected: &Expected, cycles: u16) -> bool {
        let rig = &self.sheets.rig;
        let levels = (expected.off.low, deepest(expected));
        let rise = self.time_of(Air::EvacuateFine, levels);
        let fall =
            self.time_of(if rig.can(Air::Bleed) { Air::Bleed } else { Air::Vent }, (levels.1, levels.0));
        let share = if rig.module.loss_of_master.is_some() { 1.0 } else { 0.5 };
        f64::from(cycles) * (rise + fall) <= 0.8 * share * rig.interlocks.longest_at_vacuum.si()
    }

    /// The window that holds every expected level, with room for delays and for the fit on both sides.
    fn window(&self, expected: Option<&Expected>, (rising, falling): (Air, Air)) -> [Option<VacuumLevel>; 2] {
        let Some(expected) = expected else { return [None, None] };
        let delay_s = self.sheets.settings.as_ref().map_or(0.0, |settings| settings.delay.si())
            + self.sheets.device.as_ref().map_or(0.0, |device| device.promise.response_time.si());
        let margin = |air: Air, level: VacuumLevel| {
            let rate = rate(&self.sheets.rig, self.reached(), air, level).si();
            LevelDifference::new((rate * (0.25 + delay_s)).max(1_500.0))
        };
        let top = deepest(expected);
        let least = expected.off.low;
        let bottom = VacuumLevel::new((least - margin(falling, least)).si().max(500.0));
        [Some(bottom), Some(top + margin(rising, top))]
    }

    /// End of the full-flow approach: after a fast pull the gas warms and the vacuum falls back.
    fn near(&self, bottom: VacuumLevel, rising: Air) -> VacuumLevel {
        if rising == Air::Evacuate {
            return bottom;
        }
        let rate = rate(&self.sheets.rig, self.reached(), Air::Evacuate, bottom).si();
        let short = (0.5 * rate * self.sheets.rig.manifold.thermal.si() + 500.0).max(1_000.0);
        VacuumLevel::new((bottom.si() - short).max(0.0))
    }

    /// Whether cut-off and resume are judged; refused where the rig can not see the valve outputs.
    fn valve(&self, step: &ScriptStep, wanted: bool) -> Option<bool> {
        let blind = self.positions.iter().find(|plan| {
            self.sheets.rig.position(plan.number).is_some_and(|position| position.valve.is_none())
        });
        match blind.filter(|_| wanted) {
            None => Some(wanted),
            Some(blind) => {
                let message = format!("the rig has no valve input at position {}", blind.number);
                let help =
                    "add it to the rig sheet, or write valve = false: then cut-off and resume are not judged";
                self.finding("valve-not-seen", &step.place, &message, help);
                None
            }
        }
    }

    fn mode(&self, step: &ScriptStep) {
        if let Some(settings) =
            self.sheets.settings.as_ref().filter(|settings| settings.mode.value == Mode::Window)
        {
            let wording = Wording::new(
                "switch-points can not test a window output",
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

/// Deepest expected level.
fn deepest(expected: &Expected) -> VacuumLevel {
    let on = expected.on.high;
    expected.cut_off.map_or(on, |cut_off| if cut_off.high > on { cut_off.high } else { on })
}
