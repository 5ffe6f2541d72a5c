//! The built-in script of `rig check`: its steps in order, and what a rig can decide according to its sheet.

use super::Planner;
use super::check::stop_s;
use crate::predict::rate;
use std::sync::Arc;
use tripbench_device::LevelLimits;
use tripbench_quantity::{LevelDifference, LevelRate, TimeSpan, VacuumLevel};
use tripbench_record::{
    DeviceOutput, LeakTask, LoadedSheets, Motion, PlannedStep, StepTask, SwitchPointsTask, Task,
};
use tripbench_rig::{Air, OutputName};
use tripbench_sheet::Findings;

/// Number of times that the looped output is switched.
const LOOPED: u16 = 24;

/// What `rig check` asks of the person at the rig besides a yes before every output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PersonAtPlugs {
    /// Nothing.
    Absent,
    /// To operate each output at its plug.
    OperatesEach,
}

/// The task of `rig check`. No device takes part.
pub fn rig_check(sheets: Arc<LoadedSheets>, person: PersonAtPlugs) -> Task {
    let findings = Findings::new();
    let planner = Planner::new(&sheets, &[], &findings);
    let steps = planner.check_steps(person);
    Task { steps, positions: Vec::new(), plan: sheets.rig.read_plan(), sheets }
}

/// What a rig can decide according to its sheet: one line for each quantity.
pub fn abilities(sheets: &Arc<LoadedSheets>, person: PersonAtPlugs) -> Vec<String> {
    let findings = Findings::new();
    Planner::new(sheets, &[], &findings).abilities(person)
}

