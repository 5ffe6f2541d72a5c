//! Exit codes, in one place; the tables in `--help` and in the docs show them.

use std::process::ExitCode;
use tripbench_record::{CheckVerdict, Halt, Record, Verdict};

/// How the program ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Exit {
    Good,
    Failed,
    Usage,
    Undecided,
    Aborted,
    Measured,
    /// A stored record does not fit its raw data.
    Differs,
    Panicked,
}

impl Exit {
    pub(crate) fn code(self) -> ExitCode {
        ExitCode::from(match self {
            Self::Good => 0,
            Self::Failed => 1,
            Self::Usage => 2,
            Self::Undecided => 3,
            Self::Aborted => 4,
            Self::Measured => 5,
            Self::Differs => 6,
            Self::Panicked => 101,
        })
    }

    /// The exit code of a rig check, from its conditions. A later stop changes nothing about what was not met.
    fn of_rig(record: &Record) -> Self {
        let any = |verdict| record.rig_checks.iter().any(|check| check.verdict == verdict);
        if matches!(record.halted, Some(Halt::StepFault { .. })) {
            Self::Panicked
        } else if any(CheckVerdict::NotMet) {
            Self::Failed
        } else if record.halted.is_some() || !record.safe_confirmed {
            Self::Aborted
        } else if any(CheckVerdict::Undecided) || record.rig_checks.is_empty() {
            Self::Undecided
        } else {
            Self::Good
        }
    }

    /// The exit code of a run, from its verdicts. A record without positions, or with outputs not confirmed safe, is aborted, never
    /// good.
    pub(crate) fn of(record: &Record) -> Self {
        if record.is_rig_check() {
            return Self::of_rig(record);
        }
        let any = |verdict| record.positions.iter().any(|position| position.verdict == verdict);
        if matches!(record.halted, Some(Halt::StepFault { .. })) {
            Self::Panicked
        } else if any(Verdict::Fail) {
            Self::Failed
        } else if any(Verdict::Aborted) || record.positions.is_empty() || !record.safe_confirmed {
            Self::Aborted
        } else if any(Verdict::Undecided) {
            Self::Undecided
        } else if any(Verdict::Measured) {
            Self::Measured
        } else {
            Self::Good
        }
    }
}
