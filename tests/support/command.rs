//! The built `tripbench` command, in a folder of its own with a copy of the demo's sheets.

use crate::sheet_text;
use rustix::process::{Pid, Signal, kill_process};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};

static NEXT: AtomicU32 = AtomicU32::new(0);

/// A temporary folder with sheets, removed when dropped.
#[derive(Debug)]
pub struct Workplace {
    /// The folder.
    pub folder: PathBuf,
}

/// What a command printed and how it ended.
#[derive(Debug)]
pub struct Said {
    /// Exit code.
    pub code: Option<i32>,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

/// Sheets that every workplace has, by file name.
const SHEETS: [(&str, &str); 6] = [
    ("rig.toml", "rigs/goods-in-1.toml"),
    ("type.toml", "types/jd-20.toml"),
    ("settings.toml", "settings/depalletiser.toml"),
    ("script.toml", "scripts/goods-in.toml"),
    ("look.toml", "scripts/look.toml"),
    ("truth.toml", "simulated/four-devices.toml"),
];

impl Default for Workplace {
    fn default() -> Self {
        Self::new()
    }
}

impl Workplace {
    /// A new folder with the demo's sheets.
    ///
    /// # Panics
    /// If it cannot be made.
    pub fn new() -> Self {
        let number = NEXT.fetch_add(1, Ordering::SeqCst);
        let folder = std::env::temp_dir().join(format!("tripbench-test-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a temporary folder");
        let workplace = Self { folder };
        for (file, sheet) in SHEETS {
            workplace.write(file, &sheet_text(sheet));
        }
        // The tests are to pass in any year.
        workplace.change("rig.toml", "due = 2027-03-12", "due = 2999-03-12");
        workplace
    }

    /// Writes a file.
    ///
    /// # Panics
    /// If it cannot be written.
    pub fn write(&self, file: &str, text: &str) {
        std::fs::write(self.folder.join(file), text).expect("a writable folder");
    }

    /// Reads a file.
    ///
    /// # Panics
    /// If it cannot be read.
    pub fn read(&self, file: &str) -> String {
        std::fs::read_to_string(self.folder.join(file)).unwrap_or_else(|error| panic!("{file}: {error}"))
    }

    /// Replaces a text in a file; the text must be there.
    ///
    /// # Panics
    /// If it is not.
    pub fn change(&self, file: &str, from: &str, to: &str) -> &Self {
        let text = self.read(file);
        assert!(text.contains(from), "`{from}` is not in {file}");
        self.write(file, &text.replace(from, to));
        self
    }

    /// Shortens what stands beside the ramps: reading the reference at rest, watching the leak.
    ///
    /// # Panics
    /// If a sheet of the demo has changed its form.
    pub fn brief(&self) {
        self.change("script.toml", "do = \"zero\"", "do = \"zero\"\nwatch = \"0.5 s\"");
        self.change("script.toml", "do = \"leak\"", "do = \"leak\"\nwatch = \"1 s\"");
    }

    /// The command, not started, in this folder.
    pub fn command(&self, arguments: &str) -> Command {
        let mut command = Command::new(program());
        command.args(arguments.split_whitespace()).current_dir(&self.folder).stdin(Stdio::null());
        command.env_remove("TRIPBENCH_SITE");
        command
    }

    /// Runs the command to its end.
    ///
    /// # Panics
    /// If it cannot be started.
    pub fn run(&self, arguments: &str) -> Said {
        self.command(arguments).output().map(Said::from).expect("the command starts")
    }

    /// The same, with text on its standard input.
    ///
    /// # Panics
    /// If it cannot be started.
    pub fn run_answered(&self, arguments: &str, answers: &str) -> Said {
        let mut command = self.command(arguments);
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().expect("the command starts");
        let mut input = child.stdin.take().expect("its input");
        input.write_all(answers.as_bytes()).expect("it reads");
        drop(input);
        Said::from(child.wait_with_output().expect("it ends"))
    }
}

impl Drop for Workplace {
    fn drop(&mut self) {
        // Left behind in the system's temporary folder if it cannot be removed.
        drop(std::fs::remove_dir_all(&self.folder));
    }
}

impl From<Output> for Said {
    fn from(output: Output) -> Self {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Self { code: output.status.code(), out: text(&output.stdout), err: text(&output.stderr) }
    }
}

/// The built program, beside the test's own.
///
/// # Panics
/// If it was not built: `cargo build --workspace` does.
pub fn program() -> PathBuf {
    let test = std::env::current_exe().expect("a test has a path");
    let folder = test.ancestors().find(|folder| folder.join("tripbench").is_file()).map(Path::to_owned);
    let program = folder
        .expect("tripbench is not built: run `cargo build --workspace` first, as tests/run does")
        .join("tripbench");
    let built = |path: &Path| std::fs::metadata(path).and_then(|found| found.modified());
    let at = built(&program).expect("the program has a time");
    let sources = std::fs::read_to_string(program.with_extension("d")).expect("cargo's list of its sources");
    let newer =
        sources.split_whitespace().skip(1).find(|source| built(Path::new(source)).is_ok_and(|of| of > at));
    assert_eq!(
        newer, None,
        "tripbench is older than that: run `cargo build --workspace` first, as tests/run does"
    );
    program
}

/// A simulated rig in a process of its own; ended when dropped.
#[derive(Debug)]
pub struct Simulated(Child);

impl Simulated {
    /// Starts it on a free port and puts its address into the rig sheet.
    ///
    /// # Panics
    /// If it does not start.
    pub fn start(workplace: &Workplace) -> Self {
        Self::of(workplace, "rig.toml")
    }

