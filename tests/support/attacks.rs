//! Attacks on the judge by a second implementation, the witness: it rewrites the digital inputs of a run on a good rig with devices
//! that it draws itself. The judge's verdict on each device is compared with what the witness knows of it.

use crate::ways::by_hand;
use crate::{Bench, Outcome, sheet_text};
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use tripbench_judge::{judge_all, verdict};
use tripbench_record::{
    Check, CheckVerdict, QuantityName, SetAside, SheetCopy, SheetRole, StepTask, Trace, Verdict,
    canonical_json, sha256_hex,
};
use tripbench_simulator::DeviceTruth;

/// A good rig with good devices, whose run is rewritten.
#[derive(Debug, Clone)]
pub struct Base {
    /// Name.
    pub name: &'static str,
    /// Sheets and truth.
    pub bench: Bench,
}

/// Class of a device that the witness drew.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Known {
    /// Must not pass.
    NotPass,
    /// Well within everything that is promised.
    Good,
    /// Near a limit, or with a misbehaviour too small to matter.
    Gray,
    /// Must not pass, but such a run cannot show it.
    Blind,
}

/// A level found by witness and judge, pascal.
#[derive(Debug, Clone, Copy)]
pub struct BothLevels {
    /// The level's name.
    pub quantity: QuantityName,
    /// Found by the witness.
    pub theirs_pa: f64,
    /// Found by the judge.
    pub ours_pa: f64,
    /// Expanded uncertainty stated by the judge.
    pub u_pa: f64,
}

/// One device in one rewritten run.
#[derive(Debug, Clone)]
pub struct Attacked {
    /// Name of the run that was rewritten.
    pub base: &'static str,
    /// Seed of the witness.
    pub seed: u64,
    /// Number of the rewritten trace.
    pub trace: usize,
    /// Position of the device.
    pub position: u8,
    /// Name of the misbehaviour.
    pub misbehaviour: String,
    /// Class of the device, by the witness.
    pub known: Known,
    /// Reason for the class, and all parameters drawn.
    pub why: String,
    /// The judge's verdict.
    pub verdict: Verdict,
    /// Checks of the device and of its rig that failed, are undecided or are not met, in words.
    pub against: String,
    /// Quantities reported as not checked.
    pub not_checked: Vec<QuantityName>,
    /// Levels found by witness and judge.
    pub levels: Vec<BothLevels>,
}

impl Attacked {
    /// Whether the result reports that the device's misbehaviour was not checked.
    pub fn said(&self) -> bool {
        let open = match self.misbehaviour.as_str() {
            "wired-together" | "crossed" => &[QuantityName::OwnEdges][..],
            "first-too-deep" | "first-missing" => &[QuantityName::FirstOperation],
            "wrong-delay" => &[QuantityName::SelectedDelay],
            "late-on" => &[QuantityName::OnDelay],
            "late-off" => &[QuantityName::OffDelay],
            "late-valve" => &[QuantityName::CutOffDelay, QuantityName::ResumeDelay],
            _ => &[],
        };
        !open.is_empty() && open.iter().all(|quantity| self.not_checked.contains(quantity))
    }
}

/// Request to the witness.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'w> {
    /// Python interpreter with scipy.
    pub python: &'w Path,
    /// Seed of the draws.
    pub seed: u64,
    /// Number of traces to write.
    pub traces: usize,
    /// Index of the first misbehaviour; the others follow in turn.
    pub first: usize,
    /// Restricts the draws to one misbehaviour.
    pub only: Option<&'w str>,
}

impl Base {
    /// Number of devices in a rewritten trace.
    pub const fn positions(&self) -> usize {
        self.bench.positions.len()
    }

