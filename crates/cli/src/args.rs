//! Commands and options.

use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};
use std::net::SocketAddr;
use std::path::PathBuf;

/// Tests whether vacuum switches change state where their settings sheet says, and records the result.
#[derive(Debug, Parser)]
#[command(name = "tripbench", version, about, after_help = AFTER_HELP)]
pub(crate) struct Args {
    #[command(subcommand)]
    pub(crate) command: Command,
}

const AFTER_HELP: &str = "\
Exit codes of demo, run, rehearse, report and rejudge (explain: 0, 2 or 6):
  0    every position passed (demo: the four verdicts are as expected)
  1    a position failed (demo: a verdict is not the expected one)
  2    wrong usage, or a sheet with an error
  3    a position is undecided, none failed or aborted
  4    a run was stopped, a position was aborted or set aside, outputs were not confirmed safe, or the record could not be made; none failed
  5    only measured: no limits were given
  6    report, explain, rejudge: the stored record does not fit its raw data; none of its verdicts counts
  101  the program failed inside; the journal says aborted
Of rig check: 0 the rig is as its sheet says, 1 it is not, also if then stopped, 3 not everything could be tested, 4 stopped.

tripbench is not a safety device and not an emergency stop.";

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Show a complete test on a simulated bench over real Modbus TCP, in a little more than a minute
    Demo(DemoOptions),
    /// Check sheets and a script for errors, before anything moves
    CheckSheets(SheetOptions),
    /// Run a script on a simulated rig in virtual time: what it would do and how long it would take
    Rehearse(RehearseOptions),
    /// Test devices on a rig
    Run(RunOptions),
    /// Test a rig itself: its signals, outputs, delays and leak, and what it can decide
    #[command(subcommand)]
    Rig(RigCommand),
    /// Own the rigs of a bench and serve them to browsers and programs on this machine
    Serve(ServeOptions),
    /// Serve a simulated rig on the wire of its sheet
    Simulate(SimulateOptions),
    /// Write the report of a stored run again; closes a journal left open by a crash
    Report(FolderOptions),
    /// Find the levels at which the signals of a recording change: a logger's or a controller's CSV file
    Analyse(AnalyseOptions),
    /// Show how a figure of a stored run was found: crossings, budget, decision, and what would decide it
    Explain(ExplainOptions),
    /// Judge a stored run again from its raw trace, and compare the checks with the stored ones
    Rejudge(RejudgeOptions),
    /// Print the JSON Schema of a kind of sheet, or of the record
    Schema(SchemaOptions),
}

