//! Support for the whole-system tests: the demo's sheets and runs in virtual time.

pub mod attacks;
pub mod browser;
pub mod command;
pub mod daemon;
pub mod hosted;
pub mod hour;
pub mod kill;
pub mod line;
pub mod proving;
pub mod search;
pub mod virtual_line;
pub mod ways;
pub mod wire;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use tripbench_device::{SettingsDraft, SettingsSheet, SiteSheet, Surroundings, TypeSheet, check_settings};
use tripbench_engine::{PersonAtPlugs, Plan, PlanInput, Script, plan, rig_check};
use tripbench_link::Clock;
use tripbench_quantity::Mono;
use tripbench_record::{
    Check, ClockState, Event, EventKind, Halt, Identity, IdentityHow, LoadedSheets, PositionPlan, Record,
    RunHeader, RunView, StepTask, Task, Trace, TraceRecord, sha256_hex,
};
use tripbench_rig::{RigSheet, VirtualModule};
use tripbench_runner::{VirtualRun, run_in_virtual_time};
use tripbench_sheet::{Findings, Reader, Severity, Source, read_sheet};
use tripbench_simulator::{SimulatedBench, Truth};
use virtual_line::{OnLine, VirtualLine, run_over};

/// Folder of the demo's sheets.
pub fn bench_scripts() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../bench-scripts")
}