    /// Runs the bench and adds the texts of its sheets to the record.
    fn run(&self) -> Outcome {
        let mut outcome = self.bench.run();
        let texts = [
            (SheetRole::Rig, Some(&self.bench.rig)),
            (SheetRole::Type, Some(&self.bench.device_type)),
            (SheetRole::Settings, self.bench.settings.as_ref()),
        ];
        let copies = texts.into_iter().filter_map(|(role, text)| {
            let text = text?.clone();
            let (file, sha256) = (format!("{}.toml", role.word()), sha256_hex(text.as_bytes()));
            let (name, revision, state) = (String::new(), String::new(), String::new());
            Some(SheetCopy { role, file, name, revision, state, sha256, text })
        });
        outcome.record.header.sheets = copies.collect();
        outcome
    }

    /// Runs the bench, lets the witness rewrite the run, and judges every rewritten trace.
    ///
    /// # Panics
    /// If the run is stopped early, or the witness fails.
    pub fn attacked(&self, wanted: Wanted<'_>) -> Vec<Attacked> {
        let outcome = self.run();
        assert_eq!(outcome.record.halted, None, "{}: the run was stopped", self.name);
        let folder = Folder::new();
        folder.write("record.json", &canonical_json(&outcome.record).expect("figures"));
        folder.write("trace.csv", outcome.trace.to_csv().as_bytes());
        let mut command = Command::new(wanted.python);
        command.arg(witness()).arg(&folder.0).arg(folder.0.join("rewritten"));
        let numbers =
            [("--seed", wanted.seed), ("--traces", wanted.traces as u64), ("--first", wanted.first as u64)];
        for (option, number) in numbers {
            command.args([option, &number.to_string()]);
        }
        command.args(wanted.only.into_iter().flat_map(|name| ["--only", name]));
        let mut child = command.stdout(Stdio::piped()).spawn().expect("python starts");
        let lines = BufReader::new(child.stdout.take().expect("its output")).lines();
        let mut all = Vec::new();
        for (trace, line) in lines.enumerate() {
            let told = serde_json::from_str(&line.expect("a line")).expect("JSON");
            all.extend(self.judged(&outcome, (wanted.seed, trace), &told));
        }
        assert!(child.wait().expect("it ends").success(), "{}: the witness failed", self.name);
        all
    }

    /// Judges a rewritten trace in the same way as a stored one, and deletes its file.
    fn judged(&self, outcome: &Outcome, (seed, number): (u64, usize), told: &Value) -> Vec<Attacked> {
        let path = PathBuf::from(told["trace"].as_str().expect("a path"));
        let text = std::fs::read_to_string(&path).expect("the trace");
        std::fs::remove_file(&path).expect("a removable trace file");
        let task = &outcome.task;
        let trace = Trace::from_csv(task.plan.clone(), &text).expect("a trace of the same plan");
        assert_eq!(trace.scans.len(), outcome.trace.scans.len());
        let checks = judge_all(task, &trace, &outcome.record.marks);
        let aside: Vec<SetAside> =
            outcome.record.positions.iter().filter_map(|one| one.set_aside.clone()).collect();
        let of_position = |told: &Value| {
            let position = u8::try_from(told["number"].as_u64().expect("a number")).expect("a position");
            Attacked {
                base: self.name,
                seed,
                trace: number,
                position,
                misbehaviour: text_of(&told["misbehaviour"]),
                known: known(&text_of(&told["may"])),
                why: format!("{}; {}", told["why"], told["device"]),
                verdict: verdict(task, position, &checks, &aside, None),
                against: against(&checks, position),
                not_checked: not_checked(&checks, position),
                levels: both_levels(outcome_ramps(outcome), &checks, position, &told["levels"]),
            }
        };
        told["positions"].as_array().expect("positions").iter().map(of_position).collect()
    }

