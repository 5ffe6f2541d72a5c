//! Short sheets whose passages the tests replace.

use std::sync::Arc;
use tripbench_device::{SettingsDraft, SiteSheet, Surroundings, TypeSheet, check_settings};
use tripbench_quantity::{TimeSpan, VacuumLevel};
use tripbench_record::{Identity, IdentityHow, LoadedSheets, PlannedStep, PositionPlan, StepTask, Task};
use tripbench_rig::RigSheet;
use tripbench_sheet::{Findings, Source, read_sheet};

/// A count is 0.01 Pa, the resolution 6 Pa, and the standard uncertainty of the calibration 125 Pa.
const RIG: &str = r#"
name = "bench"
[link]
tcp = "127.0.0.1:1502"
scan_interval = "5 ms"
slowest_answer = "500 ms"
[module]
image_age = "0 ms"
[reference]
name = "R"
range = "100 kPa"
noise = "20 Pa"
hysteresis = "30 Pa"
drift = "60 Pa"
largest_zero = "1 kPa"
[reference.input]
at = "input-register 0"
raw = "i32"
counts = [0, 10000000]
values = ["0 kPa", "100 kPa"]
resolution = "6 Pa"
[reference.lag]
value = "2 ms"
uncertainty = "1 ms"
how = "certificate"
[reference.calibration]
date = 2026-03-12
due = 2027-03-12
certificate = "test reference"
expanded_uncertainty = "0.25 kPa"
coverage_factor = 2
[[output]]
name = "evacuate"
at = "coil 0"
safe = false
[[output]]
name = "vent"
at = "coil 1"
safe = true
[run_limits]
deepest_level = "90 kPa"
[manifold]
volume = "1.2 L"
ultimate_vacuum = "95 kPa"
evacuate = "3 s"
vent = "0.5 s"
thermal = "1 s"
largest_leak = "0.2 kPa/s"
valve_delay = "50 ms"
[[position]]
number = 1
switch = { at = "discrete-input 0" }
valve = { at = "discrete-input 4" }
[[position]]
number = 2
switch = { at = "discrete-input 1" }
valve = { at = "discrete-input 5" }
"#;

/// 1100 Pa around each level; 100 Pa of spread as a standard deviation.
const TYPE: &str = r#"
name = "jar switch A"
full_scale = "100 kPa"
digits = ["0.1 kPa"]
[promise]
accuracy = "1 %FS + 1 digit"
hysteresis = "1 %FS"
repeatability = "0.2 %FS"
response_time = "6 ms"
delays = ["0 ms", "200 ms"]
[setting]
least_deep = "5 kPa"
deepest = "95 kPa"
"#;

const SETTINGS: &str = r#"
name = "station 3"
type = "jar switch A"
[switch]
switch_point = "60 kPa"
reset_point = "55 kPa"
delay = "0 ms"
"#;

/// Sheets and steps, changed passage by passage.
#[derive(Debug, Clone)]
pub(crate) struct Bench {
    rig: String,
    device: Option<String>,
    settings: String,
    site: String,
    steps: Vec<StepTask>,
    positions: Vec<u8>,
}

/// The text with one passage replaced.
fn replaced(text: &str, old: &str, new: &str) -> String {
    assert!(text.contains(old), "`{old}` is not in the sheet");
    text.replacen(old, new, 1)
}

impl Bench {
    pub(crate) fn new() -> Self {
        Self {
            rig: RIG.into(),
            device: Some(TYPE.into()),
            settings: SETTINGS.into(),
            site: String::new(),
            steps: Vec::new(),
            positions: vec![1],
        }
    }

    /// With a passage of the rig sheet replaced.
    pub(crate) fn rig(self, old: &str, new: &str) -> Self {
        Self { rig: replaced(&self.rig, old, new), ..self }
    }

    /// With lines appended to position 1 of the rig sheet.
    pub(crate) fn position(self, lines: &str) -> Self {
        let line = "valve = { at = \"discrete-input 4\" }\n";
        self.rig(line, &format!("{line}{lines}\n"))
    }

    /// With a passage of the type sheet replaced.
    pub(crate) fn device(self, old: &str, new: &str) -> Self {
        let device = self.device.as_deref().map(|text| replaced(text, old, new));
        Self { device, ..self }
    }

    /// With a passage of the settings sheet replaced.
    pub(crate) fn settings(self, old: &str, new: &str) -> Self {
        Self { settings: replaced(&self.settings, old, new), ..self }
    }

    /// With levels of air saving.
    pub(crate) fn saving(self) -> Self {
        let levels = "[air_saving]\ncut_off = \"70 kPa\"\nresume = \"64 kPa\"\nsupply_valve = \"closed-without-power\"\n";
        Self { settings: format!("{}{levels}", self.settings), ..self }
    }

    /// Without a device: nothing is judged.
    pub(crate) fn unknown_device(self) -> Self {
        Self { device: None, ..self }
    }

    pub(crate) fn site(self, text: &str) -> Self {
        Self { site: text.into(), ..self }
    }

    pub(crate) fn step(mut self, task: StepTask) -> Self {
        self.steps.push(task);
        self
    }

    pub(crate) fn positions(self, positions: &[u8]) -> Self {
        Self { positions: positions.to_vec(), ..self }
    }

    pub(crate) fn task(&self) -> Task {
        let findings = Findings::new();
        let task = self.read(&findings);
        let all: Vec<_> = findings.into_sorted().iter().map(|finding| finding.render(false)).collect();
        task.unwrap_or_else(|| panic!("{}", all.join("\n")))
    }

    fn read(&self, findings: &Findings) -> Option<Task> {
        let rig = read_sheet(&Source::new("rig", &self.rig), findings, RigSheet::read)?;
        let site = read_sheet(&Source::new("site", &self.site), findings, SiteSheet::read)?;
        let (mut device, mut settings) = (None, None);
        if let Some(text) = &self.device {
            let read = read_sheet(&Source::new("type", text), findings, TypeSheet::read)?;
            let draft = read_sheet(&Source::new("settings", &self.settings), findings, SettingsDraft::read)?;
            let around = Surroundings { reached: VacuumLevel::new(95e3) };
            settings = Some(check_settings(draft, &read, around, findings)?);
            device = Some(read);
        }
        let identity = Identity { serial: "S".into(), how: IdentityHow::ByOperator };
        let plan = |number: &u8| PositionPlan { number: *number, identity: identity.clone() };
        let step = |task: &StepTask| PlannedStep {
            name: String::from("step"),
            task: task.clone(),
            stop_on_failure: false,
            predicted: TimeSpan::new(10.0),
        };
        Some(Task {
            steps: self.steps.iter().map(step).collect(),
            positions: self.positions.iter().map(plan).collect(),
            plan: rig.read_plan(),
            sheets: Arc::new(LoadedSheets { rig, site, device, settings }),
        })
    }
}
