//! Starts: of the mounted round, of other devices and sheets, and of a device that was left undecided.
//!
//! Reads sheets and earlier runs from the disk, which may hang: on a thread that nobody else waits for.

use crate::chain::chain;
use crate::not_planned::NotPlanned;
use crate::plan::Planned;
use crate::refusal::Refusal;
use crate::rig::Rig;
use crate::round::Placing;
use crate::runs::{RunEntry, Runs};
use crate::sheets::Given;
use crate::status::{Status, to_confirm};
use crate::waiting::{Job, Press, Repeat, Seen};
use std::sync::Arc;
use thiserror::Error;
use tripbench_job::go_on;
use tripbench_record::Verdict;

/// A run that is asked for.
#[derive(Debug)]
pub struct Start {
    /// Which devices it tests.
    pub devices: Devices,
    /// How often STOP TEST had been pressed, as whoever asks has seen it.
    pub stops: u64,
    /// Whether what was asked to be confirmed is right.
    pub confirmed: bool,
    /// Whether it may wait for the run in progress and begin by itself.
    pub unattended: bool,
    /// Who operates.
    pub operators: Vec<String>,
    /// Sheets in place of the rig's own.
    pub sheets: Given,
}

/// Which devices a run tests.
#[derive(Debug)]
pub enum Devices {
    /// Those of the mounted round, as it was seen at this revision.
    Round(u64),
    /// Others.
    Places(Vec<Placing>),
    /// One that an earlier run left undecided.
    Again {
        /// The earlier run.
        run: String,
        /// The position there.
        position: u8,
        /// Revision of the mounted round, as it was seen.
        revision: u64,
    },
}

/// A run that was taken.
#[derive(Debug)]
pub struct Started {
    /// Its identifier.
    pub run: String,
    /// Predicted duration, seconds.
    pub predicted_s: f64,
}

/// Why a run was not taken.
#[derive(Debug, Error)]
pub enum NotStarted {
    /// The rig refuses it.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// It cannot be planned.
    #[error(transparent)]
    NotPlanned(#[from] NotPlanned),
    /// The device is not tested again.
    #[error("{0}")]
    NotAgain(String),
}

/// Starts a run, or puts it at the end of the rig's queue. `press` is what was known when it was asked for, `others` are the other rigs.
///
/// # Errors
/// If the run cannot be planned, or the rig refuses it.
pub(crate) fn begin(
    rig: &Rig,
    runs: &Runs,
    others: &[Arc<Status>],
    (start, press): (Start, Press),
) -> Result<Started, NotStarted> {
    let mut seen = Seen { revision: None, round: None, stops: start.stops, unattended: start.unattended };
    let (planned, again) = match &start.devices {
        Devices::Again { run, position, revision } => {
            seen.round = Some(*revision);
            let (planned, again) = begin_again(rig, runs, (run, *position), &start.operators)?;
            (planned, Some(again))
        }
        Devices::Round(revision) => {
            seen.revision = Some(*revision);
            (begin_new(rig, others, start)?, None)
        }
        Devices::Places(_) => (begin_new(rig, others, start)?, None),
    };
    let Planned { prepared, script, own } = planned;
    let started = Started { run: prepared.header.run.clone(), predicted_s: prepared.task.predicted().si() };
    let job = Job { prepared, script, again, own, press };
    let now = rig.pulse.now();
    rig.ask(move |owner| owner.enqueue(job, seen, now))??;
    Ok(started)
}

/// A device that was left undecided, as it still is at its position.
fn begin_again(
    rig: &Rig,
    runs: &Runs,
    (run, position): (&str, u8),
    operators: &[String],
) -> Result<(Planned, Repeat), NotStarted> {
    let refuse = |why: &str| Err(NotStarted::NotAgain(why.to_owned()));
    let earlier = runs.entry(run).filter(|entry| entry.rig == rig.name).ok_or_else(|| {
        NotStarted::NotAgain(format!("`{}` has no run `{}` that is over", rig.name, run.escape_debug()))
    })?;
    let repeats = runs.repeats_of(run, position);
    let judged = |later: &&RunEntry| {
        later.positions.iter().any(|one| one.position == position && one.verdict != Verdict::Aborted)
    };
    if let Some(later) = repeats.iter().find(judged) {
        return Err(NotStarted::NotAgain(format!(
            "position {position} was tested again already, in run `{}`: repeat that run instead",
            later.run
        )));
    }
    let known = repeats.iter().filter_map(|later| later.attempt).max().unwrap_or(0);
    let status = rig.status();
    if status.next_is_mounted() {
        return refuse("the next round is mounted, and this rig does not see plugs: its device may be gone");
    }
    if !status.is_there_still(run) {
        return refuse("another round was begun since that run: its device may be gone");
    }
    if rig.ask(move |owner| owner.was_unplugged(position))? {
        return Err(NotStarted::NotAgain(format!(
            "position {position} may have been unplugged since it was tested: what is there now may be another device, and is tested as a new one"
        )));
    }
    let go_on =
        go_on(&earlier.folder, position, known).map_err(|error| NotStarted::NotAgain(chain(&error)))?;
    if go_on.simulated != status.simulated && !go_on.at_simulator {
        return refuse("of the two one is simulated: a run of a simulated rig tests no device");
    }
    let planned = rig.sheets.prepare_again(go_on, operators)?;
    let beside = runs.beside(run, &[position]);
    Ok((planned, Repeat { folder: earlier.folder, position, beside }))
}

fn begin_new(rig: &Rig, others: &[Arc<Status>], start: Start) -> Result<Planned, NotStarted> {
    let status = rig.status();
    let places = match &start.devices {
        Devices::Round(revision) => status.mounted(*revision)?,
        Devices::Places(_) | Devices::Again { .. } if status.round.is_mounted() => {
            return Err(Refusal::Mounted.into());
        }
        Devices::Places(placings) => status.round.places_of(placings)?,
        Devices::Again { .. } => Vec::new(),
    };
    if !start.confirmed {
        if !start.unattended && (status.phase.is_busy() || !status.queue.is_empty()) {
            return Err(Refusal::Busy.into());
        }
        // A simulated device is the same whatever its number is.
        let asks = !status.simulated && !start.unattended;
        let positions: Vec<u8> = places.iter().map(|place| place.position).filter(|_| asks).collect();
        let plugged: Vec<u8> = rig.ask(move |owner| {
            positions.into_iter().filter(|position| owner.is_plugged_since(*position)).collect()
        })?;
        let doubts = to_confirm(&places, &status, |position| plugged.contains(&position), others);
        if !doubts.is_empty() {
            return Err(Refusal::ToConfirm(doubts.join("; ")).into());
        }
    }
    let planned = rig.sheets.prepare(start.sheets, &places, &start.operators);
    if matches!(planned, Err(NotPlanned::SheetsChanged)) {
        rig.look_at_sheets();
    }
    Ok(planned?)
}
