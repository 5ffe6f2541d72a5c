//! Why no run can be planned.

use thiserror::Error;
use tripbench_job::JobError;

/// Why no run can be made of some sheets.
#[derive(Debug, Error)]
pub enum NotPlanned {
    /// What the sheets lack, each finding as text.
    #[error("the sheets have errors")]
    Findings(Vec<String>),
    /// The rig sheet is another one than the daemon began with.
    #[error("the rig sheet was changed since the daemon began: start the daemon again")]
    RigChanged,
    /// The rig sheet is another one than in the earlier run.
    #[error("the rig sheet is not that of the earlier run: test the device in a new one")]
    RigThen,
    /// The sheets are not those that were shown.
    #[error(
        "the sheets on the disk are not those that were shown: look at what is shown now, then start again"
    )]
    SheetsChanged,
    /// The rig sheet that was given is not the daemon's.
    #[error("the rig sheet that was given is not the one that the daemon has of `{0}`")]
    OtherRig(String),
    /// No script is named.
    #[error("no script: name one, or set one for this rig")]
    NoScript,
    /// No device takes part.
    #[error("no device: give at least one position a serial number, or a number of its own")]
    NoDevice,
    /// A file cannot be read, or a calibration has expired.
    #[error(transparent)]
    Job(#[from] JobError),
}
