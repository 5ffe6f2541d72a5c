//! Files of finished runs for those who fetch them: only as long as they are those that were listed.

use super::Runs;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use thiserror::Error;
use tripbench_record::{Record, journal::Tally, sha256_hex};
use tripbench_runner::{JobError, folder};

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
        if let Some(why) = entry.untrusted {
            return Some(Err(Changed::Untrusted(why)));
        }
        let path = entry.folder.join(folder::RECORD);
        let checked = || {
            let record = std::fs::read(&path).map_err(unread(&path))?;
            same(&path, sha256_hex(&record), entry.sha256)?;
            Ok(Genuine { folder: entry.folder.clone(), record })
        };
        Some(checked())
    }
}

impl Genuine {
    /// Path of the trace, if it is the one that the record was made from. Reads all of it, from a disk which may hang.
    ///
    /// # Errors
    /// If it is another one, or cannot be read.
    pub fn trace(&self) -> Result<PathBuf, Changed> {
        let path = self.folder.join(folder::RECORD);
        let record: Record =
            serde_json::from_slice(&self.record).map_err(|source| JobError::NotARecord { path, source })?;
        let path = self.folder.join(folder::TRACE);
        same(&path, digest(&path).map_err(unread(&path))?, record.trace.sha256)?;
        Ok(path)
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
    let (mut file, mut tally, mut piece) = (File::open(path)?, Tally::default(), vec![0; PIECE]);
    loop {
        match file.read(&mut piece)? {
            0 => return Ok(tally.hex()),
            read => tally.add(&piece[..read]),
        }
    }
}
