//! Why a job cannot be done.

use std::path::PathBuf;
use thiserror::Error;
use tripbench_link::{LockError, ResolveError, UnreachableError};
use tripbench_record::{FORMAT, TraceError, VERSION};
use tripbench_runner::{JournalError, RecoverError};

/// Why a job cannot be done.
#[derive(Debug, Error)]
pub enum JobError {
    /// A file cannot be used.
    #[error("cannot {what} `{}`", path.display())]
    File {
        /// What was to be done with it.
        what: &'static str,
        /// The file.
        path: PathBuf,
        /// Why not.
        #[source]
        source: std::io::Error,
    },
    /// The folder has a run in it.
    #[error("`{}` already holds a run ({file}): take another folder", folder.display())]
    HoldsARun {
        /// The folder.
        folder: PathBuf,
        /// What is there.
        file: &'static str,
    },
    /// The calibration of the reference has expired, or is dated in the future, and the site refuses such runs.
    #[error("{0} Such a run is refused, unless the site sheet says expired_calibration = \"warn\"")]
    Expired(String),
    /// It was stopped before it began.
    #[error("it was stopped before it began")]
    Stopped,
    /// The journal holds no run.
    #[error("the journal holds no run")]
    NoRun,
    /// A file is no record.
    #[error("`{}` is not a record", path.display())]
    NotARecord {
        /// The file.
        path: PathBuf,
        /// Why not.
        #[source]
        source: serde_json::Error,
    },
    /// A record of another version.
    #[error("`{}` is {found}, this program reads `{FORMAT}` version {VERSION}", path.display())]
    OtherVersion {
        /// The file.
        path: PathBuf,
        /// Format and version of it.
        found: String,
    },
    /// A trace that cannot be read.
    #[error("`{}` cannot be used", path.display())]
    NotATrace {
        /// The file.
        path: PathBuf,
        /// Why not.
        #[source]
        source: TraceError,
    },
    /// A journal without a record.
    #[error("`{}` holds a journal and no record: first run `tripbench report {}`", folder.display(), folder.display())]
    NoRecordYet {
        /// The folder.
        folder: PathBuf,
    },
    /// A record cannot be written.
    #[error("the record contains a number that is not finite")]
    NotWritable(#[source] serde_json::Error),
    /// Another process has the module.
    #[error(transparent)]
    Taken(#[from] LockError),
    /// The module's address is none.
    #[error(transparent)]
    Resolve(#[from] ResolveError),
    /// The module cannot be reached.
    #[error(transparent)]
    Unreachable(#[from] UnreachableError),
    /// Nothing answers.
    #[error(
        "nothing answers on {address}: is the module on, is `link.{key}` of the rig sheet right, is `tripbench simulate` running?"
    )]
    NothingThere {
        /// Address of the rig sheet.
        address: String,
        /// Its key.
        key: &'static str,
        /// Why not.
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
