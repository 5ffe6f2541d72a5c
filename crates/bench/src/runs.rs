//! The runs of a bench as folders, each with journal, record, report and trace.

use crate::told::{Beside, RunTold};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use tripbench_job::{JobError, carried, folder, load, told};
use tripbench_record::{Halt, QuantityName, Record, Verdict};
use tripbench_sheet::Findings;

/// A finished run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunEntry {
    /// Identifier of the run.
    pub run: String,
    /// The rig.
    pub rig: String,
    /// Wall time of the start, RFC 3339.
    pub started: String,
    /// Serial numbers and verdicts by position.
    pub positions: Vec<EntryPosition>,
    /// The earlier run that it continues, for devices left undecided there.
    pub again: Option<String>,
    /// Number of the attempt, if it continues an earlier run.
    pub attempt: Option<u16>,
    /// Its folder.
    pub folder: PathBuf,
}

/// A position of a finished run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EntryPosition {
    /// Its number.
    pub position: u8,
    /// Serial number or own number.
    pub serial: String,
    /// The verdict.
    pub verdict: Verdict,
    /// Quantities that the verdict does not cover.
    pub not_checked: Vec<QuantityName>,
}

/// File in the folder of a run that marks its verdict as acknowledged.
const SEEN: &str = "seen";
/// Most retests of a device that are followed: a guard against cycles.
const MOST_REPEATS: u16 = 1_000;

/// The folder of all runs.
#[derive(Debug)]
pub struct Runs {
    folder: PathBuf,
    /// Finished runs, the newest last.
    entries: Mutex<Vec<RunEntry>>,
}

impl Runs {
    /// The runs of a folder that has not been read yet.
    pub(crate) fn of(path: &Path) -> Self {
        Self { folder: path.to_owned(), entries: Mutex::default() }
    }

    /// Creates the folder, closes runs left open in it as aborted, and reads all runs.
    ///
    /// # Errors
    /// If the folder cannot be created or read.
    pub(crate) fn open(&self) -> Result<(), JobError> {
        let path = &self.folder;
        let bad = |what| move |source| JobError::File { what, path: path.clone(), source };
        std::fs::create_dir_all(path).map_err(bad("make the folder"))?;
        let mut folders: Vec<PathBuf> = std::fs::read_dir(path)
            .map_err(bad("read the folder"))?
            .flatten()
            .map(|entry| entry.path())
            .collect();
        folders.sort();
        for one in folders.iter().filter(|one| one.join(folder::JOURNAL).exists()) {
            if let Err(error) = self.take_in(one) {
                tracing::error!(folder = %one.display(), %error, "a run cannot be read; left as it is");
            }
        }
        // Names of folders begin with local time, in which an hour is repeated once a year.
        let mut entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        entries.sort_by_key(|entry| entry.started.parse::<jiff::Timestamp>().ok());
        Ok(())
    }

    /// Reads an earlier run. A run that the program left open is closed as aborted, and its record is written.
    fn take_in(&self, one: &Path) -> Result<(), JobError> {
        let path = one.join(folder::RECORD);
        if path.exists() {
            let bad = |source| JobError::File { what: "read", path: path.clone(), source };
            let bytes = std::fs::read(&path).map_err(bad)?;
            let record: Record = serde_json::from_slice(&bytes)
                .map_err(|source| JobError::NotARecord { path: path.clone(), source })?;
            self.add(one, &record);
            return Ok(());
        }
        let view = told(&one.join(folder::JOURNAL), Halt::Killed)?.view;
        let (record, trace) = folder::record(&view).ok_or(JobError::NoRun)?;
        let sheets = load(&carried(&record, false), &Findings::new()).sheets.ok_or(JobError::NoRun)?;
        folder::write(one, &record, &trace, &sheets)?;
        tracing::warn!(folder = %one.display(), "a run was left open and is closed as aborted");
        self.add(one, &record);
        Ok(())
    }

    /// Creates the folder for a run: its name begins with the local time.
    ///
    /// # Errors
    /// If the folder cannot be created.
    pub(crate) fn folder(&self, rig: &str, run: &str) -> Result<PathBuf, JobError> {
        let stamp = jiff::ZonedDateTime::now().strftime("%Y-%m-%d-%H%M%S").to_string();
        let plain: String = rig.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect();
        let tail = run.rsplit('-').next().unwrap_or(run);
        let path = self.folder.join(format!("{stamp}-{plain}-{tail}"));
        folder::folder(Some(&path), &stamp)
    }

    /// A finished run.
    pub(crate) fn add(&self, path: &Path, record: &Record) {
        let position = |position: &tripbench_record::PositionRecord| EntryPosition {
            position: position.number,
            serial: position.serial.clone(),
            verdict: position.verdict,
            not_checked: position.not_checked.clone(),
        };
        let entry = RunEntry {
            run: record.header.run.clone(),
            rig: record.header.rig.clone(),
            started: record.header.started.clone(),
            positions: record.positions.iter().map(position).collect(),
            again: record.header.again.as_ref().map(|again| again.run.clone()),
            attempt: record.header.again.as_ref().map(|again| again.attempt),
            folder: path.to_owned(),
        };
        self.entries.lock().unwrap_or_else(PoisonError::into_inner).push(entry);
    }

