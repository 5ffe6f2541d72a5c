//! A search for wrong verdicts, unsafe outputs and lost records: runs whose rig, devices, wire, disk and people are drawn, each held
//! against what must be true of any.

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

/// A guard that a search can leave out, to show that it finds what the guard is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Guard {
    /// A connection on which an answer is late is not used again, a line is silent for a while.
    LateAnswer,
    /// Safe is written again once nothing old can act any more, and has to last.
    SecondSafe,
    /// Nobody hears of what is not written.
    Watermark,
    /// The lag of the reference is taken off.
    LagCorrection,
    /// A pass needs every check that was promised.
    Promised,
}

impl Guard {
    /// All of them.
    pub const ALL: [Self; 5] =
        [Self::LateAnswer, Self::SecondSafe, Self::Watermark, Self::LagCorrection, Self::Promised];
}

/// Runs what a seed draws; what it found against the program, nothing if all is well.
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

/// What went wrong, in words.
pub fn told(troubles: &[Planned]) -> String {
    let all: Vec<String> =
        troubles.iter().map(|(when, trouble)| format!("{trouble:?} at {when:?}")).collect();
    all.join(", ")
}
