//! From script and sheets to a plan: reports everything that can be found wrong before a valve moves.

use crate::gas::Passages;
use crate::predict::time;
use crate::script::{Direction, OnFailure, Script, ScriptStep, StepKind};
use std::sync::Arc;
use tripbench_device::{Expected, NotChecked, expected};
use tripbench_judge::{OfDevices, predicted_leak_pa_per_s};
use tripbench_quantity::{TimeSpan, VacuumLevel};
use tripbench_record::{LeakTask, LoadedSheets, PlannedStep, PositionPlan, StepTask, Task};
use tripbench_rig::Air;
use tripbench_sheet::{Finding, Findings, Wording};

mod check;
mod closed_loop;
mod foresee;
mod mix;
mod open;
mod rig_check;
mod saving;
mod shares;
mod switch_points;
mod warn;

pub use foresee::predictions;
pub use open::predicted_open;
pub use rig_check::{PersonAtPlugs, abilities, rig_check};

/// Input of [`plan`].
#[derive(Debug)]
pub struct PlanInput<'p> {
    /// The script.
    pub script: &'p Script,
    /// The sheets.
    pub sheets: Arc<LoadedSheets>,
    /// The positions that take part.
    pub positions: Vec<PositionPlan>,
}

/// Plans a run; whatever this rig cannot do with these sheets becomes a finding at the script's step.
pub fn plan(input: PlanInput<'_>, findings: &Findings) -> Option<Task> {
    let planner = Planner::new(&input.sheets, &input.positions, findings);
    let planner = planner.watching(input.script);
    planner.check_script(input.script);
    let steps: Vec<Option<PlannedStep>> =
        (0..).zip(&input.script.steps).map(|(index, step)| planner.step(input.script, index, step)).collect();
    let steps = steps.into_iter().collect::<Option<Vec<_>>>()?;
    if findings.any_error() {
        return None;
    }
    let plan = input.sheets.rig.read_plan();
    let task = Task { steps, positions: input.positions, plan, sheets: input.sheets };
    warn_nothing_passes(&task, input.script, findings);
    Some(task)
}

/// Warns where the site requires everything to be checked and some quantity is predicted to remain unchecked.
fn warn_nothing_passes(task: &Task, script: &Script, findings: &Findings) {
    let open = predicted_open(task, OfDevices::Every);
    if task.sheets.site.not_checked == NotChecked::Say || open.is_empty() {
        return;
    }
    let names: Vec<String> = open.iter().map(|quantity| quantity.word().replace('-', " ")).collect();
    let message = format!(
        "no device can pass: the site has not_checked = \"undecided\", and this rig and script leave unchecked: {}",
        names.join(", ")
    );
    let help = "inputs with counters show bounce; ramps at two rates show delays; three or more ramps and faster reads show repeatability; or write not_checked = \"say\"";
    let place = &script.header.name.place;
    findings.add(Finding::warning("nothing-passes", place, Wording::new(message, "this script", help)));
}

/// Level at which the fast fall ends: low enough for an output that is late.
pub(crate) const FAST_END: VacuumLevel = VacuumLevel::new(3_000.0);

struct Planner<'p> {
    sheets: &'p LoadedSheets,
    positions: &'p [PositionPlan],
    findings: &'p Findings,
    /// Sheets and positions without a step, for the judge's predictions.
    blank: Task,
    /// Predicted expanded uncertainty of the leak, pascal per second.
    leak_told_pa_per_s: f64,
    passed: Passages,
}

impl<'p> Planner<'p> {
    fn new(sheets: &'p Arc<LoadedSheets>, positions: &'p [PositionPlan], findings: &'p Findings) -> Self {
        let blank = Task {
            sheets: Arc::clone(sheets),
            steps: Vec::new(),
            positions: positions.to_vec(),
            plan: sheets.rig.read_plan(),
        };
        let leak_told_pa_per_s = sheets.rig.manifold.largest_leak.si();
        Self { sheets, positions, findings, blank, leak_told_pa_per_s, passed: Passages::default() }
    }

    /// This planner with the leak uncertainty that the planned leak step will give.
    fn told_by(mut self, steps: &[PlannedStep]) -> Self {
        let leak = steps
            .iter()
            .find_map(|step| if let StepTask::Leak(leak) = &step.task { Some(*leak) } else { None });
        if let Some(leak) = leak {
            self.leak_told_pa_per_s = predicted_leak_pa_per_s(&self.blank, &leak);
        }
        self
    }

    /// This planner with the leak uncertainty that the script's first leak step will give.
    fn watching(self, script: &Script) -> Self {
        let step = script.steps.iter().find(|step| matches!(step.kind, StepKind::Leak { .. }));
        // The step's own findings are added when it is planned.
        let silent = Findings::new();
        let planner =
            Planner { findings: &silent, blank: self.blank.clone(), passed: Passages::default(), ..self };
        let planned = step.and_then(|step| planner.leak(script, step));
        let steps: Vec<PlannedStep> = planned
            .map(|(name, task, predicted)| PlannedStep {
                name: name.to_owned(),
                task,
                stop_on_failure: false,
                predicted: TimeSpan::new(predicted),
            })
            .into_iter()
            .collect();
        self.told_by(&steps)
    }
}

impl Planner<'_> {
    /// Deepest level that this rig reaches at this site.
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
                let text = text.get(self.sheets.site.language.word()).to_owned();
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

    /// Deepest end of all windows in the script, for the time that venting takes.
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
            let message = format!(
                "a leak measured at {} is smaller than at the levels that are judged",
                style.level(level)
            );
            let help = format!("allowed: {} or deeper; or leave `level` out", style.level(least));
            self.finding("leak-level", place, &message, &help);
            return None;
        }
        let largest = &self.sheets.rig.manifold.largest_leak;
        let limit = limit.as_ref().map_or(largest.value, |limit| limit.value);
        if limit.si() > largest.si() {
            let help = "the rig sheet states that levels cannot be judged with a larger leak: use its limit or a smaller one";
            let wording =
                Wording::new("the leak limit is larger than the rig sheet allows", "this step", help);
            self.findings.add(
                Finding::error("leak-limit", &step.place, wording)
                    .with(&largest.place, "the rig's largest leak"),
            );
            return None;
        }
        let settle = settle.unwrap_or_else(|| TimeSpan::new(3.0 * self.sheets.rig.manifold.thermal.si()));
        let watched = |watch| LeakTask { level, settle, watch, limit };
        let task = watch.map_or_else(|| self.watched_long_enough(watched), watched);
        let predicted =
            self.time_of(Air::Evacuate, (VacuumLevel::ZERO, level)) + settle.si() + task.watch.si();
        Some(("leak", StepTask::Leak(task), predicted))
    }

    /// A leak step watched until the leak is known to a tenth of what the rig allows, or for half a minute.
    fn watched_long_enough(&self, watched: impl Fn(TimeSpan) -> LeakTask) -> LeakTask {
        const TIMES_S: [f64; 9] = [2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 30.0];
        const SHARE: f64 = 0.1;
        let wanted = SHARE * self.sheets.rig.manifold.largest_leak.si();
        let mut tasks = TIMES_S.into_iter().map(|time_s| watched(TimeSpan::new(time_s)));
        let last = watched(TimeSpan::new(30.0));
        tasks.find(|task| predicted_leak_pa_per_s(&self.blank, task) <= wanted).unwrap_or(last)
    }
}

/// Deepest expected level.
fn deepest(expected: &Expected) -> VacuumLevel {
    let on = expected.on.high;
    expected.cut_off.map_or(on, |cut_off| if cut_off.high > on { cut_off.high } else { on })
}