    /// Finished runs of one rig or of all, the newest first.
    pub fn newest(&self, rig: Option<&str>, most: usize) -> Vec<RunEntry> {
        let entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        let wanted = entries.iter().rev().filter(|entry| rig.is_none_or(|rig| rig == entry.rig));
        wanted.take(most).cloned().collect()
    }

    /// Number of devices tested, by rig and verdict.
    pub fn counts(&self) -> Vec<(String, Verdict, usize)> {
        let entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        let mut counts: BTreeMap<(String, Verdict), usize> = BTreeMap::new();
        for entry in entries.iter() {
            for position in &entry.positions {
                *counts.entry((entry.rig.clone(), position.verdict)).or_default() += 1;
            }
        }
        counts.into_iter().map(|((rig, verdict), count)| (rig, verdict, count)).collect()
    }

    /// Folder of a finished run.
    pub fn find(&self, run: &str) -> Option<PathBuf> {
        let entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        entries.iter().find(|entry| entry.run == run).map(|entry| entry.folder.clone())
    }

    /// A finished run.
    pub(crate) fn entry(&self, run: &str) -> Option<RunEntry> {
        let entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        entries.iter().find(|entry| entry.run == run).cloned()
    }

    /// The runs that test a position of `run` again.
    pub(crate) fn repeats_of(&self, run: &str, position: u8) -> Vec<RunEntry> {
        let entries = self.entries.lock().unwrap_or_else(PoisonError::into_inner);
        let repeats = |entry: &&RunEntry| {
            entry.again.as_deref() == Some(run) && entry.positions.iter().any(|one| one.position == position)
        };
        entries.iter().filter(repeats).cloned().collect()
    }

    /// Stores that the verdict of a run was acknowledged, for the next start of the daemon.
    pub fn mark_seen(&self, run: &str) {
        let Some(entry) = self.entry(run) else { return };
        if let Err(error) = std::fs::write(entry.folder.join(SEEN), "") {
            tracing::warn!(run, %error, "cannot store that its verdict was acknowledged");
        }
    }

    /// The last run that tests a position of `run` again.
    pub(crate) fn repeat_of(&self, run: &str, position: u8) -> Option<RunEntry> {
        self.repeats_of(run, position).pop()
    }

    /// The devices of a round, each with its latest run; positions in `but` are left out. `run` is any run of the round.
    pub(crate) fn beside(&self, run: &str, but: &[u8]) -> Vec<Beside> {
        let Some(mut first) = self.entry(run) else { return Vec::new() };
        // A run that names itself would loop forever.
        let mut steps = 0;
        while let Some(earlier) = first.again.as_deref().and_then(|run| self.entry(run)) {
            first = earlier;
            steps += 1;
            if steps > MOST_REPEATS {
                return Vec::new();
            }
        }
        let mut known: BTreeMap<String, Option<Arc<RunTold>>> = BTreeMap::new();
        let mut beside = Vec::new();
        for position in first.positions.iter().map(|one| one.position).filter(|number| !but.contains(number))
        {
            let mut latest = first.clone();
            let mut steps = 0;
            while let Some(later) = self.repeat_of(&latest.run, position).filter(|_| steps < MOST_REPEATS) {
                latest = later;
                steps += 1;
            }
            let told = known.entry(latest.run.clone()).or_insert_with(|| kept(&latest.folder).map(Arc::new));
            beside.extend(told.iter().cloned().map(|told| Beside { position, told }));
        }
        beside
    }

    /// The last run of a rig, with the other devices of its round if it tests one of them again; and whether its verdict was acknowledged.
    pub(crate) fn last(&self, rig: &str) -> Option<(RunTold, bool)> {
        let entry = self.newest(Some(rig), 1).pop()?;
        let mut told = kept(&entry.folder)?;
        if entry.again.is_some() {
            let own: Vec<u8> = told.header.positions.iter().map(|plan| plan.number).collect();
            told.beside = self.beside(&entry.run, &own);
        }
        Some((told, entry.folder.join(SEEN).exists()))
    }
}

/// Reads a finished run from its folder.
fn kept(of: &Path) -> Option<RunTold> {
    let mut view = told(&of.join(folder::JOURNAL), Halt::Killed).ok()?.view;
    let (record, _) = folder::record(&view)?;
    let sheets = load(&carried(&record, false), &Findings::new()).sheets?;
    view.scans = Vec::new();
    Some(RunTold { kept: true, ..RunTold::new(view, sheets, of.to_owned())? })
}
