//! The built `tripbench` command, in a folder of its own with a copy of the demo's sheets.

use crate::sheet_text;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
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
    /// If it can not be made.
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
    /// If it can not be written.
    pub fn write(&self, file: &str, text: &str) {
        std::fs::write(self.folder.join(file), text).expect("a writable folder");
    }

    /// Reads a file.
    ///
    /// # Panics
    /// If it can not be read.
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
    /// If it can not be started.
    pub fn run(&self, arguments: &str) -> Said {
        self.command(arguments).output().map(Said::from).expect("the command starts")
    }

    /// The same, with text on its standard input.
    ///
    /// # Panics
    /// If it can not be started.
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
        // Left behind in the system's temporary folder if it can not be removed.
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
    folder
        .expect("tripbench is not built: run `cargo build --workspace` first, as tests/run does")
        .join("tripbench")
}