impl Planner<'_> {
    fn check_steps(&self, person: PersonAtPlugs) -> Vec<PlannedStep> {
        let rig = &self.sheets.rig;
        let level = self.check_level();
        let pull = self.time_of(Air::Evacuate, (VacuumLevel::ZERO, level));
        let thermal_s = rig.manifold.thermal.si();
        let watch_s = self.watched_at_rest_s();
        let mut steps = vec![
            (String::from("ready"), StepTask::Ask { text: ready(self.sheets.rig.by_hand()) }, 0.0),
            ("signals".into(), StepTask::Signals { watch: TimeSpan::new(watch_s) }, watch_s + 0.2),
            ("zero".into(), StepTask::Zero { watch: TimeSpan::new(1.0), again: false }, 3.0),
        ];
        if person == PersonAtPlugs::OperatesEach {
            steps.extend(self.own_inputs());
        }
        // The output `loop` shows itself at the input that it is wired to.
        let looped = rig.module.looped.is_some();
        for output in rig.outputs.iter().filter(|output| output.name != OutputName::Loop || !looped) {
            let name = output.position.map_or_else(
                || format!("try {}", output.name),
                |position| format!("try {} {position}", output.name),
            );
            let let_in = matches!(output.name, OutputName::Bleed | OutputName::Vent);
            let seconds = if let_in { 3.0 + 3.0 * thermal_s } else { 2.5 };
            steps.push((
                name,
                StepTask::TryOutput { output: output.name, position: output.position },
                seconds,
            ));
        }
        if looped && rig.has(OutputName::Loop) {
            let once_s = 0.3 + 2.0 * (rig.module.input_filter.si() + rig.module.image_age.si());
            steps.push(("path lag".into(), StepTask::PathLag { times: LOOPED }, f64::from(LOOPED) * once_s));
        }
        if let Some(time) = rig.module.loss_of_master {
            let time = TimeSpan::new(time.si() + 0.5);
            steps.push(("silence".into(), StepTask::Silence { time }, time.si() + 0.5));
        }
        let watch = TimeSpan::new((8.0 * thermal_s).clamp(4.0, 30.0));
        steps.push(("settling".into(), StepTask::Settling { level, watch }, pull + watch.si()));
        let settle = TimeSpan::new(3.0 * thermal_s);
        let limit = rig.manifold.largest_leak.value;
        let leak = LeakTask { level, settle, watch: TimeSpan::new(3.0), limit };
        steps.push(("leak".into(), StepTask::Leak(leak), pull + settle.si() + 3.0));
        steps.push(("zero".into(), StepTask::Zero { watch: TimeSpan::new(1.0), again: true }, 4.0));
        let planned = |(name, task, predicted): (String, StepTask, f64)| PlannedStep {
            name,
            task,
            stop_on_failure: false,
            predicted: TimeSpan::new(predicted),
        };
        steps.into_iter().map(planned).collect()
    }

    /// Time that the rig is watched at rest, seconds: long enough to measure the tick of the module's clock to a thousandth, even if
    /// reads take several times as long as the rig sheet says.
    fn watched_at_rest_s(&self) -> f64 {
        const LEAST_S: f64 = 2.0;
        const MOST_S: f64 = 30.0;
        const PER_OPEN: f64 = 2_500.0;
        let rig = &self.sheets.rig;
        let open_s = |tick: TimeSpan| tick.si() + rig.link.answer_time.si();
        let watch_s = rig.module.clock.as_ref().map_or(0.0, |clock| PER_OPEN * open_s(clock.tick));
        watch_s.clamp(LEAST_S, MOST_S)
    }

    /// One step for each device output that the rig reads, operated by a person.
    fn own_inputs(&self) -> impl Iterator<Item = (String, StepTask, f64)> + '_ {
        /// Time to walk from the keyboard to the plug.
        const WITHIN: TimeSpan = TimeSpan::new(30.0);
        /// Usual time, seconds.
        const USUAL_S: f64 = 10.0;
        self.sheets.rig.positions.iter().flat_map(|position| {
            let number = *position.number;
            let outputs = [Some(DeviceOutput::Switch), position.valve.as_ref().map(|_| DeviceOutput::Valve)];
            outputs.into_iter().flatten().map(move |output| {
                let task = StepTask::OwnInput { position: number, output, within: WITHIN };
                (format!("input {output} {number}"), task, USUAL_S)
            })
        })
    }

    /// A level deep enough for the check, well short of what the pump reaches and of the limit of a run.
    fn check_level(&self) -> VacuumLevel {
        let rig = &self.sheets.rig;
        let deep = 0.75 * self.reached().si();
        let rate = rate(rig, self.reached(), Air::Evacuate, VacuumLevel::new(deep)).si();
        let runs_on = rate * (stop_s(rig) + rig.manifold.valve_delay.si()) + 1_000.0;
        VacuumLevel::new(deep.min(rig.run_limits.deepest_level.si() - runs_on).max(1_000.0))
    }

    fn abilities(&self, person: PersonAtPlugs) -> Vec<String> {
        let (rig, style) = (&self.sheets.rig, self.sheets.site.style);
        let level = VacuumLevel::new(2.0 / 3.0 * self.reached().si());
        let limits = LevelLimits { low: level, high: level };
        let by_valve = |wanted| !rig.by_hand() && rig.has(wanted);
        let follows = rate(rig, self.reached(), Air::Evacuate, level).si() / 2.0;
        let ways = [
            ("full-flow", by_valve(OutputName::Evacuate), Motion::FullFlow),
            ("throttled", by_valve(OutputName::EvacuateFine), Motion::Throttled),
            (
                "regulated",
                rig.has(OutputName::Regulator),
                Motion::Regulated { rate: LevelRate::new(follows) },
            ),
            ("by-hand", rig.by_hand(), Motion::ByHand { rate: LevelRate::new(1_500.0) }),
        ];
        let mut lines = Vec::new();
        for (name, _, motion) in ways.into_iter().filter(|(_, there, _)| *there) {
            let task = SwitchPointsTask {
                cycles: 5,
                bottom: level,
                top: level,
                near: level,
                rising: motion,
                falling: motion,
                valve: false,
                fast_shows: [false; 2],
                phased_at: [level; 2],
                slow_top: level,
                slow_rising: 0,
                slow_falling: 0,
            };
            let u_pa = self.level_uncertainty_pa(&task, limits);
            lines.push(format!(
                "a level near {}, {name}, five ramps: U about {}; limits of ± {} or wider can be decided well",
                style.level(level),
                style.difference(LevelDifference::new(u_pa)),
                style.difference(LevelDifference::new(3.0 * u_pa))
            ));
        }
        let edge_s = rig.edge_time().si();
        let told_s = (edge_s / 2.0).hypot(rig.reference.lag.uncertainty.si());
        lines.push(format!(
            "reads locate an edge within {:.1} ms: no delay can be resolved more finely than to about {:.0} ms",
            edge_s * 1e3,
            (told_s * 1e3).ceil()
        ));
        if rig.module.loss_of_master.is_none() {
            lines.push("no loss-of-master timeout is declared: the time allowed under vacuum is halved, and somebody has to stay at the rig".into());
        }
        let inputs = match person {
            PersonAtPlugs::Absent => "not tested: `rig check --inputs` tests it",
            PersonAtPlugs::OperatesEach => "except where this check tested it",
        };
        lines.push(format!("which input belongs to which position is taken from the rig sheet, {inputs}"));
        lines.push("the lag of the reference, its calibration, and the time constants `evacuate`, `bleed` and `vent` are taken from the rig sheet, not tested".into());
        if rig.module.looped.is_none() {
            lines.push("no output is looped to an input: filter and image age of the module are taken from the rig sheet, not tested".into());
        }
        lines
    }
}

fn ready(by_hand: bool) -> String {
    let air = if by_hand {
        "You pull vacuum and let air in by hand, as the guide tells you."
    } else {
        "Valves will move and vacuum will be pulled."
    };
    format!(
        "Rig check: no device mounted, the port of every position closed, hands clear of hoses, ports and moving parts. {air} Ready?"
    )
}
