//! Commands and options.

use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};
use std::net::SocketAddr;
use std::path::PathBuf;

/// Proves that vacuum switches change state where their settings sheet says, and leaves a record of it.
#[derive(Debug, Parser)]
#[command(name = "tripbench", version, about, after_help = AFTER_HELP)]
pub(crate) struct Args {
    #[command(subcommand)]
    pub(crate) command: Command,
}

const AFTER_HELP: &str = "\
Exit codes of demo, run, rehearse, report and rejudge (explain: 0, 2 or 6):
  0    every position passed (demo: the four verdicts are the expected ones)
  1    a position failed (demo: a verdict is not the expected one)
  2    wrong usage, or a sheet with an error
  3    a position is undecided, none failed or aborted
  4    a position was aborted or set aside, or outputs were not confirmed safe; none failed
  5    only measured: no limits were given
  6    report, explain, rejudge: the stored record does not fit its raw data; no verdict of it counts
  101  the program failed inside; the journal says aborted
Of rig check: 0 the rig is as its sheet says, 1 it is not, 3 not everything was shown, 4 stopped.

tripbench is not a safety device and not an emergency stop.";

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Show the whole way on a simulated bench over real Modbus TCP, in a little more than a minute
    Demo(DemoOptions),
    /// Look for errors in sheets and a script, before anything moves
    CheckSheets(SheetOptions),
    /// Run a script on a simulated rig in virtual time: what it would do and how long it would take
    Rehearse(RehearseOptions),
    /// Test devices on a rig
    Run(RunOptions),
    /// Look at a rig itself: its signals, outputs, delays and leak, and what it can decide
    #[command(subcommand)]
    Rig(RigCommand),
    /// Own the rigs of a bench and serve them to browsers and programs on this machine
    Serve(ServeOptions),
    /// Serve a simulated rig on the wire of its sheet
    Simulate(SimulateOptions),
    /// Write the report of a stored run again; closes a journal that was left open
    Report(FolderOptions),
    /// Find the levels at which the signals of a recording from elsewhere change: a logger's or a controller's CSV file
    Analyse(AnalyseOptions),
    /// Show how a figure of a stored run was found: crossings, budget, decision, and what would decide it
    Explain(ExplainOptions),
    /// Judge a stored run again from its raw trace, and say whether the stored checks are the same
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
    /// Try everything that a rig has, with your yes before each output; nothing of a device is judged
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
    /// Site sheet; otherwise the one that `TRIPBENCH_SITE` names, or site.toml in this folder
    #[arg(long, value_name = "FILE")]
    pub(crate) site: Option<PathBuf>,
    /// Rig sheet
    #[arg(long, value_name = "FILE")]
    pub(crate) rig: Option<PathBuf>,
    /// Type sheet of the devices
    #[arg(long = "type", value_name = "FILE")]
    pub(crate) device_type: Option<PathBuf>,
    /// Settings sheet of the devices; with --no-settings nothing is judged, only measured
    #[arg(long, value_name = "FILE")]
    pub(crate) settings: Option<PathBuf>,
    /// Take no settings and no type sheet, also none of the site sheet: measure only
    #[arg(long, conflicts_with = "settings")]
    pub(crate) no_settings: bool,
    /// Script
    #[arg(long, value_name = "FILE")]
    pub(crate) script: Option<PathBuf>,
}

#[derive(Debug, Clone, Default, ClapArgs)]
pub(crate) struct DeviceOptions {
    /// Name of a script of the site, then serial numbers for positions 1, 2, 3 …
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
    /// Folder for record.json, report.html, trace.csv and the journal; otherwise out/ and the time
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Print the record as JSON on standard output
    #[arg(long)]
    pub(crate) json: bool,
}

