//! Preparation of a run, before air flows.

use crate::{JobError, Loaded, Today, calibration_doubts};
use jiff::ZonedDateTime;
use std::path::PathBuf;
use tripbench_device::ExpiredCalibration;
use tripbench_engine::predictions;
use tripbench_record::{ClockState, LoadedSheets, RunHeader, Task};

/// A run that is ready to start.
#[derive(Debug, Clone)]
pub struct Prepared {
    /// The plan.
    pub task: Task,
    /// Header of the record.
    pub header: RunHeader,
    /// Folder of the run.
    pub folder: PathBuf,
}

/// The header of a run, with a new identifier and the present time as its start.
pub fn header(task: &Task, loaded: &Loaded, operators: &[String], warnings: Vec<String>) -> RunHeader {
    RunHeader {
        run: uuid::Uuid::now_v7().to_string(),
        rig: task.sheets.rig.header.name.value.clone(),
        number: None,
        started: wall(),
        clock: ClockState { source: Some(String::from("system clock")), ..ClockState::default() },
        software: env!("CARGO_PKG_VERSION").to_owned(),
        trial: loaded.trial,
        simulated: false,
        module: None,
        warnings,
        abilities: Vec::new(),
        again: None,
        predictions: predictions(task),
        operators: operators.to_vec(),
        sheets: loaded.copies.clone(),
        steps: task.steps.clone(),
        positions: task.positions.clone(),
        plan: task.plan.clone(),
    }
}

/// Warnings for the record if the calibration of the reference has expired, is dated in the future or cannot be judged, or if the clock was
/// set back.
///
/// # Errors
/// If there is a warning about the calibration, which then has all warnings, and the site sheet refuses such runs.
pub fn calibration(task: &Task, today: &Today) -> Result<Vec<String>, JobError> {
    let mut doubts = calibration_doubts(&task.sheets.rig, today);
    let refused = !doubts.is_empty() && task.sheets.site.expired_calibration == ExpiredCalibration::Refuse;
    doubts.extend(today.doubt());
    if refused {
        return Err(JobError::Expired(doubts.join(" ")));
    }
    Ok(doubts)
}

/// A sentence, if the site sheet refuses every run because the date by which calibrations are to be judged is not known.
pub fn refused_by_unknown_date(sheets: &LoadedSheets, today: &Today) -> Option<String> {
    today.unknown().filter(|_| sheets.site.expired_calibration == ExpiredCalibration::Refuse)
}

/// The present wall-clock time, RFC 3339.
pub fn wall() -> String {
    let now = ZonedDateTime::now();
    now.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}