/// Text of a sheet of the demo; `path` is relative to `bench-scripts`.
///
/// # Panics
/// If it cannot be read.
pub fn sheet_text(path: &str) -> String {
    let path = bench_scripts().join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Reads a sheet that must be free of findings.
///
/// # Panics
/// With all findings, if there are any.
pub fn good<T>(text: &str, read: impl Fn(&Reader<'_>) -> Option<T>) -> T {
    let findings = Findings::new();
    let sheet = read_sheet(&Source::new("sheet.toml", text), &findings, read);
    let findings = findings.into_sorted();
    let all: Vec<_> = findings.iter().map(|finding| finding.render(false)).collect();
    sheet.filter(|_| findings.is_empty()).unwrap_or_else(|| panic!("{}", all.join("\n")))
}

/// Input of a test run: texts of the sheets, truth, positions.
#[derive(Debug, Clone)]
pub struct Bench {
    /// Rig sheet.
    pub rig: String,
    /// Type sheet.
    pub device_type: String,
    /// Settings sheet; `None` for a run without device type and limits.
    pub settings: Option<String>,
    /// Script.
    pub script: String,
    /// Truth of the simulated bench.
    pub truth: Truth,
    /// Positions with a device to test.
    pub positions: Vec<u8>,
}

/// Results of a run.
#[derive(Debug)]
pub struct Outcome {
    /// Every event.
    pub events: Vec<Event>,
    /// View folded from the events.
    pub view: RunView,
    /// The record.
    pub record: Record,
    /// The trace.
    pub trace: Trace,
    /// The task.
    pub task: Task,
    /// Duration in virtual time.
    pub lasted: Mono,
}

/// Results of a run without trace and record.
#[derive(Debug, Clone)]
pub struct Quick {
    /// Every check.
    pub checks: Vec<Check>,
    /// Duration of each step, seconds.
    pub steps_s: Vec<f64>,
    /// Reason of the stop; `None` if the run completed.
    pub halted: Option<Halt>,
}

impl Bench {
    /// The demo: four positions, three good devices and one with a wrong switch point.
    ///
    /// # Panics
    /// If a sheet of the demo has findings.
    pub fn demo() -> Self {
        let rig = sheet_text("rigs/goods-in-1.toml");
        let sheet = good(&rig, RigSheet::read);
        let truth = good(&sheet_text("simulated/four-devices.toml"), |reader| Truth::read(reader, &sheet));
        Self {
            rig,
            device_type: sheet_text("types/jar-switch-a.toml"),
            settings: Some(sheet_text("settings/depalletiser.toml")),
            script: sheet_text("scripts/goods-in.toml"),
            truth,
            positions: vec![1, 2, 3, 4],
        }
    }

    /// Reads the sheets.
    ///
    /// # Panics
    /// If they have findings.
    pub fn sheets(&self) -> LoadedSheets {
        let rig = good(&self.rig, RigSheet::read);
        let site = SiteSheet::default();
        let device = self.settings.as_ref().map(|_| good(&self.device_type, TypeSheet::read));
        let settings = self
            .settings
            .as_ref()
            .zip(device.as_ref())
            .map(|(text, device)| settings(text, device, &rig, &site));
        LoadedSheets { rig, site, device, settings }
    }

    /// Plans the task.
    ///
    /// # Panics
    /// If the plan is refused or a sheet has findings.
    pub fn task(&self) -> Task {
        let findings = Findings::new();
        let task = self.planned(&findings);
        let all: Vec<_> = findings.into_sorted().iter().map(|finding| finding.render(false)).collect();
        task.unwrap_or_else(|| panic!("{}", all.join("\n")))
    }

    /// Rules of the errors for which the plan is refused, in order; empty if it is not refused.
    pub fn refusals(&self) -> Vec<&'static str> {
        let findings = Findings::new();
        let refused = self.planned(&findings).is_none();
        let all = findings.into_sorted();
        let errors = all.iter().filter(|finding| refused && finding.severity == Severity::Error);
        errors.map(|finding| finding.rule).collect()
    }

    /// Rules of all findings of the plan, in order.
    pub fn findings(&self) -> Vec<&'static str> {
        let findings = Findings::new();
        drop(self.planned(&findings));
        findings.into_sorted().iter().map(|finding| finding.rule).collect()
    }

    fn planned(&self, findings: &Findings) -> Option<Task> {
        let script = good(&self.script, Script::read);
        let positions = self.positions.iter().map(|&number| PositionPlan {
            number,
            identity: Identity { serial: format!("S{number}"), how: IdentityHow::ByOperator },
        });
        let input =
            PlanInput { script: &script, sheets: Arc::new(self.sheets()), positions: positions.collect() };
        plan(input, findings)
    }

    /// Runs the bench in virtual time.
    ///
    /// # Panics
    /// If the plan is refused or a sheet has findings.
    pub fn run(&self) -> Outcome {
        self.run_with(|task| SimulatedBench::new(&task.sheets.rig, self.truth.clone()), None)
    }

    /// Runs a task in virtual time as `tripbench rehearse` does; its duration in virtual time.
    pub fn rehearse(&self, task: &Task) -> Mono {
        let plan = Plan { header: header(task), task: task.clone() };
        let mut module = SimulatedBench::new(&task.sheets.rig, self.truth.clone());
        let mut view = RunView::default();
        let run = VirtualRun::default();
        run_in_virtual_time(plan, &mut module, run, |event| view.fold(&event))
    }

    /// Runs a task in virtual time on this bench's truth, without trace and record.
    pub fn quick(&self, task: &Task) -> Quick {
        let plan = Plan { header: header(task), task: task.clone() };
        let mut module = SimulatedBench::new(&task.sheets.rig, self.truth.clone());
        let run = VirtualRun::default();
        let (mut checks, mut begun, mut steps_s) = (Vec::new(), 0.0, Vec::new());
        let mut halted = None;
        run_in_virtual_time(plan, &mut module, run, |event| {
            if let EventKind::Check(check) = event.kind {
                checks.push(Arc::unwrap_or_clone(check));
            } else if let EventKind::StepBegan(_) = event.kind {
                begun = event.at.seconds();
            } else if let EventKind::StepDone(_) = event.kind {
                steps_s.push(event.at.seconds() - begun);
            } else if let EventKind::Halted(why) = event.kind {
                halted = Some(why);
            }
        });
        Quick { checks, steps_s, halted }
    }

    /// Runs the bench in virtual time over the wire of its rig sheet, byte for byte.
    ///
    /// # Panics
    /// If the plan is refused or a sheet has findings.
    pub fn run_over_its_wire(&self) -> Outcome {
        self.run_with_functions().0
    }

    /// As [`Self::run_over_its_wire`], with the Modbus function codes that were requested.
    ///
    /// # Panics
    /// If the plan is refused or a sheet has findings.
    pub fn run_with_functions(&self) -> (Outcome, Vec<u8>) {
        let task = self.task();
        let clock = Clock::in_virtual_time();
        let line = VirtualLine::new(&task.sheets.rig, self.truth.clone(), &clock, Vec::new());
        let events = run_over(&line, &clock, task.clone(), OnLine::default());
        (outcome(task, events, clock.now()), line.functions())
    }

    /// Runs the bench on a module of the caller; an operator stops it after `stop` scans, if given.
    ///
    /// # Panics
    /// If the plan is refused or a sheet has findings.
    pub fn run_with<M: VirtualModule>(&self, module: impl Fn(&Task) -> M, stop: Option<usize>) -> Outcome {
        let stop = stop.map(|after| (after, Halt::Operator { by: "the test".into() }));
        run_task(self.task(), module, stop, |_| "yes")
    }

    /// Runs the rig check on a simulated rig that is wired as in the rig sheet `wired`, or as in this bench's own sheet.
    ///
    /// # Panics
    /// If a sheet has findings.
    pub fn check_rig(&self, wired: Option<&str>, answer: fn(&str) -> &'static str) -> Outcome {
        let sheets = Arc::new(self.sheets());
        let wired = wired.map_or_else(|| sheets.rig.clone(), |text| good(text, RigSheet::read));
        let task = rig_check(sheets, PersonAtPlugs::Absent);
        run_task(task, |_| SimulatedBench::new(&wired, self.truth.clone()), None, answer)
    }

    /// Runs only the steps of the rig check in which a person operates each output at its plug.
    pub fn check_inputs(&self) -> Outcome {
        let mut task = rig_check(Arc::new(self.sheets()), PersonAtPlugs::OperatesEach);
        task.steps.retain(|step| matches!(step.task, StepTask::OwnInput { .. }));
        run_task(task, |task| SimulatedBench::new(&task.sheets.rig, self.truth.clone()), None, |_| "yes")
    }
}

