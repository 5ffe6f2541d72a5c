//! A daemon whose runs fail while a file exists in its folder: `panics`, `loops`, `disk-hangs`, `folder-hangs` or
//! `removal-hangs`. An access to a file hangs while a file `hangs` beside it contains its name. Everything else is the real daemon. If
//! `hurried` exists at its start, its limits and timeouts are short; if `impatient`, what it gives the disk. Its rigs are those of
//! `rig.toml` and, if it exists, `other.toml`.

use std::net::SocketAddr;
use std::path::Path;
use std::process::ExitCode;
use tripbench_bench::{DiskTimes, Probes, RigEntry, RigSheets, SheetFiles};
use tripbench_daemon::{Limits, Serve, serve};

/// Probe in the thread of a run: panics or loops.
fn in_run() {
    assert!(!Path::new("panics").exists(), "a step failed");
    while Path::new("loops").exists() {
        std::hint::spin_loop();
    }
}

/// Blocks while a file exists, as a hung disk does.
fn hangs(while_there: &str) {
    while Path::new(while_there).exists() {
        std::thread::park_timeout(std::time::Duration::from_millis(10));
    }
}

/// Probe in a write of the journal.
fn in_journal() {
    hangs("disk-hangs");
}

/// Probe in the creation of a run's folder.
fn in_folder() {
    hangs("folder-hangs");
}

/// Probe in the removal of a run's folder.
fn in_removal() {
    hangs("removal-hangs");
}

/// Fault in every access to a file.
fn at_file(path: &Path) {
    let hangs = path.with_file_name("hangs");
    while std::fs::read_to_string(&hangs).is_ok_and(|file| path.ends_with(&file)) {
        std::thread::park_timeout(std::time::Duration::from_millis(10));
    }
}

fn entry(rig: &str, probes: Option<Probes>) -> RigEntry {
    let sheets = RigSheets::from_files(SheetFiles {
        site: None,
        rig: rig.into(),
        device_type: Some("type.toml".into()),
        settings: Some("settings.toml".into()),
        script: Some("script.toml".into()),
    });
    RigEntry { sheets: sheets.expect("good sheets"), simulated: false, probes }
}

/// Limits of the daemon, or short ones.
fn limits() -> Limits {
    let second = std::time::Duration::from_secs(1);
    let disk = if Path::new("impatient").exists() {
        DiskTimes {
            turn_within: second / 4,
            hangs_after: second,
            try_every: second / 4,
            removed_within: second / 4,
            workers_have: 2 * second,
        }
    } else {
        DiskTimes::default()
    };
    if !Path::new("hurried").exists() {
        return Limits { disk, ..Limits::default() };
    }
    Limits {
        connections: 8,
        stop_connections: 4,
        stop_within: second / 4,
        header_within: second,
        body_within: second,
        write_within: second,
        disk,
        ..Limits::default()
    }
}

#[expect(clippy::print_stdout, reason = "prints the address for the parent process")]
fn main() -> ExitCode {
    tripbench_runner::disk::probe(at_file);
    let probed = |in_run, in_journal| Some(Probes { in_folder, in_removal, in_run, in_journal });
    let nothing: fn() = || {};
    let rigs = if Path::new("other.toml").exists() {
        // One rig's disk hangs, the other's thread loops.
        vec![entry("rig.toml", probed(nothing, in_journal)), entry("other.toml", probed(in_run, nothing))]
    } else {
        vec![entry("rig.toml", probed(in_run, in_journal))]
    };
    let bench = Serve {
        listen: ([127, 0, 0, 1], 0).into(),
        runs: "runs".into(),
        users: Vec::new(),
        rigs,
        limits: limits(),
    };
    let until = async {
        tripbench_runner::Signals::take().first().await;
        "a signal"
    };
    let listening = |address: SocketAddr| println!("http://{address}/");
    match serve(bench, until, listening) {
        Ok(ended) if ended.in_doubt.is_empty() => ExitCode::SUCCESS,
        Ok(_) | Err(_) => ExitCode::FAILURE,
    }
}