    /// Levels of the original run, by the witness and by the judge, each with the simulator's truth, for all devices.
    ///
    /// # Panics
    /// If the witness fails, or reports states that a sound device cannot show.
    pub fn as_it_is(&self, python: &Path) -> Vec<(BothLevels, f64)> {
        let outcome = self.run();
        let folder = Folder::new();
        folder.write("record.json", &canonical_json(&outcome.record).expect("figures"));
        folder.write("trace.csv", outcome.trace.to_csv().as_bytes());
        let output = Command::new(python).arg(witness()).arg(&folder.0).output().expect("python starts");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let told: Value = serde_json::from_slice(&output.stdout).expect("JSON");
        let checks: Vec<Check> = outcome.record.checks().cloned().collect();
        let of = |device: &DeviceTruth| {
            let told = &told[device.position.to_string()];
            assert_eq!(told["wrong"], 0, "{}: position {}", self.name, device.position);
            let truth = truths(device);
            let both = both_levels(outcome_ramps(&outcome), &checks, device.position, told);
            both.into_iter().filter_map(move |both| {
                truth.iter().find(|(quantity, _)| *quantity == both.quantity).map(|(_, truth)| (both, *truth))
            })
        };
        self.bench.truth.devices.iter().flat_map(of).collect()
    }
}

fn not_checked(checks: &[Check], position: u8) -> Vec<QuantityName> {
    let mine = checks.iter().filter(|check| check.position == Some(position));
    mine.filter(|check| check.not_checked()).map(|check| check.quantity).collect()
}

/// Checks of a device and its rig that failed, are undecided or are not met, in words.
fn against(checks: &[Check], position: u8) -> String {
    let speaks = |check: &&Check| {
        check.position.is_none_or(|of| of == position)
            && matches!(check.verdict, CheckVerdict::Fail | CheckVerdict::Undecided | CheckVerdict::NotMet)
    };
    let words = |check: &Check| {
        format!(
            "{} {} ({})",
            check.quantity,
            check.verdict,
            check.remark.as_deref().unwrap_or("by its value")
        )
    };
    checks.iter().filter(speaks).map(words).collect::<Vec<_>>().join("; ")
}

/// Index of the first `switch-points` step.
fn outcome_ramps(outcome: &Outcome) -> Option<u16> {
    let mut steps = (0_u16..).zip(&outcome.task.steps);
    steps.find(|(_, step)| matches!(step.task, StepTask::SwitchPoints(_))).map(|(index, _)| index)
}

fn truths(device: &DeviceTruth) -> Vec<(QuantityName, f64)> {
    let mut all = vec![
        (QuantityName::SwitchPoint, device.on_level_pa()),
        (QuantityName::ResetPoint, device.off_level_pa()),
    ];
    all.extend(device.air_saving.into_iter().flat_map(|saving| {
        [(QuantityName::CutOff, saving.cut_off_pa), (QuantityName::Resume, saving.resume_pa)]
    }));
    all
}

fn both_levels(step: Option<u16>, checks: &[Check], position: u8, told: &Value) -> Vec<BothLevels> {
    let names = [
        ("switch-point", QuantityName::SwitchPoint),
        ("reset-point", QuantityName::ResetPoint),
        ("cut-off", QuantityName::CutOff),
        ("resume", QuantityName::Resume),
    ];
    let both = |(name, quantity): (&str, QuantityName)| {
        let theirs_pa = told[name].as_f64()?;
        let found = checks.iter().find(|check| {
            (check.position, Some(check.step), check.quantity) == (Some(position), step, quantity)
        })?;
        let measured = found.measured.as_ref()?;
        let (ours_pa, u_pa) = (measured.value, measured.expanded_uncertainty);
        Some(BothLevels { quantity, theirs_pa, ours_pa, u_pa })
    };
    names.into_iter().filter_map(both).collect()
}

fn known(word: &str) -> Known {
    match word {
        "not-pass" => Known::NotPass,
        "may" => Known::Good,
        "gray" => Known::Gray,
        "blind" => Known::Blind,
        other => panic!("unknown class `{other}` from the witness"),
    }
}

fn text_of(value: &Value) -> String {
    value.as_str().expect("a text").to_owned()
}

/// Path of the witness program.
pub fn witness() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("python/attacks.py")
}

