//! Reads the records of runs at the start of the daemon, which may take long.

use super::Runs;
use crate::chain::chain;
use crate::index::Indexed;
use crate::listing::place_of;
use crate::run_entry::RunEntry;
use sd_notify::NotifyState;
use std::path::{Path, PathBuf};
use tripbench_record::{Record, sha256_hex};
use tripbench_runner::{JobError, disk, folder, record_doubts};

/// Number of runs that are added to the index at once while their records are read.
const AT_ONCE: usize = 16;

/// Longest time for one record until the service manager gives up waiting for the start, microseconds.
const FOR_ONE_RECORD_US: u32 = 120_000_000;

/// Asks the service manager for more time.
pub(super) fn still_starting(done: usize, all: usize) {
    let status = format!("reading the records of runs: {done} of {all}");
    let told = [NotifyState::ExtendTimeoutUsec(FOR_ONE_RECORD_US), NotifyState::Status(&status)];
    let _nobody_listens = sd_notify::notify(&told);
}

impl Runs {
    /// Reads records, each with its journal, which may take long. The index grows with them, so that a start that is cut off continues
    /// where it was. Returns those that cannot be read or trusted.
    pub(super) fn read_all<'f>(
        &self,
        folders: &[&'f PathBuf],
        known: &Indexed,
        entries: &mut Vec<RunEntry>,
        progress: &dyn Fn(usize, usize),
    ) -> Vec<(&'f PathBuf, JobError)> {
        let (mut unread, mut added) = (Vec::new(), entries.len());
        let keep = |kept: std::io::Result<()>| {
            // The next start only takes longer.
            if let Err(error) = kept {
                tracing::warn!(error = chain(&error), "cannot write the index of runs");
            }
        };
        if !folders.is_empty() && !known.can_be_continued() {
            keep(self.index.write(entries, known.largest()));
        }
        for (done, one) in folders.iter().enumerate() {
            progress(done, folders.len());
            match read(one) {
                Ok((record, sha256)) => {
                    let listed = place_of(one).unwrap_or(0);
                    entries.push(RunEntry { listed, ..RunEntry::of(one, &record, sha256) });
                }
                Err(error) => unread.push((*one, error)),
            }
            if entries.len() - added == AT_ONCE {
                keep(self.index.add_all(&entries[added..]));
                added = entries.len();
            }
        }
        unread
    }
}

/// The record in a folder, and the SHA-256 of its bytes. A record that contradicts the journal beside it is not believed.
fn read(run: &Path) -> Result<(Record, String), JobError> {
    let path = run.join(folder::RECORD);
    let bytes =
        disk::read(&path).map_err(|source| JobError::File { what: "read", path: path.clone(), source })?;
    let record = match serde_json::from_slice(&bytes) {
        Ok(record) => record,
        Err(source) => return Err(JobError::NotARecord { path, source }),
    };
    let doubts = record_doubts(run, &record, &bytes);
    if !doubts.is_empty() {
        return Err(JobError::NotTrusted { path, why: doubts.join("; ") });
    }
    Ok((record, sha256_hex(&bytes)))
}
