//! One device that was left undecided, tested again with as many ramps as would decide it. The first record stays as it is; the new
//! one names it, and every repeat is counted.

use crate::{JobError, Loaded, carried, doubts, folder, load, stored, task};
use std::fs::OpenOptions;
use std::io::Write;
use std::path::{Path, PathBuf};
use thiserror::Error;
use tripbench_record::journal::MAGIC;
use tripbench_record::{
    Again, Motion, PositionPlan, PositionRecord, Record, StepTask, Verdict, Way, canonical_json, sha256_hex,
};
use tripbench_report::Content;
use tripbench_sheet::{Finding, Findings};

/// What tests a device again.
#[derive(Debug)]
pub struct GoOn {
    /// The sheets of the first run, its script with as many ramps as would decide it.
    pub loaded: Loaded,
    /// How many; `None` if more were not found to decide it.
    pub ramps: Option<u16>,
    /// The device and its place.
    pub position: PositionPlan,
    /// Who operated the first run.
    pub operators: Vec<String>,
    /// What the new record says of the first.
    pub again: Again,
    /// Whether no device was tested in the first.
    pub simulated: bool,
    /// Whether the first was made at a simulated module that said so: that can be tested again, and is no test of a device either.
    pub at_simulator: bool,
}

/// Why a device is not tested again from an earlier run.
#[derive(Debug, Error)]
pub enum AgainError {
    /// The folder cannot be read, or the repeat not be counted.
    #[error(transparent)]
    Job(#[from] JobError),
    /// The earlier run cannot be believed.
    #[error("`{}` cannot be gone on from: {doubt}", folder.display())]
    Doubt {
        /// Its folder.
        folder: PathBuf,
        /// Why.
        doubt: String,
    },
    /// It was tested again already.
    #[error(
        "position {position} of that run was tested again already, in `{}`: go on from that one",
        later.display()
    )]
    Already {
        /// The position.
        position: u8,
        /// Where.
        later: PathBuf,
    },
    /// No such position.
    #[error("`{}` has no position {position}; it has {there}", folder.display())]
    NoSuchPosition {
        /// The folder.
        folder: PathBuf,
        /// What was named.
        position: u8,
        /// What is there.
        there: String,
    },
    /// There is no judgement to go on from.
    #[error(
        "position {position} of `{}` has no judgement: aborted or set aside. Start it again as a new run",
        folder.display()
    )]
    NotJudged {
        /// The folder.
        folder: PathBuf,
        /// The position.
        position: u8,
    },
    /// It was decided.
    #[error(
        "position {position} was not left undecided in `{}`: {verdict}. What was decided is tested again as a new run, with the reason on paper",
        folder.display()
    )]
    Decided {
        /// The folder.
        folder: PathBuf,
        /// The position.
        position: u8,
        /// What it was decided to be.
        verdict: &'static str,
    },
    /// The sheets in the record are incomplete.
    #[error("the sheets in the record have errors: {}", .0.join("; "))]
    Sheets(Vec<String>),
}

/// What tests a position of a run again. `known` is the highest number that a test of this device has in records elsewhere, 0 where
/// there are none.
///
/// # Errors
/// If the run cannot be believed, or there is nothing to decide.
pub fn go_on(of: &Path, position: u8, known: u16) -> Result<GoOn, AgainError> {
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
    let mut loaded = load(&carried(&record, true), &findings);
    let sheets = loaded.sheets.clone().ok_or_else(|| {
        let texts = findings.into_sorted();
        AgainError::Sheets(texts.iter().map(|finding: &Finding| finding.render(false)).collect())
    })?;
    if let Some(ramps) = ramps {
        loaded.script = loaded.script.map(|script| script.with_ramps(ramps, way(&record)));
    }
    let plan = record.header.positions.iter().find(|plan| plan.number == position).cloned();
    let no_plan = || AgainError::NotJudged { folder, position };
    let content = Content { record: &record, style: sheets.site.style };
    Ok(GoOn {
        loaded,
        ramps,
        position: plan.ok_or_else(no_plan)?,
        operators: record.header.operators.clone(),
        again: earlier(&content, left, attempts)?,
        simulated: record.header.simulated,
        at_simulator: record.header.is_at_simulator(),
    })
}

/// Seconds that testing a position again takes, as the run would be planned; `None` if no number of ramps decides it.
pub fn foreseen_again(record: &Record, position: u8) -> Option<f64> {
    let left = record.positions.iter().find(|left| left.number == position)?;
    let ramps = left.checks.iter().filter_map(|check| check.to_decide.as_ref()?.ramps).max()?;
    let findings = Findings::new();
    let mut loaded = load(&carried(record, true), &findings);
    loaded.script = loaded.script.map(|script| script.with_ramps(ramps, way(record)));
    let plan = record.header.positions.iter().filter(|plan| plan.number == position).cloned().collect();
    task(&loaded, plan, &findings).map(|task| task.predicted().si())
}

/// The way in which the first run moved the air, where all its ramps were alike: the time that was foreseen is for that.
fn way(record: &Record) -> Option<Way> {
    record.header.steps.iter().find_map(|step| {
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

fn earlier(content: &Content<'_>, left: &PositionRecord, attempts: u16) -> Result<Again, JobError> {
    let record = content.record;
    Ok(Again {
        run: record.header.run.clone(),
        sha256: sha256_hex(&canonical_json(record).map_err(JobError::NotWritable)?),
        attempt: attempts + 1,
        found: format!("{}. {}", left.verdict.word(), content.sentence(left)),
    })
}

/// A repeat that was aborted, or of a device at a simulated module, has judged nothing: it counts, and the first run is gone on from
/// once more. Which test it was.
fn judged_nothing(later: &Path, position: u8, first: &Record) -> Option<u16> {
    let (record, _) = stored(later).ok()?;
    let left = record.positions.iter().find(|left| left.number == position)?;
    let nothing = left.verdict == Verdict::Aborted || (record.header.simulated && !first.header.simulated);
    nothing.then_some(record.header.again?.attempt)
}

/// File in the folder of a run that says where a position of it was tested again.
fn marker(position: u8) -> String {
    format!("again-{position}.txt")
}

/// Adds to the folder of a run where a position of it is tested again: every repeat is counted there.
///
/// # Errors
/// If it cannot be written.
pub fn mark(of: &Path, position: u8, later: &Path) -> Result<(), JobError> {
    let path = of.join(marker(position));
    let mut options = OpenOptions::new();
    let added = std::path::absolute(later).and_then(|later| {
        let mut file = options.create(true).append(true).open(&path)?;
        file.write_all(format!("{}\n", later.display()).as_bytes())?;
        file.sync_all()
    });
    added.map_err(|source| JobError::File { what: "count the repeat in", path, source })
}

/// The runs that the folder itself says repeat it, those that were begun.
fn marked(of: &Path, position: u8) -> Vec<PathBuf> {
    let text = std::fs::read_to_string(of.join(marker(position))).unwrap_or_default();
    text.lines().map(|line| PathBuf::from(line.trim())).filter(|later| was_begun(later)).collect()
}

/// Whether a folder has more than the head of a journal: a run for which there was no room has none.
fn was_begun(later: &Path) -> bool {
    let journal = std::fs::metadata(later.join(folder::JOURNAL)).map_or(0, |file| file.len());
    later.join(folder::RECORD).exists() || journal > MAGIC.len() as u64
}
