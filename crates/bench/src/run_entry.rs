//! A finished run as the list of runs has it.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use tripbench_record::{PositionPlan, PositionRecord, QuantityName, Record, RunHeader, Verdict};

/// The name of a rig as the name of a folder has it.
pub(crate) fn plain(rig: &str) -> String {
    rig.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect()
}

/// A finished run. A change of its fields needs another first line of the index.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunEntry {
    /// Identifier of the run.
    pub run: String,
    /// Its number in the folder of runs; `None` for a run that no daemon started.
    pub number: Option<u64>,
    /// Place in the order in which finished runs were listed: a record may be made long after that of a later run.
    pub listed: u64,
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
    /// Whether no device was tested, because rig or module is simulated.
    pub simulated: bool,
    /// Whether a sheet was a draft.
    pub trial: bool,
    /// Why the run was stopped early, in English, if it was.
    pub halted: Option<String>,
    /// SHA-256 of the bytes of its record, hexadecimal.
    pub sha256: String,
    /// SHA-256 of the records of this run in other folders, if their files are as sound as these and differ.
    #[serde(skip)]
    pub others: Vec<String>,
    /// Why its files cannot be trusted: then its positions have no verdicts, and nothing of the record counts.
    #[serde(skip)]
    pub untrusted: Option<String>,
    /// Whether the index had it when the daemon started.
    #[serde(skip)]
    pub(crate) indexed: bool,
    /// Its folder.
    #[serde(skip)]
    pub folder: PathBuf,
}

/// A position of a finished run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EntryPosition {
    /// Its number.
    pub position: u8,
    /// Serial number or own number.
    pub serial: String,
    /// The verdict; `None` if it is not known, because the files of the run cannot be trusted or a copy of them has another record.
    pub verdict: Option<Verdict>,
    /// Quantities that the verdict does not cover.
    pub not_checked: Vec<QuantityName>,
}

impl RunEntry {
    /// The entry of a record in a folder; `sha256` is that of its bytes.
    pub(crate) fn of(folder: &Path, record: &Record, sha256: String) -> Self {
        let position = |position: &PositionRecord| EntryPosition {
            position: position.number,
            serial: position.serial.clone(),
            verdict: Some(position.verdict),
            not_checked: position.not_checked.clone(),
        };
        Self {
            positions: record.positions.iter().map(position).collect(),
            halted: record.halted.as_ref().map(ToString::to_string),
            ..Self::of_header(folder, &record.header, sha256)
        }
    }

    /// The entry of a run whose files cannot be trusted: what its header says of it.
    pub(crate) fn untrusted(folder: &Path, header: &RunHeader, sha256: String, why: String) -> Self {
        let position = |plan: &PositionPlan| EntryPosition {
            position: plan.number,
            serial: plan.identity.serial.clone(),
            verdict: None,
            not_checked: Vec::new(),
        };
        Self {
            positions: header.positions.iter().map(position).collect(),
            untrusted: Some(why),
            ..Self::of_header(folder, header, sha256)
        }
    }

    /// The entry of a run of which only the folder is known. It is listed by the name of the folder.
    pub(crate) fn unknown(folder: &Path, sha256: String, why: String) -> Self {
        Self {
            run: folder.file_name().unwrap_or_default().to_string_lossy().into_owned(),
            number: None,
            listed: 0,
            rig: String::new(),
            started: String::new(),
            positions: Vec::new(),
            again: None,
            attempt: None,
            simulated: false,
            trial: false,
            halted: None,
            sha256,
            others: Vec::new(),
            untrusted: Some(why),
            indexed: false,
            folder: folder.to_owned(),
        }
    }

    /// Leaves out the verdicts and what else only a record says.
    pub(crate) fn drop_verdicts(&mut self) {
        self.halted = None;
        for position in &mut self.positions {
            (position.verdict, position.not_checked) = (None, Vec::new());
        }
    }

    /// Whether it is a run of a rig. The name of a folder has other names of rigs than their sheets, or none.
    pub(crate) fn is_of(&self, rig: &str) -> bool {
        let may_be = || self.rig.is_empty() || self.rig == plain(rig);
        self.rig == rig || (self.untrusted.is_some() && may_be())
    }

    /// Whether it tested a device with this serial number, or nothing says which devices it tested.
    pub fn may_have_tested(&self, serial: &str) -> bool {
        let is_unknown = self.untrusted.is_some() && self.positions.is_empty();
        is_unknown || self.positions.iter().any(|position| position.serial == serial)
    }

    fn of_header(folder: &Path, header: &RunHeader, sha256: String) -> Self {
        Self {
            run: header.run.clone(),
            number: header.number,
            listed: 0,
            rig: header.rig.clone(),
            started: header.started.clone(),
            positions: Vec::new(),
            again: header.again.as_ref().map(|again| again.run.clone()),
            attempt: header.again.as_ref().map(|again| again.attempt),
            simulated: header.simulated || header.is_at_simulator(),
            trial: header.trial,
            halted: None,
            sha256,
            others: Vec::new(),
            untrusted: None,
            indexed: false,
            folder: folder.to_owned(),
        }
    }

    /// Whether nothing that can be trusted says which number it has, so that it may be the last run.
    pub(crate) const fn may_be_last(&self) -> bool {
        self.untrusted.is_some() && self.number.is_none()
    }

    /// Key of the order in which runs began: by number. Wall time, in which an hour is repeated once a year and which can be set back, orders
    /// only the runs without a number, which come first. A run whose number is lost comes last: no verdict is shown in its place.
    pub(crate) fn order(&self) -> (u64, Option<Timestamp>) {
        let without = if self.may_be_last() { u64::MAX } else { 0 };
        (self.number.unwrap_or(without), self.started.parse().ok())
    }
}
