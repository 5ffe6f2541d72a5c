//! Search for wrong verdicts, unsafe outputs and lost records: rig, devices, wire, disk and operator of each run are drawn, and its
//! result is tested against invariants of every run.

mod dice;
mod disk;
mod draw;
mod hold;
mod kept;
mod letters;
mod levels;
mod station;
mod truth;

pub use disk::{Disk, DiskFaults, Kill};
pub use draw::{Drawn, draw};
pub use hold::Found;
pub use station::{Station, Stations, stations};
pub use truth::Nature;

use crate::virtual_line::{OnLine, Planned, VirtualLine, run_over};
use hold::Seen;
use std::panic::{AssertUnwindSafe, catch_unwind};
use tripbench_bench::DeviceCheck;
use tripbench_link::{Clock, Discipline, LineDiscipline};
use tripbench_runner::VirtualRun;

/// A guard that the search can disable, to show that it finds the faults that the guard prevents.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Guard {
    /// After a late answer a connection is not used again, and a serial line is kept silent for a while.
    LateAnswer,
    /// Safe values are written again once no old request can still act, and must then last.
    SecondSafe,
    /// Listeners receive an event only after it is written.
    Watermark,
    /// The lag of the reference is corrected.
    LagCorrection,
    /// A pass needs every promised check.
    Promised,
    /// A run begins only with the devices that were there when it was requested.
    PlugCheck,
}

impl Guard {
    /// All guards.
    pub const ALL: [Self; 6] = [
        Self::LateAnswer,
        Self::SecondSafe,
        Self::Watermark,
        Self::LagCorrection,
        Self::Promised,
        Self::PlugCheck,
    ];
}

/// Runs what a seed draws, without one guard if given; the faults of the program that it finds.
pub fn search(stations: &Stations, seed: u64, without: Option<Guard>) -> Found {
    let check = if without == Some(Guard::PlugCheck) { DeviceCheck::LeftOut } else { DeviceCheck::Kept };
    let (begun, wrong_devices) = match letters::play(seed, check) {
        Ok(begun) => (begun, Vec::new()),
        Err(why) => (0, vec![why]),
    };
    if without == Some(Guard::PlugCheck) {
        // This guard is outside the run.
        return Found { wrong_devices, begun, ..Found::default() };
    }
    let drawn = draw(stations, seed);
    let found = catch_unwind(AssertUnwindSafe(|| run(&drawn, without).found(&drawn, without)));
    let found = found.unwrap_or_else(|panic| {
        let why = panic.downcast_ref::<String>().cloned();
        Found { hangs: vec![why.unwrap_or_else(|| String::from("it panicked"))], ..Found::default() }
    });
    Found { wrong_devices, begun, ..found }
}

/// One run.
fn run(drawn: &Drawn<'_>, without: Option<Guard>) -> Seen {
    let clock = Clock::in_virtual_time();
    let line =
        VirtualLine::new(&drawn.station.task.sheets.rig, drawn.truth.clone(), &clock, drawn.troubles.clone());
    line.hangs_after(drawn.longest());
    line.reads_at_most(drawn.most_read.unwrap_or(usize::MAX));
    if drawn.watches_level() {
        line.watches_level();
    }
    let disk = Disk::new(drawn.disk);
    let on_line = OnLine {
        run: VirtualRun {
            stop: drawn.stop.clone(),
            disk: drawn.virtual_disk(without == Some(Guard::Watermark)),
            ..VirtualRun::default()
        },
        discipline: if without == Some(Guard::SecondSafe) {
            Discipline::SafeAtFirstSight
        } else {
            Discipline::Kept
        },
        of_line: if without == Some(Guard::LateAnswer) {
            LineDiscipline::NeverSuspect
        } else {
            LineDiscipline::Kept
        },
        journal: Some(disk.clone()),
    };
    let events = run_over(&line, &clock, drawn.task(without), on_line);
    let ended = clock.now();
    line.drain(drawn.afterwards());
    let (was_safe, unread) = (line.was_safe(), line.unread());
    let (troubled, levels) = (line.troubled(), line.levels());
    Seen { events, ended, was_safe, unread, troubled, levels, disk }
}

/// Troubles in words.
pub fn told(troubles: &[Planned]) -> String {
    let all: Vec<String> =
        troubles.iter().map(|(when, trouble)| format!("{trouble:?} at {when:?}")).collect();
    all.join(", ")
}