#[derive(Debug, ClapArgs)]
pub(crate) struct DemoOptions {
    /// Folder for the record, the report and the trace
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum RigCommand {
    /// Test everything that a rig has, after your yes before each output; no device is judged
    Check(RigCheckOptions),
}

#[derive(Debug, ClapArgs)]
pub(crate) struct RigCheckOptions {
    #[command(flatten)]
    pub(crate) sheets: SheetOptions,
    /// Also show which input belongs to which position: you operate each output at its plug
    #[arg(long)]
    pub(crate) inputs: bool,
    /// Who operates the bench; repeatable
    #[arg(long, value_name = "NAME")]
    pub(crate) operator: Vec<String>,
    #[command(flatten)]
    pub(crate) output: OutputOptions,
}

#[derive(Debug, Clone, Default, ClapArgs)]
pub(crate) struct SheetOptions {
    /// Site sheet; by default the one named by `TRIPBENCH_SITE`, or site.toml in this folder
    #[arg(long, value_name = "FILE")]
    pub(crate) site: Option<PathBuf>,
    /// Rig sheet
    #[arg(long, value_name = "FILE")]
    pub(crate) rig: Option<PathBuf>,
    /// Type sheet of the devices
    #[arg(long = "type", value_name = "FILE")]
    pub(crate) device_type: Option<PathBuf>,
    /// Settings sheet of the devices; with --no-settings devices are only measured, not judged
    #[arg(long, value_name = "FILE")]
    pub(crate) settings: Option<PathBuf>,
    /// Use no settings and no type sheet, not even the site sheet's defaults: measure only
    #[arg(long, conflicts_with = "settings")]
    pub(crate) no_settings: bool,
    /// Script
    #[arg(long, value_name = "FILE")]
    pub(crate) script: Option<PathBuf>,
}

#[derive(Debug, Clone, Default, ClapArgs)]
pub(crate) struct DeviceOptions {
    /// Name of one of the site's scripts, then serial numbers for positions 1, 2, 3 …
    #[arg(value_name = "SCRIPT | SERIAL")]
    pub(crate) words: Vec<String>,
    /// Serial number of the device at a position; repeatable
    #[arg(long, value_name = "POSITION=NUMBER")]
    pub(crate) serial: Vec<String>,
    /// Devices without a serial number: every position that has none gets an own number
    #[arg(long)]
    pub(crate) no_serial: bool,
    /// Who operates the bench; repeatable
    #[arg(long, value_name = "NAME")]
    pub(crate) operator: Vec<String>,
}

#[derive(Debug, Clone, Default, ClapArgs)]
pub(crate) struct OutputOptions {
    /// Folder for record.json, report.html, trace.csv and the journal; by default out/ and the time
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Print the record as JSON on standard output
    #[arg(long)]
    pub(crate) json: bool,
}

/// What is run and where it goes: the same for a rig and for a rehearsal.
#[derive(Debug, Clone, Default, ClapArgs)]
pub(crate) struct WhatOptions {
    #[command(flatten)]
    pub(crate) sheets: SheetOptions,
    #[command(flatten)]
    pub(crate) devices: DeviceOptions,
    #[command(flatten)]
    pub(crate) output: OutputOptions,
    /// Test again the device at a position that was left undecided, with as many ramps as would decide it; uses the sheets and serial
    /// number of that run
    #[arg(long, value_name = "POSITION", conflicts_with_all = ["words", "serial", "no_serial", "site", "rig", "device_type", "settings", "no_settings", "script"])]
    pub(crate) again: Option<u8>,
    /// With --again: folder of the run that left it undecided; by default the latest in out/
    #[arg(long, value_name = "DIR", requires = "again")]
    pub(crate) of: Option<PathBuf>,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct RunOptions {
    #[command(flatten)]
    pub(crate) what: WhatOptions,
    /// Print each event as a line of the journal on standard output, once it is recorded
    #[arg(long, conflicts_with = "json")]
    pub(crate) events: bool,
    /// Give the run to the daemon at this address, which owns the rig, and follow it; the rig is found by the name in its sheet
    #[arg(long, value_name = "URL", conflicts_with = "again")]
    pub(crate) on: Option<String>,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct RehearseOptions {
    #[command(flatten)]
    pub(crate) what: WhatOptions,
    /// Truth sheet of the simulated bench; by default good devices as set
    #[arg(long, value_name = "FILE")]
    pub(crate) truth: Option<PathBuf>,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct SimulateOptions {
    /// Rig sheet
    #[arg(long, value_name = "FILE")]
    pub(crate) rig: PathBuf,
    /// Truth sheet of the simulated bench; by default a rig without devices
    #[arg(long, value_name = "FILE")]
    pub(crate) truth: Option<PathBuf>,
    /// Operate the devices at their plugs, for `rig check --inputs`: read lines such as `operate 2` or `operate 2 valve` from standard
    /// input
    #[arg(long)]
    pub(crate) operate: bool,
    /// Seed of all random values; by default the seed of the truth sheet
    #[arg(long)]
    pub(crate) seed: Option<u64>,
    /// Address to listen on; by default the address of the rig sheet. Port 0 selects a free port
    #[arg(long, value_name = "HOST:PORT")]
    pub(crate) listen: Option<SocketAddr>,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct FolderOptions {
    /// Folder of a run, with record.json and trace.csv, or with a journal
    #[arg(value_name = "DIR")]
    pub(crate) folder: PathBuf,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct AnalyseOptions {
    /// The recording: CSV with a header row
    #[arg(value_name = "TRACE.csv")]
    pub(crate) recording: PathBuf,
    /// Column map: which columns are the time, the level and the signals
    #[arg(long, value_name = "FILE")]
    pub(crate) columns: PathBuf,
    /// Print the result as JSON on standard output
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct ExplainOptions {
    /// Folder of a run, or its record.json
    #[arg(value_name = "RECORD")]
    pub(crate) record: PathBuf,
    /// Checks to explain: a quantity such as switch-point, a position and a quantity such as 2/switch-point, or a position; by default
    /// all
    #[arg(value_name = "CHECK")]
    pub(crate) check: Option<String>,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct RejudgeOptions {
    /// Folder of a run, with record.json and trace.csv
    #[arg(value_name = "DIR")]
    pub(crate) folder: PathBuf,
    /// Write the newly judged record to this file; by default only compare
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// Print the newly judged record as JSON on standard output
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum SchemaOf {
    /// Site sheet
    Site,
    /// Rig sheet
    Rig,
    /// Type sheet
    Type,
    /// Settings sheet
    Settings,
    /// Script
    Script,
    /// Bench sheet: the rigs of a daemon
    Bench,
    /// Truth sheet of a simulated bench
    Truth,
    /// Column map of `analyse`
    Columns,
    /// record.json
    Record,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct SchemaOptions {
    /// Kind of sheet, or the record
    pub(crate) of: SchemaOf,
    /// Print a list of keys for people instead
    #[arg(long)]
    pub(crate) keys: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum LogForm {
    /// Text lines
    Text,
    /// One JSON object per line
    Json,
}

fn address(text: &str) -> Result<SocketAddr, String> {
    text.parse()
        .map_err(|_| String::from("expected an address of this machine with a port, such as 127.0.0.1:7420"))
}

#[derive(Debug, ClapArgs)]
pub(crate) struct ServeOptions {
    /// Bench sheet: the rigs, where to listen, where runs go; by default bench.toml in this folder
    #[arg(long, value_name = "FILE", conflicts_with = "demo")]
    pub(crate) bench: Option<PathBuf>,
    /// Serve two simulated rigs instead
    #[arg(long)]
    pub(crate) demo: bool,
    /// Address and port to listen on, on this machine only
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = address)]
    pub(crate) listen: Option<SocketAddr>,
    /// Folder for the runs
    #[arg(long, value_name = "DIR")]
    pub(crate) runs: Option<PathBuf>,
    /// Format of the log on standard error
    #[arg(long, value_enum, default_value = "text")]
    pub(crate) log: LogForm,
}