/// A temporary folder, removed when dropped.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let number = NEXT.fetch_add(1, Ordering::SeqCst);
        let path = std::env::temp_dir().join(format!("tripbench-attacks-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&path).expect("a temporary folder");
        Self(path)
    }

    fn write(&self, file: &str, bytes: &[u8]) {
        std::fs::write(self.0.join(file), bytes).expect("a writable folder");
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // Left behind in the system's temporary folder if it cannot be removed.
        drop(std::fs::remove_dir_all(&self.0));
    }
}

/// The demo with four good devices.
fn demo(seed: u64) -> Bench {
    let mut bench = Bench::demo();
    bench.truth.seed = seed;
    for device in &mut bench.truth.devices {
        if device.position == 3 {
            device.switch_point_pa = 60.2e3;
        }
    }
    bench
}

fn changed(mut bench: Bench, changes: &[(&str, &str)]) -> Bench {
    for (from, to) in changes {
        assert!(bench.rig.contains(from), "the rig sheet does not contain `{from}`");
        bench.rig = bench.rig.replacen(from, to, 1);
    }
    bench
}

fn with_noise(mut bench: Bench, noise_pa: f64) -> Bench {
    bench.truth.reference.noise_pa = noise_pa;
    changed(bench, &[("noise = \"20 Pa\"", &format!("noise = \"{noise_pa} Pa\""))])
}

fn with_delay(mut bench: Bench, delay_ms: f64) -> Bench {
    let settings = bench.settings.take().expect("settings");
    assert!(settings.contains("delay = \"0 ms\""));
    bench.settings = Some(settings.replace("delay = \"0 ms\"", &format!("delay = \"{delay_ms} ms\"")));
    for device in &mut bench.truth.devices {
        device.delay_on_s += delay_ms * 1e-3;
        device.delay_off_s += delay_ms * 1e-3;
    }
    bench
}

/// Removes air saving and makes the outputs normally closed: on below the switch point.
fn normally_closed(mut bench: Bench) -> Bench {
    let settings = bench.settings.take().expect("settings");
    let (front, _) = settings.split_once("[air_saving]").expect("air saving");
    bench.settings = Some(front.replace("normally-open", "normally-closed"));
    for device in &mut bench.truth.devices {
        device.air_saving = None;
        device.normally_closed = true;
    }
    bench
}

fn repair_bench(seed: u64) -> Bench {
    let mut bench = demo(seed);
    bench.rig = sheet_text("rigs/repair-bench.toml");
    bench.script = sheet_text("scripts/repair.toml");
    bench.positions = vec![1];
    bench.truth.devices.truncate(1);
    bench
}

/// All runs to rewrite: with different seeds, noise, converters, delays and scripts, and one with air moved by hand.
pub fn bases() -> Vec<Base> {
    let release = Bench { script: sheet_text("scripts/before-return.toml"), ..demo(4) };
    let repair = sheet_text("scripts/repair.toml");
    let ten_bits = changed(with_noise(demo(12), 60.0), &[("counts = [4000, 20000]", "counts = [200, 1000]")]);
    let all = [
        ("goods-in 1", demo(1)),
        ("before-return", release),
        ("20 ms selected", with_delay(demo(5), 20.0)),
        ("200 ms selected", with_delay(demo(6), 200.0)),
        ("by hand", Bench { rig: by_hand(), script: repair, ..demo(7) }),
        ("goods-in 2", demo(2)),
        ("goods-in 3", demo(3)),
        ("noise 5 Pa", with_noise(demo(8), 5.0)),
        ("noise 60 Pa", with_noise(demo(9), 60.0)),
        ("normally closed", normally_closed(demo(10))),
        ("scan 20 ms", changed(demo(11), &[("scan_interval = \"5 ms\"", "scan_interval = \"20 ms\"")])),
        ("10 bits", ten_bits),
        ("converter 20 ms", changed(demo(13), &[("converter = \"2 ms\"", "converter = \"20 ms\"")])),
        ("repair bench", repair_bench(14)),
    ];
    all.into_iter().map(|(name, bench)| Base { name, bench }).collect()
}
