//! Reasons why a run cannot be planned.

use thiserror::Error;
use tripbench_runner::JobError;

/// Why a run cannot be planned from its sheets.
#[derive(Debug, Error)]
pub enum NotPlanned {
    /// The sheets have errors, each a finding as text.
    #[error("the sheets have errors")]
    Findings(Vec<String>),
    /// The rig sheet on the disk differs from the one that the daemon started with.
    #[error("the rig sheet was changed since the daemon started: restart the daemon")]
    RigChanged,
    /// The rig sheet differs from that of the earlier run.
    #[error("the rig sheet differs from that of the earlier run: test the device in a new run")]
    RigThen,
    /// The sheets on the disk differ from those that were shown.
    #[error(
        "the sheets on the disk differ from those that were shown: check what is shown now, then start again"
    )]
    SheetsChanged,
    /// The given rig sheet is not the daemon's.
    #[error("the given rig sheet differs from the daemon's rig sheet of `{0}`")]
    OtherRig(String),
    /// No script was given, and the rig has none.
    #[error("no script: give one, or set one for this rig")]
    NoScript,
    /// No position has a device.
    #[error("no device: give at least one position a serial number or an own number")]
    NoDevice,
    /// A file cannot be read, or a calibration has expired.
    #[error(transparent)]
    Job(#[from] JobError),
}