    /// The same, of a rig sheet by its name.
    ///
    /// # Panics
    /// If it does not start.
    pub fn of(workplace: &Workplace, sheet: &str) -> Self {
        let mut command =
            workplace.command(&format!("simulate --rig {sheet} --truth truth.toml --listen 127.0.0.1:0"));
        let mut child = command.stdout(Stdio::piped()).spawn().expect("it starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("output")).read_line(&mut line).expect("a line");
        let address =
            line.split("Modbus TCP ").nth(1).and_then(|rest| rest.split(',').next()).expect("an address");
        workplace.change(sheet, "127.0.0.1:1502", address);
        Self(child)
    }

    /// Takes it off the processor: its connections stay open, and nothing answers.
    ///
    /// # Panics
    /// If there is no such process.
    pub fn freeze(&self) {
        let id = i32::try_from(self.0.id()).expect("a process number");
        kill_process(Pid::from_raw(id).expect("a process"), Signal::STOP).expect("it takes it");
    }
}

impl Drop for Simulated {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// A rig and script that are done in a few seconds: so fast that nothing but a wrong level may be decided.
///
/// # Panics
/// If a sheet of the demo has changed its form.
pub fn quick() -> Workplace {
    let workplace = decided();
    workplace.change("rig.toml", "vent = \"0.5 s\"", "vent = \"0.1 s\"");
    workplace
}

/// The same with a vent so slow that good devices pass.
///
/// # Panics
/// If a sheet of the demo has changed its form.
pub fn decided() -> Workplace {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "evacuate = \"3 s\"", "evacuate = \"1 s\"");
    workplace.change("rig.toml", "bleed = \"6 s\"", "bleed = \"5 s\"");
    workplace.change("rig.toml", "thermal = \"1 s\"", "thermal = \"0.2 s\"");
    workplace.change("rig.toml", "answer_timeout = \"150 ms\"", "answer_timeout = \"100 ms\"");
    workplace.change("rig.toml", "slowest_answer = \"500 ms\"", "slowest_answer = \"100 ms\"");
    workplace.change("rig.toml", "highest_level = \"85 kPa\"", "highest_level = \"88 kPa\"");
    workplace.change("type.toml", "response_time = \"6 ms\"", "response_time = \"2 ms\"");
    workplace.change(
        "truth.toml",
        "position = 1\n",
        "position = 1\nlag = \"1 ms\"\ndelay_on = \"0 ms\"\ndelay_off = \"0 ms\"\n",
    );
    workplace.change("script.toml", "cycles = 5", "cycles = 2\nway = \"full-flow\"");
    workplace.brief();
    workplace
}

/// A rig whose air moves faster than the demo's, and a script that finds the same verdicts in half a minute.
pub fn brisk() -> Workplace {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "evacuate = \"3 s\"", "evacuate = \"1 s\"");
    workplace.change("rig.toml", "evacuate_fine = \"40 s\"", "evacuate_fine = \"8 s\"");
    workplace.change("rig.toml", "vent = \"0.5 s\"", "vent = \"0.1 s\"");
    workplace.change("rig.toml", "bleed = \"6 s\"", "bleed = \"3 s\"");
    workplace.change("rig.toml", "thermal = \"1 s\"", "thermal = \"0.2 s\"");
    workplace.change("rig.toml", "highest_level = \"85 kPa\"", "highest_level = \"88 kPa\"");
    workplace.change("script.toml", "cycles = 5", "cycles = 2\nway = \"throttled\"");
    workplace.brief();
    workplace
}

/// A rig with a good reference and a device that scatters, its cut-off near a limit: more ramps would decide it.
pub fn undecided() -> Workplace {
    let workplace = Workplace::new();
    workplace.change(
        "rig.toml",
        "expanded_uncertainty = \"0.25 kPa\"",
        "expanded_uncertainty = \"0.05 kPa\"",
    );
    workplace.change("rig.toml", "behind = \"5 mL\"", "behind = \"100 mL\"");
    workplace.change("rig.toml", "evacuate = \"3 s\"", "evacuate = \"1.5 s\"");
    workplace.change("rig.toml", "evacuate_fine = \"40 s\"", "evacuate_fine = \"20 s\"");
    workplace.change("rig.toml", "bleed = \"6 s\"", "bleed = \"4 s\"");
    workplace.change("rig.toml", "thermal = \"1 s\"", "thermal = \"0.3 s\"");
    workplace.change("script.toml", "do = \"zero\"", "do = \"zero\"\nwatch = \"0.5 s\"");
    workplace.change("script.toml", "do = \"leak\"", "do = \"leak\"\nwatch = \"2 s\"");
    workplace.change("rig.toml", "drift = \"50 Pa\"", "drift = \"20 Pa\"");
    workplace.change("rig.toml", "hysteresis = \"30 Pa\"", "hysteresis = \"10 Pa\"");
    workplace.change("type.toml", "repeatability = \"0.2 %FS\"", "repeatability = \"0.5 %FS\"");
    workplace.write(
        "truth.toml",
        "seed = 5\n[[device]]\nposition = 1\nswitch_point = \"60.96 kPa\"\nreset_point = \"55.9 kPa\"\nrepeatability = \"150 Pa\"\n\
         air_saving = { cut_off = \"70.0 kPa\", resume = \"64.0 kPa\" }\n",
    );
    workplace
}
