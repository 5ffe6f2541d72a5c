//! Repeat of the test of an undecided device, with the number of ramps that would decide it. The first record stays unchanged; the new one
//! names it, and every repeat is counted.

use crate::{JobError, Loaded, carried, disk, doubts, folder, load, stored, task};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use thiserror::Error;
use tripbench_judge::rig_is_suspected;
use tripbench_quantity::LevelStyle;
use tripbench_record::journal::MAGIC;
use tripbench_record::{
    Again, Check, LoadedSheets, Motion, PositionPlan, PositionRecord, Record, RunHeader, StepTask, Task,
    Verdict, Way, canonical_json, sha256_hex,
};
use tripbench_report::Content;
use tripbench_sheet::{Finding, Findings};

/// Everything needed to test a device again.
#[derive(Debug)]
pub struct Retest {
    /// The sheets of the first run, its script with the number of ramps that would decide the device.
    pub loaded: Loaded,
    /// That number; `None` if no number of ramps would decide it, so that the script is unchanged.
    pub ramps: Option<u16>,
    /// The device and its position.
    pub position: PositionPlan,
    /// Operators of the first run.
    pub operators: Vec<String>,
    /// Reference to the first run, for the new record.
    pub again: Again,
    /// Whether the first run was simulated.
    pub simulated: bool,
    /// Whether the first run used a module that identified itself as simulated. It can be repeated, as a simulated run.
    pub at_simulator: bool,
}

/// Why the test of a device cannot be repeated.
#[derive(Debug, Error)]
pub enum AgainError {
    /// The folder cannot be read, or the repeat cannot be counted.
    #[error(transparent)]
    Job(#[from] JobError),
    /// The earlier run is inconsistent.
    #[error("`{}` cannot be repeated: {doubt}", folder.display())]
    Doubt {
        /// Its folder.
        folder: PathBuf,
        /// The inconsistency.
        doubt: String,
    },
    /// The position was tested again already.
    #[error(
        "position {position} of that run was tested again already, in `{}`: repeat that run instead",
        later.display()
    )]
    Already {
        /// The position.
        position: u8,
        /// Folder of that repeat.
        later: PathBuf,
    },
    /// The run has no such position.
    #[error("`{}` has no position {position}; it has {there}", folder.display())]
    NoSuchPosition {
        /// The folder.
        folder: PathBuf,
        /// The requested position.
        position: u8,
        /// Positions of the run.
        there: String,
    },
    /// The run tested no device.
    #[error("`{}` tested no device: it is a rig check", folder.display())]
    NoDevice {
        /// The folder.
        folder: PathBuf,
    },
    /// The position was aborted or set aside.
    #[error(
        "position {position} of `{}` has no judgement: it was aborted or set aside. Start a new run",
        folder.display()
    )]
    NotJudged {
        /// The folder.
        folder: PathBuf,
        /// The position.
        position: u8,
    },
    /// The verdict was not undecided.
    #[error(
        "position {position} was not left undecided in `{}`: {verdict}. To test a decided device again, start a new run and note the reason",
        folder.display()
    )]
    Decided {
        /// The folder.
        folder: PathBuf,
        /// The position.
        position: u8,
        /// Its verdict.
        verdict: &'static str,
    },
    /// Other positions are late alike. Without them the repeat would judge the rig's fault as the device's.
    #[error(
        "the output of position {position} of `{}` may be as late as those at other positions, which are late alike. A test of this device alone cannot tell its delay from the rig's: look for the cause at the rig, then start a new run with a device that is known to be good beside it",
        folder.display()
    )]
    RigSuspected {
        /// The folder.
        folder: PathBuf,
        /// The position.
        position: u8,
    },
    /// The sheets in the record have errors.
    #[error("the sheets in the record have errors: {}", .0.join("; "))]
    Sheets(Vec<String>),
}

/// Prepares the repeat of one position of a run. `known` is the highest attempt number of this device in other records, 0 if there are
/// none.
///
/// # Errors
/// If the run cannot be read or is inconsistent, the position is missing, not undecided or was tested again already, the rig is suspected
/// because other positions are late alike, or the sheets in the record have errors.
pub fn retest(of: &Path, position: u8, known: u16) -> Result<Retest, AgainError> {
    let (record, trace) = stored(of)?;
    let folder = of.to_owned();
    if let Some(doubt) = doubts(of, &record, &trace).into_iter().next() {
        return Err(AgainError::Doubt { folder, doubt });
    }
    let mut attempts = record.header.again.as_ref().map_or(1, |again| again.attempt).max(known);
    for later in marked(of, position) {
        let was = judged_nothing(&later, position, &record).ok_or(AgainError::Already { position, later })?;
        attempts = attempts.max(was);
    }
    if record.positions.is_empty() {
        return Err(AgainError::NoDevice { folder });
    }
    let Some(left) = record.positions.iter().find(|left| left.number == position) else {
        let there: Vec<String> = record.positions.iter().map(|left| left.number.to_string()).collect();
        return Err(AgainError::NoSuchPosition { folder, position, there: there.join(", ") });
    };
    match left.verdict {
        Verdict::Undecided => {}
        Verdict::Aborted => return Err(AgainError::NotJudged { folder, position }),
        Verdict::Pass | Verdict::Fail | Verdict::Measured => {
            return Err(AgainError::Decided { folder, position, verdict: left.verdict.word() });
        }
    }
    let ramps = left.checks.iter().filter_map(|check| check.to_decide.as_ref()?.ramps).max();
    let findings = Findings::new();
    let mut loaded = load(&carried(&record.header, true), &findings);
    let sheets = loaded.sheets.clone().ok_or_else(|| {
        let texts = findings.into_sorted();
        AgainError::Sheets(texts.iter().map(|finding: &Finding| finding.render(false)).collect())
    })?;
    if rig_is_suspected(&judged(&record, &sheets), &checks_of(&record), position) {
        return Err(AgainError::RigSuspected { folder, position });
    }
    if let Some(ramps) = ramps {
        loaded.script = loaded.script.map(|script| script.with_ramps(ramps, way(&record.header)));
    }
    let plan = record.header.positions.iter().find(|plan| plan.number == position).cloned();
    let no_plan = || AgainError::NotJudged { folder, position };
    let style = sheets.site.style;
    Ok(Retest {
        loaded,
        ramps,
        position: plan.ok_or_else(no_plan)?,
        operators: record.header.operators.clone(),
        again: earlier(&record, (left, style), attempts)?,
        simulated: record.header.simulated,
        at_simulator: record.header.is_at_simulator(),
    })
}

