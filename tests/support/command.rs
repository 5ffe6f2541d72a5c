//! The built `tripbench` command, run in a temporary folder with a copy of the demo's sheets.

use crate::sheet_text;
use rustix::process::{Pid, Signal, kill_process};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};

static NEXT: AtomicU32 = AtomicU32::new(0);

/// A temporary folder with sheets, removed when dropped.
#[derive(Debug)]
pub struct Workplace {
    /// The folder.
    pub folder: PathBuf,
}

/// Output and exit code of a command.
#[derive(Debug)]
pub struct Said {
    /// Exit code; `None` if a signal ended the command.
    pub code: Option<i32>,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

/// Sheets of every workplace: file name, source in `bench-scripts`.
const SHEETS: [(&str, &str); 6] = [
    ("rig.toml", "rigs/goods-in-1.toml"),
    ("type.toml", "types/jar-switch-a.toml"),
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
    /// Creates a folder with the demo's sheets.
    ///
    /// # Panics
    /// If it cannot be created.
    pub fn new() -> Self {
        let number = NEXT.fetch_add(1, Ordering::SeqCst);
        let folder = std::env::temp_dir().join(format!("tripbench-test-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a temporary folder");
        let workplace = Self { folder };
        for (file, sheet) in SHEETS {
            workplace.write(file, &sheet_text(sheet));
        }
        // The calibration must never expire in a test.
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

    /// Replaces every occurrence of a text in a file.
    ///
    /// # Panics
    /// If the text does not occur in the file.
    pub fn change(&self, file: &str, from: &str, to: &str) -> &Self {
        let text = self.read(file);
        assert!(text.contains(from), "{file} does not contain `{from}`");
        self.write(file, &text.replace(from, to));
        self
    }

    /// Shortens the steps other than the ramps: reading the reference at rest, and the leak.
    ///
    /// # Panics
    /// If the demo's script lacks a line that is replaced.
    pub fn brief(&self) {
        self.change("script.toml", "do = \"zero\"", "do = \"zero\"\nwatch = \"0.5 s\"");
        self.change("script.toml", "do = \"leak\"", "do = \"leak\"\nwatch = \"1 s\"");
    }

    /// The `tripbench` command with these arguments in this folder, not yet started.
    pub fn command(&self, arguments: &str) -> Command {
        let mut command = Command::new(program());
        command.args(arguments.split_whitespace()).current_dir(&self.folder).stdin(Stdio::null());
        command.env_remove("TRIPBENCH_SITE");
        command
    }

    /// Runs the command and waits for its end.
    ///
    /// # Panics
    /// If it cannot be started.
    pub fn run(&self, arguments: &str) -> Said {
        self.command(arguments).output().map(Said::from).expect("the command starts")
    }

    /// As [`Self::run`], with `early` on standard input at once, and then one of `answers` after each question, in order; after the last one
    /// the input ends.
    ///
    /// # Panics
    /// If it cannot be started.
    pub fn run_answered<'a>(
        &self,
        arguments: &str,
        early: &str,
        answers: impl IntoIterator<Item = &'a str>,
    ) -> Said {
        let mut command = self.command(arguments);
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().expect("the command starts");
        let (mut input, mut err) = (child.stdin.take(), String::new());
        let mut answers = answers.into_iter().peekable();
        let asks = BufReader::new(child.stderr.take().expect("its questions"));
        let write = |input: &mut Option<ChildStdin>, text: &str| {
            input.as_mut().map_or(Ok(()), |input| input.write_all(text.as_bytes())).expect("it reads");
        };
        write(&mut input, early);
        for line in asks.lines().map(|line| line.expect("text")) {
            if let Some(answer) = answers.next_if(|_| line.contains("(yes/no)")) {
                write(&mut input, answer);
            }
            if answers.peek().is_none() {
                input = None;
            }
            err += &(line + "\n");
        }
        let output = child.wait_with_output().expect("it ends");
        Said { err, ..Said::from(output) }
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

/// Path of the built program in the target folder of the test.
///
/// # Panics
/// If it is not built or older than its sources; `cargo build --workspace` builds it.
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
        "tripbench is older than this source: run `cargo build --workspace` first, as tests/run does"
    );
    program
}

/// A workplace with a site sheet whose scripts are in a folder of their own.
///
/// # Panics
/// If it cannot be written.
pub fn with_site() -> Workplace {
    let workplace = Workplace::new();
    std::fs::create_dir(workplace.folder.join("scripts")).expect("a folder");
    for script in ["goods-in", "look"] {
        let from = if script == "look" { "look.toml" } else { "script.toml" };
        workplace.write(&format!("scripts/{script}.toml"), &workplace.read(from));
    }
    workplace.write(
        "site.toml",
        "[defaults]\nrig = \"rig.toml\"\ntype = \"type.toml\"\nsettings = \"settings.toml\"\nscripts = \"scripts\"\n",
    );
    workplace
}

/// A simulated rig in a separate process; ended when dropped.
#[derive(Debug)]
pub struct Simulated(Child);

impl Simulated {
    /// Starts the rig of `rig.toml` on a free port and writes its address to that sheet.
    ///
    /// # Panics
    /// If it does not start.
    pub fn start(workplace: &Workplace) -> Self {
        Self::of(workplace, "rig.toml")
    }

    /// Starts the rig of a sheet on a free port and writes its address to that sheet.
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

    /// Stops the process with SIGSTOP: its connections stay open but nothing answers.
    ///
    /// # Panics
    /// If the process does not exist.
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

/// A workplace whose run takes a few seconds: so fast that only a wrong level is certain to be decided.
///
/// # Panics
/// If a sheet of the demo lacks a line that is replaced.
pub fn quick() -> Workplace {
    let workplace = decided();
    workplace.change("rig.toml", "vent = \"0.5 s\"", "vent = \"0.1 s\"");
    workplace
}

/// As [`quick`], with a vent slow enough for good devices to pass.
///
/// # Panics
/// If a sheet of the demo lacks a line that is replaced.
pub fn decided() -> Workplace {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "evacuate = \"3 s\"", "evacuate = \"1 s\"");
    workplace.change("rig.toml", "bleed = \"6 s\"", "bleed = \"5 s\"");
    workplace.change("rig.toml", "thermal = \"1 s\"", "thermal = \"0.2 s\"");
    workplace.change("rig.toml", "answer_timeout = \"150 ms\"", "answer_timeout = \"100 ms\"");
    workplace.change("rig.toml", "slowest_answer = \"500 ms\"", "slowest_answer = \"100 ms\"");
    workplace.change("rig.toml", "deepest_level = \"85 kPa\"", "deepest_level = \"88 kPa\"");
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

/// A workplace with a rig that moves air faster than the demo's, and a script with the same verdicts in half a minute.
pub fn brisk() -> Workplace {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "evacuate = \"3 s\"", "evacuate = \"1 s\"");
    workplace.change("rig.toml", "evacuate_fine = \"40 s\"", "evacuate_fine = \"8 s\"");
    workplace.change("rig.toml", "vent = \"0.5 s\"", "vent = \"0.1 s\"");
    workplace.change("rig.toml", "bleed = \"6 s\"", "bleed = \"3 s\"");
    workplace.change("rig.toml", "thermal = \"1 s\"", "thermal = \"0.2 s\"");
    workplace.change("rig.toml", "deepest_level = \"85 kPa\"", "deepest_level = \"88 kPa\"");
    workplace.change("script.toml", "cycles = 5", "cycles = 2\nway = \"throttled\"");
    workplace.brief();
    workplace
}

/// A workplace with a good reference and one device that scatters, with its switch point near a limit: more ramps would decide it.
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
