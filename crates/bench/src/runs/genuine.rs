//! Files of finished runs for those who fetch them: only as long as they are those that were listed.

use super::{Runs, Unmade};
use std::fs::OpenOptions;
use std::io::Read;
use std::path::{Path, PathBuf};
use thiserror::Error;
use tripbench_record::{Record, Trace, journal::Tally, sha256_hex};
use tripbench_runner::{JobError, carried, disk, folder, load};
use tripbench_sheet::Findings;

/// Length of a piece of a trace that is read at once, bytes.
const PIECE: usize = 64 * 1024;

/// A finished run whose record is the one that was listed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Genuine {
    /// Its folder.
    pub folder: PathBuf,
    /// The bytes of its record.
    pub record: Vec<u8>,
}

/// Why the files of a finished run are not given out.
#[derive(Debug, Error)]
pub enum Changed {
    /// The record could not be trusted when the daemon started.
    #[error("{0}")]
    Untrusted(String),
    /// Two folders have different records of the run: neither is known to be right.
    #[error("{0}")]
    Disputed(String),
    /// A file is another one than that which was listed.
    #[error("`{}` was changed: its SHA-256 is {found}, and that of the run is {expected}", path.display())]
    Other {
        /// The file.
        path: PathBuf,
        /// SHA-256 of its bytes.
        found: String,
        /// SHA-256 that was listed, or is in the record.
        expected: String,
    },
    /// A file cannot be read.
    #[error(transparent)]
    Unread(#[from] JobError),
}

impl Runs {
    /// The record of a finished run, if it is the one that was listed; `None` if there is no such run. Reads from the disk, which may hang.
    pub fn genuine(&self, run: &str) -> Option<Result<Genuine, Changed>> {
        let entry = self.entry(run)?;
        if let Some(Unmade { why, .. }) = Unmade::listed(&entry) {
            let is_disputed = entry.untrusted.is_none();
            return Some(Err(if is_disputed { Changed::Disputed(why) } else { Changed::Untrusted(why) }));
        }
        let path = entry.folder.join(folder::RECORD);
        let checked = || {
            let record = disk::read(&path).map_err(unread(&path))?;
            same(&path, sha256_hex(&record), entry.sha256)?;
            Ok(Genuine { folder: entry.folder.clone(), record })
        };
        Some(checked())
    }

    /// Whether two folders have different records of a finished run, so that neither its results nor its events are given out.
    ///
    /// # Errors
    /// If so.
    pub fn undisputed(&self, run: &str) -> Result<(), Changed> {
        let disputed = self.entry(run).filter(|entry| !entry.others.is_empty());
        disputed
            .and_then(|entry| Unmade::listed(&entry))
            .map_or(Ok(()), |one| Err(Changed::Disputed(one.why)))
    }
}

impl Genuine {
    /// Path of the trace, if it is the one that the record was made from. Reads all of it, from a disk which may hang.
    ///
    /// # Errors
    /// If it is another one, or cannot be read.
    pub fn trace(&self) -> Result<PathBuf, Changed> {
        let path = self.folder.join(folder::TRACE);
        same(&path, digest(&path).map_err(unread(&path))?, self.parsed()?.trace.sha256)?;
        Ok(path)
    }

    /// The report, made from record and trace: nothing confirms the file in the folder. Reads all of the trace, from a disk which may hang.
    ///
    /// # Errors
    /// If the trace is another one or cannot be read, or the sheets in the record cannot.
    pub fn report(&self) -> Result<String, Changed> {
        let record = self.parsed()?;
        let path = self.folder.join(folder::TRACE);
        let bytes = disk::read(&path).map_err(unread(&path))?;
        same(&path, sha256_hex(&bytes), record.trace.sha256.clone())?;
        let trace = Trace::from_csv(record.header.plan.clone(), &String::from_utf8_lossy(&bytes));
        let trace = trace.map_err(|source| JobError::NotATrace { path, source })?;
        let sheets = load(&carried(&record.header, false), &Findings::new()).sheets.ok_or(JobError::NoRun)?;
        Ok(folder::report(&record, &trace, &sheets))
    }

    fn parsed(&self) -> Result<Record, JobError> {
        let path = self.folder.join(folder::RECORD);
        serde_json::from_slice(&self.record).map_err(|source| JobError::NotARecord { path, source })
    }
}

fn unread(path: &Path) -> impl Fn(std::io::Error) -> JobError {
    let path = path.to_owned();
    move |source| JobError::File { what: "read", path: path.clone(), source }
}

fn same(path: &Path, found: String, expected: String) -> Result<(), Changed> {
    if found == expected { Ok(()) } else { Err(Changed::Other { path: path.to_owned(), found, expected }) }
}

/// SHA-256 of a file, which may be long.
fn digest(path: &Path) -> std::io::Result<String> {
    let (mut file, mut tally, mut piece) =
        (disk::open(path, OpenOptions::new().read(true))?, Tally::default(), vec![0; PIECE]);
    loop {
        match file.read(&mut piece)? {
            0 => return Ok(tally.hex()),
            read => tally.add(&piece[..read]),
        }
    }
}
