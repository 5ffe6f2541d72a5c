//! Errors of a job.

use crate::{JournalError, RecoverError};
use std::path::PathBuf;
use thiserror::Error;
use tripbench_link::{LockError, UnreachableError};
use tripbench_record::{FORMAT, TraceError, VERSION};

/// Why a job failed.
#[derive(Debug, Error)]
pub enum JobError {
    /// An operation on a file failed.
    #[error("cannot {what} `{}`", path.display())]
    File {
        /// The operation, as a verb.
        what: &'static str,
        /// The file.
        path: PathBuf,
        /// Cause.
        #[source]
        source: std::io::Error,
    },
    /// A sheet has another character encoding.
    #[error("`{}`, line {line}: a character is not UTF-8: save the sheet as UTF-8", path.display())]
    NotUtf8 {
        /// The sheet.
        path: PathBuf,
        /// Its first line with such a character, from 1.
        line: usize,
    },
    /// The folder already contains a run.
    #[error("`{}` already contains a run ({file}): use another folder", folder.display())]
    HoldsARun {
        /// The folder.
        folder: PathBuf,
        /// File of that run.
        file: &'static str,
    },
    /// The calibration of the reference has expired, is dated in the future or cannot be judged, and the site sheet refuses such runs.
    #[error("{0} Such a run is refused unless the site sheet says expired_calibration = \"warn\"")]
    Expired(String),
    /// The run was stopped before it began.
    #[error("the run was stopped before it began")]
    Stopped,
    /// The journal holds no run.
    #[error("the journal contains no run")]
    NoRun,
    /// The journal in a folder has no event of a run, and there is no record.
    #[error("`{}` contains no run: no event of it was recorded in its journal", folder.display())]
    NothingRecorded {
        /// The folder.
        folder: PathBuf,
    },
    /// A file is not a record.
    #[error("`{}` is not a record", path.display())]
    NotARecord {
        /// The file.
        path: PathBuf,
        /// Cause.
        #[source]
        source: serde_json::Error,
    },
    /// A record contradicts the journal beside it, or is not as the program writes it.
    #[error("`{}` cannot be trusted: {why}", path.display())]
    NotTrusted {
        /// The file.
        path: PathBuf,
        /// The contradictions.
        why: String,
    },
    /// A record has another format or version.
    #[error("`{}` is {found}, this program reads `{FORMAT}` version {VERSION}", path.display())]
    OtherVersion {
        /// The file.
        path: PathBuf,
        /// Its format and version.
        found: String,
    },
    /// A trace does not match its record.
    #[error("`{}` is not the trace of this record", path.display())]
    NotATrace {
        /// The file.
        path: PathBuf,
        /// Cause.
        #[source]
        source: TraceError,
    },
    /// The folder has a journal but no record.
    #[error("`{}` contains a journal but no record: first run `tripbench report {}`", folder.display(), folder.display())]
    NoRecordYet {
        /// The folder.
        folder: PathBuf,
    },
    /// The record cannot be written as JSON.
    #[error("the record contains a number that is not finite")]
    NotWritable(#[source] serde_json::Error),
    /// The module cannot be locked, usually because another process uses it.
    #[error(transparent)]
    Taken(#[from] LockError),
    /// The module cannot be looked up.
    #[error(transparent)]
    Unreachable(#[from] UnreachableError),
    /// Nothing accepts a connection at the address of the module.
    #[error(
        "nothing answers at {address}: is the module on, is `link.{key}` in the rig sheet right, is `tripbench simulate` running?"
    )]
    NothingThere {
        /// Address on the rig sheet.
        address: String,
        /// Key of that address, below `link`.
        key: &'static str,
        /// Cause.
        #[source]
        source: std::io::Error,
    },
    /// The journal cannot be written.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The journal cannot be read.
    #[error(transparent)]
    Recover(#[from] RecoverError),
}