/// The task of a recorded run.
fn judged(record: &Record, sheets: &Arc<LoadedSheets>) -> Task {
    let header = &record.header;
    Task {
        steps: header.steps.clone(),
        positions: header.positions.clone(),
        plan: header.plan.clone(),
        sheets: Arc::clone(sheets),
    }
}

fn checks_of(record: &Record) -> Vec<Check> {
    let all = record.positions.iter().flat_map(|position| &position.checks);
    all.map(|check| Check::clone(check)).collect()
}

/// Predicted duration of a repeat of a position that a run left so, seconds; `None` if no number of ramps would decide it.
pub fn retest_preview(header: &RunHeader, left: &PositionRecord) -> Option<f64> {
    let ramps = left.checks.iter().filter_map(|check| check.to_decide.as_ref()?.ramps).max()?;
    let findings = Findings::new();
    let mut loaded = load(&carried(header, true), &findings);
    loaded.script = loaded.script.map(|script| script.with_ramps(ramps, way(header)));
    let plan = header.positions.iter().filter(|plan| plan.number == left.number).cloned().collect();
    task(&loaded, plan, &findings).map(|task| task.predicted().si())
}

/// How the first run moved the level, if all its ramps were alike; the predicted duration applies to that.
fn way(header: &RunHeader) -> Option<Way> {
    header.steps.iter().find_map(|step| {
        let StepTask::SwitchPoints(ramps) = &step.task else { return None };
        match ramps.rising {
            Motion::FullFlow if !ramps.two_rates(true) && !ramps.two_rates(false) => Some(Way::FullFlow),
            Motion::Throttled => Some(Way::Throttled),
            Motion::FullFlow | Motion::Regulated { .. } | Motion::Pulses { .. } | Motion::ByHand { .. } => {
                None
            }
        }
    })
}

fn earlier(
    record: &Record,
    (left, style): (&PositionRecord, LevelStyle),
    attempts: u16,
) -> Result<Again, JobError> {
    Ok(Again {
        run: record.header.run.clone(),
        sha256: sha256_hex(&canonical_json(record).map_err(JobError::NotWritable)?),
        attempt: attempts + 1,
        found: format!("{}. {}", left.verdict.word(), Content::of(record, style).sentence(left)),
    })
}

/// Attempt number of a repeat that judged nothing, because it was aborted, or simulated although the first run was not. It counts as an
/// attempt, but the first run may be repeated once more.
fn judged_nothing(later: &Path, position: u8, first: &Record) -> Option<u16> {
    let (record, _) = stored(later).ok()?;
    let left = record.positions.iter().find(|left| left.number == position)?;
    let nothing = left.verdict == Verdict::Aborted || (record.header.simulated && !first.header.simulated);
    nothing.then_some(record.header.again?.attempt)
}

/// Name of the file in the folder of a run that lists the repeats of a position.
fn marker(position: u8) -> String {
    format!("again-{position}.txt")
}

/// Adds a repeat of a position to the list in the folder of the first run. Every repeat is counted there.
///
/// # Errors
/// If the list cannot be written.
pub fn mark(of: &Path, position: u8, later: &Path) -> Result<(), JobError> {
    let path = of.join(marker(position));
    let added = std::path::absolute(later)
        .and_then(|later| disk::append(&path, format!("{}\n", later.display()).as_bytes()));
    added.map_err(|source| JobError::File { what: "count the repeat in", path, source })
}

/// The repeats of a position that the folder lists and that were begun.
fn marked(of: &Path, position: u8) -> Vec<PathBuf> {
    let text = disk::read(&of.join(marker(position))).unwrap_or_default();
    String::from_utf8_lossy(&text)
        .lines()
        .map(|line| PathBuf::from(line.trim()))
        .filter(|later| was_begun(later))
        .collect()
}

/// Whether the journal of a folder has more than its first line. A run that was refused for lack of disk space has no more.
fn was_begun(later: &Path) -> bool {
    let journal = std::fs::metadata(later.join(folder::JOURNAL)).map_or(0, |file| file.len());
    later.join(folder::RECORD).exists() || journal > MAGIC.len() as u64
}
