//! Starts runs: of the mounted round, of other devices and sheets, and of a device that an earlier run left undecided.
//!
//! Sheets and earlier runs are read from the disk, which may hang. Call these functions on a thread that nobody else waits for.

use crate::chain::chain;
use crate::not_planned::NotPlanned;
use crate::plan::Planned;
use crate::refusal::Refusal;
use crate::rig::Rig;
use crate::round::Placing;
use crate::run_entry::RunEntry;
use crate::runs::Runs;
use crate::sheets::Given;
use crate::status::{Status, to_confirm};
use crate::waiting::{Job, Press, Repeat, Seen};
use std::sync::Arc;
use thiserror::Error;
use tripbench_record::Verdict;
use tripbench_runner::{Today, retest};

/// A request for a run.
#[derive(Debug)]
pub struct Start {
    /// The devices to test.
    pub devices: Devices,
    /// Number of presses of STOP TEST that the requester had seen.
    pub stops: u64,
    /// Whether the operator confirmed the doubts about the round.
    pub confirmed: bool,
    /// Whether the run may wait for the run in progress and begin by itself.
    pub unattended: bool,
    /// The operators.
    pub operators: Vec<String>,
    /// Sheets that replace the rig's own.
    pub sheets: Given,
}

/// The devices that a run tests.
#[derive(Debug)]
pub enum Devices {
    /// The devices of the mounted round, which must still be at this revision.
    Round(u64),
    /// Other devices, by position.
    Places(Vec<Placing>),
    /// A device that an earlier run left undecided.
    Again {
        /// The earlier run.
        run: String,
        /// Its position in that run.
        position: u8,
        /// Revision of the mounted round that the requester had seen.
        revision: u64,
    },
}

/// A run that was accepted.
#[derive(Debug)]
pub struct Started {
    /// Identifier of the run.
    pub run: String,
    /// Predicted duration, seconds.
    pub predicted_s: f64,
}

/// Why a run was not accepted.
#[derive(Debug, Error)]
pub enum NotStarted {
    /// The rig refuses the run.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// The run cannot be planned.
    #[error(transparent)]
    NotPlanned(#[from] NotPlanned),
    /// The device cannot be tested again.
    #[error("{0}")]
    NotAgain(String),
}

/// Starts a run, or appends it to the rig's queue. `press` is what was known when it was requested; `others` are the other rigs.
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
            let (planned, again) = begin_again(rig, runs, (run, *position), &start)?;
            (planned, Some(again))
        }
        Devices::Round(revision) => {
            seen.revision = Some(*revision);
            (begin_new(rig, others, start, &runs.today())?, None)
        }
        Devices::Places(_) => (begin_new(rig, others, start, &runs.today())?, None),
    };
    let Planned { prepared, script, own } = planned;
    let started = Started { run: prepared.header.run.clone(), predicted_s: prepared.task.predicted().si() };
    let job = Job { prepared, script, again, own, press };
    let heartbeat = Arc::clone(&rig.heartbeat);
    rig.ask(move |owner| owner.enqueue(job, seen, heartbeat.now()))??;
    Ok(started)
}

/// A device that was left undecided and is still at its position.
fn begin_again(
    rig: &Rig,
    runs: &Runs,
    (run, position): (&str, u8),
    start: &Start,
) -> Result<(Planned, Repeat), NotStarted> {
    let refuse = |why: &str| Err(NotStarted::NotAgain(why.to_owned()));
    let earlier = runs.entry(run).filter(|entry| entry.rig == rig.name).ok_or_else(|| {
        NotStarted::NotAgain(format!("`{}` has no finished run `{}`", rig.name, run.escape_debug()))
    })?;
    let repeats = runs.repeats_of(run, position);
    let judged = |later: &&RunEntry| {
        later.positions.iter().any(|one| one.position == position && one.verdict != Some(Verdict::Aborted))
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
        return refuse("the next round is mounted, and this rig does not see plugs: the device may be gone");
    }
    if !status.is_there_still(run) {
        return refuse("another round was started since that run: the device may be gone");
    }
    if rig.ask(move |owner| owner.was_unplugged(position))? {
        return Err(NotStarted::NotAgain(format!(
            "position {position} may have been unplugged since it was tested: the device there now may be another one; test it as a new device"
        )));
    }
    if !start.confirmed && rig.ask(move |owner| owner.was_out_of_sight(position))? {
        return Err(Refusal::OutOfSight { position }.into());
    }
    let retest =
        retest(&earlier.folder, position, known).map_err(|error| NotStarted::NotAgain(chain(&error)))?;
    if retest.simulated != status.simulated && !retest.at_simulator {
        return refuse(
            "only one of this rig and the earlier run is simulated: a simulated run tests no device",
        );
    }
    let planned = rig.sheets.prepare_again(retest, &start.operators, &runs.today())?;
    let beside = runs.beside(run, &[position]);
    Ok((
        planned,
        Repeat { run: run.to_owned(), folder: earlier.folder, position, confirmed: start.confirmed, beside },
    ))
}

fn begin_new(rig: &Rig, others: &[Arc<Status>], start: Start, today: &Today) -> Result<Planned, NotStarted> {
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
        // The number of a simulated device says nothing about the device.
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
    let planned = rig.sheets.prepare(start.sheets, (&places, &start.operators), today);
    if matches!(planned, Err(NotPlanned::SheetsChanged)) {
        rig.look_at_sheets(today);
    }
    Ok(planned?)
}