/// Runs a task in virtual time on a module.
fn run_task<M: VirtualModule>(
    task: Task,
    module: impl Fn(&Task) -> M,
    stop: Option<(usize, Halt)>,
    answer: fn(&str) -> &'static str,
) -> Outcome {
    let plan = Plan { header: header(&task), task: task.clone() };
    let mut module = module(&task);
    let mut events = Vec::new();
    let run = VirtualRun { stop, answer, ..VirtualRun::default() };
    let lasted = run_in_virtual_time(plan, &mut module, run, |event| events.push(event));
    outcome(task, events, lasted)
}

/// Results of a run with these events.
fn outcome(task: Task, events: Vec<Event>, lasted: Mono) -> Outcome {
    let mut view = RunView::default();
    for event in &events {
        view.fold(event);
    }
    let trace = view.trace().expect("a run has a header");
    let csv = trace.to_csv();
    let kept = TraceRecord {
        file: "trace.csv".into(),
        sha256: sha256_hex(csv.as_bytes()),
        scans: trace.scans.len() as u64,
    };
    let record = view.record(kept).expect("a run has a header");
    Outcome { events, view, record, trace, task, lasted }
}

/// Runs a bench until an operator stops it after `after` scans.
///
/// # Panics
/// If the plan is refused or a sheet has findings.
pub fn run_stopped(bench: &Bench, after: usize) -> Outcome {
    bench.run_with(|task| SimulatedBench::new(&task.sheets.rig, bench.truth.clone()), Some(after))
}

fn settings(text: &str, device: &TypeSheet, rig: &RigSheet, site: &SiteSheet) -> SettingsSheet {
    let findings = Findings::new();
    let draft = read_sheet(&Source::new("settings.toml", text), &findings, SettingsDraft::read);
    let around = Surroundings { reached: site.reached(rig.manifold.ultimate_vacuum.value) };
    let sheet = draft.and_then(|draft| check_settings(draft, device, around, &findings));
    let all: Vec<_> = findings.into_sorted().iter().map(|finding| finding.render(false)).collect();
    sheet.unwrap_or_else(|| panic!("{}", all.join("\n")))
}

/// Run header for a run in virtual time.
pub fn header(task: &Task) -> RunHeader {
    RunHeader {
        run: "00000000-0000-7000-8000-000000000000".into(),
        rig: task.sheets.rig.header.name.value.clone(),
        number: None,
        started: "2026-11-25T07:00:00Z".into(),
        clock: ClockState::default(),
        software: "test".into(),
        trial: false,
        simulated: true,
        module: None,
        warnings: Vec::new(),
        abilities: Vec::new(),
        again: None,
        predictions: Vec::new(),
        operators: Vec::new(),
        sheets: Vec::new(),
        steps: task.steps.clone(),
        positions: task.positions.clone(),
        plan: task.plan.clone(),
    }
}
