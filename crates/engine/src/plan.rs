//! From script and sheets to a plan: everything that can be found wrong before a valve moves is found here.

use crate::predict::time;
use crate::script::{Direction, OnFailure, Script, ScriptStep, StepKind};
use std::sync::Arc;
use tripbench_device::{Expected, expected};
use tripbench_quantity::{TimeSpan, VacuumLevel};
use tripbench_record::{LeakTask, LoadedSheets, PlannedStep, PositionPlan, StepTask, Task};
use tripbench_rig::Air;
use tripbench_sheet::{Finding, Findings, Wording};

mod check;
mod closed_loop;
mod foresee;
mod mix;
mod rig_check;
mod switch_points;

pub use foresee::predictions;
pub use rig_check::{abilities, rig_check};

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
            StepKind::Response { .. } => self.response(script, index)?,
            StepKind::AirSaving { .. } => self.air_saving(script, index)?,
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
            StepKind::SwitchPoints { to: None, .. }
            | StepKind::Response { .. }
            | StepKind::AirSaving { .. } => self.expected().map(|expected| deepest(&expected)),
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
        if let Some(least) = self.expected().map(|expected| expected.off.low).filter(|least| level < *least) {
            let style = self.sheets.site.style;
            let message = format!("at {} a leak shows less than where levels are judged", style.level(level));
            let help = format!("allowed: {} or deeper; or leave it out", style.level(least));
            self.finding("leak-level", place, &message, &help);
            return None;
        }
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
}

/// Deepest expected level.
fn deepest(expected: &Expected) -> VacuumLevel {
    let on = expected.on.high;
    expected.cut_off.map_or(on, |cut_off| if cut_off.high > on { cut_off.high } else { on })
}