/// What is run, and where it goes: the same for a rig and for a rehearsal.
#[derive(Debug, Clone, Default, ClapArgs)]
pub(crate) struct WhatOptions {
    #[command(flatten)]
    pub(crate) sheets: SheetOptions,
    #[command(flatten)]
    pub(crate) devices: DeviceOptions,
    #[command(flatten)]
    pub(crate) output: OutputOptions,
    /// Test the device at a position again that was left undecided, with as many ramps as would decide it; sheets and serial
    /// number are those of that run
    #[arg(long, value_name = "POSITION", conflicts_with_all = ["words", "serial", "no_serial", "site", "rig", "device_type", "settings", "no_settings", "script"])]
    pub(crate) again: Option<u8>,
    /// With --again: folder of the run that left it undecided; otherwise the latest in out/
    #[arg(long, value_name = "DIR", requires = "again")]
    pub(crate) of: Option<PathBuf>,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct RunOptions {
    #[command(flatten)]
    pub(crate) what: WhatOptions,
    /// Print each event, once it is recorded, as a line of the journal on standard output
    #[arg(long, conflicts_with = "json")]
    pub(crate) events: bool,
    /// Give the run to the daemon at this address, which owns the rig, and follow it; the rig is found by the name of its sheet
    #[arg(long, value_name = "URL", conflicts_with = "again")]
    pub(crate) on: Option<String>,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct RehearseOptions {
    #[command(flatten)]
    pub(crate) what: WhatOptions,
    /// What the simulated bench really is; otherwise good devices just as set
    #[arg(long, value_name = "FILE")]
    pub(crate) truth: Option<PathBuf>,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct SimulateOptions {
    /// Rig sheet
    #[arg(long, value_name = "FILE")]
    pub(crate) rig: PathBuf,
    /// What the simulated bench really is; otherwise a rig without devices
    #[arg(long, value_name = "FILE")]
    pub(crate) truth: Option<PathBuf>,
    /// Operate the devices at their plugs, for `rig check --inputs`: read lines such as `operate 2` or `operate 2 valve` from standard
    /// input
    #[arg(long)]
    pub(crate) operate: bool,
    /// Seed of everything random; otherwise the one of the truth
    #[arg(long)]
    pub(crate) seed: Option<u64>,
    /// Address to listen on; otherwise the one of the rig sheet. Port 0 takes a free one
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
    /// The recording, with a head line
    #[arg(value_name = "TRACE.csv")]
    pub(crate) recording: PathBuf,
    /// Column map: which column is the time, the level and each signal
    #[arg(long, value_name = "FILE")]
    pub(crate) columns: PathBuf,
    /// Print what was found as JSON on standard output
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct ExplainOptions {
    /// Folder of a run, or its record.json
    #[arg(value_name = "RECORD")]
    pub(crate) record: PathBuf,
    /// Which checks: a quantity such as switch-point, a position and a quantity such as 2/switch-point, or a position; all
    /// if none is named
    #[arg(value_name = "CHECK")]
    pub(crate) check: Option<String>,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct RejudgeOptions {
    /// Folder of a run, with record.json and trace.csv
    #[arg(value_name = "DIR")]
    pub(crate) folder: PathBuf,
    /// Write the record as judged again to this file; otherwise only compare
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// Print the record as judged again as JSON on standard output
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
    /// What a simulated bench really is
    Truth,
    /// Column map of `analyse`
    Columns,
    /// record.json
    Record,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct SchemaOptions {
    /// Which schema
    pub(crate) of: SchemaOf,
    /// Print a list of keys to read instead
    #[arg(long)]
    pub(crate) keys: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum LogForm {
    /// Lines to read
    Text,
    /// One JSON object a line
    Json,
}

fn address(text: &str) -> Result<SocketAddr, String> {
    text.parse()
        .map_err(|_| String::from("expected an address of this machine with a port, such as 127.0.0.1:7420"))
}

#[derive(Debug, ClapArgs)]
pub(crate) struct ServeOptions {
    /// Bench sheet: the rigs, where to listen, where runs go; otherwise bench.toml in this folder
    #[arg(long, value_name = "FILE", conflicts_with = "demo")]
    pub(crate) bench: Option<PathBuf>,
    /// Two simulated rigs instead
    #[arg(long)]
    pub(crate) demo: bool,
    /// Address and port to listen on, of this machine only
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = address)]
    pub(crate) listen: Option<SocketAddr>,
    /// Folder of the runs
    #[arg(long, value_name = "DIR")]
    pub(crate) runs: Option<PathBuf>,
    /// Form of the log on standard error
    #[arg(long, value_enum, default_value = "text")]
    pub(crate) log: LogForm,
}
