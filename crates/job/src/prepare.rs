//! Everything that is known before air flows.

use crate::{JobError, Loaded, calibration_doubts};
use jiff::ZonedDateTime;
use std::path::PathBuf;
use tripbench_device::ExpiredCalibration;
use tripbench_engine::predictions;
use tripbench_record::{ClockState, RunHeader, Task};

/// A run that could start.
#[derive(Debug, Clone)]
pub struct Prepared {
    /// What is to be done.
    pub task: Task,
    /// What the record begins with.
    pub header: RunHeader,
    /// Where it goes.
    pub folder: PathBuf,
}

/// What is known when a run starts.
pub fn header(task: &Task, loaded: &Loaded, operators: &[String], warnings: Vec<String>) -> RunHeader {
    RunHeader {
        run: uuid::Uuid::now_v7().to_string(),
        rig: task.sheets.rig.header.name.value.clone(),
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

/// The warnings that go into the record where the reference's calibration has expired, or is dated in the future.
///
/// # Errors
/// If there is one and the site sheet refuses such runs.
pub fn calibration(task: &Task) -> Result<Vec<String>, JobError> {
    let doubts = calibration_doubts(&task.sheets.rig);
    if !doubts.is_empty() && task.sheets.site.expired_calibration == ExpiredCalibration::Refuse {
        return Err(JobError::Expired(doubts.join(" ")));
    }
    Ok(doubts)
}

/// Wall time, RFC 3339.
pub fn wall() -> String {
    let now = ZonedDateTime::now();
    now.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}
