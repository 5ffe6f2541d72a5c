//! Search for wrong verdicts, unsafe outputs and lost records: rig, devices, wire, disk and operator of each run are drawn, and its
//! result is tested against invariants of every run.

mod draw;
mod hold;
mod station;

pub use draw::{Drawn, Nature, draw};
pub use hold::Found;
pub use station::{Station, stations};

use crate::virtual_line::{OnLine, Planned, VirtualLine, run_over};
use hold::Seen;
use std::panic::{AssertUnwindSafe, catch_unwind};
use tripbench_link::{Clock, Discipline, LineDiscipline};
use tripbench_runner::{VirtualDisk, VirtualRun};

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
}

impl Guard {
    /// All guards.
    pub const ALL: [Self; 5] =
        [Self::LateAnswer, Self::SecondSafe, Self::Watermark, Self::LagCorrection, Self::Promised];
}

/// Runs what a seed draws, without one guard if given; the faults of the program that it finds.
pub fn search(stations: &[Station], seed: u64, without: Option<Guard>) -> Found {
    let drawn = draw(stations, seed);
    let found = catch_unwind(AssertUnwindSafe(|| run(&drawn, without).found(&drawn, without)));
    found.unwrap_or_else(|panic| {
        let why = panic.downcast_ref::<String>().cloned();
        Found { hangs: vec![why.unwrap_or_else(|| String::from("it panicked"))], ..Found::default() }
    })
}

/// One run.
fn run(drawn: &Drawn<'_>, without: Option<Guard>) -> Seen {
    let clock = Clock::in_virtual_time();
    let line =
        VirtualLine::new(&drawn.station.task.sheets.rig, drawn.truth.clone(), &clock, drawn.troubles.clone());
    line.hangs_after(drawn.longest());
    let on_line = OnLine {
        run: VirtualRun {
            stop: drawn.stop.clone(),
            disk: VirtualDisk { heard_first: without == Some(Guard::Watermark), ..drawn.disk },
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
    };
    let events = run_over(&line, &clock, drawn.task(without), on_line);
    let ended = clock.now();
    line.drain(drawn.afterwards());
    Seen { events, ended, was_safe: line.was_safe(), troubled: line.troubled(), torn: drawn.torn }
}

/// Troubles in words.
pub fn told(troubles: &[Planned]) -> String {
    let all: Vec<String> =
        troubles.iter().map(|(when, trouble)| format!("{trouble:?} at {when:?}")).collect();
    all.join(", ")
}
