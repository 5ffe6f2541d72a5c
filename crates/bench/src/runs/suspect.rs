//! Runs whose files cannot be trusted: what is still known of them. None of them vanishes from the list, and no number is given twice,
//! whichever of their files is damaged.

use super::copies::begun;
use crate::run_entry::{RunEntry, plain};
use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use serde::Deserialize;
use std::fs::OpenOptions;
use std::io::{BufRead, BufReader};
use std::path::Path;
use tripbench_record::{EventKind, RunHeader, journal, sha256_hex};
use tripbench_runner::{disk, folder};

/// Before the number of a run in the name of its folder.
const NUMBER: &str = "run";
/// Form of the local time with which the name of a folder begins.
const STAMP: &str = "%Y-%m-%d-%H%M%S";
/// Length of that time.
const STAMP_LENGTH: usize = 17;

/// Name of the folder of a run, which begins with the local time.
pub(super) fn folder_name(rig: &str, number: u64, run: &str) -> String {
    let stamp = jiff::ZonedDateTime::now().strftime(STAMP).to_string();
    let tail = run.rsplit('-').next().unwrap_or(run);
    format!("{stamp}-{}-{NUMBER}{number}-{tail}", plain(rig))
}

/// What the name of a folder says of its run.
#[derive(Debug, Default)]
struct Named<'n> {
    started: Option<Timestamp>,
    rig: &'n str,
    number: Option<u64>,
}

impl<'n> Named<'n> {
    fn of(run: &'n Path) -> Self {
        let name = run.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        let Some((stamp, rest)) = name.split_at_checked(STAMP_LENGTH) else { return Self::default() };
        let Ok(local) = DateTime::strptime(STAMP, stamp) else { return Self::default() };
        let started = TimeZone::system().to_timestamp(local).ok();
        // An earlier version left the number out.
        let front =
            rest.strip_prefix('-').and_then(|rest| rest.rsplit_once('-')).map_or("", |(front, _)| front);
        let number = |(rig, number): (&'n str, &str)| Some((rig, number.strip_prefix(NUMBER)?.parse().ok()?));
        match front.rsplit_once('-').and_then(number) {
            Some((rig, number)) => Self { started, rig, number: Some(number) },
            None => Self { started, rig: front, number: None },
        }
    }
}

/// The number of a run in the name of its folder, whatever the folder contains.
pub(super) fn named_number(run: &Path) -> Option<u64> {
    Named::of(run).number
}

/// What is known of a run whose files cannot be trusted: from the checked first event of its journal, otherwise from `former`, its entry in
/// the index, from the header of the record, which nothing confirms, or from the name of its folder.
pub(super) fn suspect(run: &Path, former: Option<RunEntry>, why: String) -> RunEntry {
    let record = disk::read(&run.join(folder::RECORD)).unwrap_or_default();
    let sha256 = if record.is_empty() { String::new() } else { sha256_hex(&record) };
    if let Some(header) = begun(run) {
        return RunEntry::untrusted(run, &header, sha256, why);
    }
    if let Some(former) = former {
        let mut former = RunEntry { sha256, untrusted: Some(why), ..former };
        former.drop_verdicts();
        return former;
    }
    let Named { started, rig, number } = Named::of(run);
    match serde_json::from_slice::<OnlyHeader>(&record) {
        Ok(OnlyHeader { header }) => {
            let number = number.or(header.number);
            RunEntry { number, ..RunEntry::untrusted(run, &header, sha256, why) }
        }
        Err(_) => {
            let changed = || Timestamp::try_from(run.metadata().ok()?.modified().ok()?).ok();
            let started = started.or_else(changed).map_or_else(String::new, |at| at.to_string());
            RunEntry { number, rig: rig.to_owned(), started, ..RunEntry::unknown(run, sha256, why) }
        }
    }
}

/// A record of which only the header is read.
#[derive(Deserialize)]
struct OnlyHeader {
    header: RunHeader,
}

/// Whether no run began in a folder: nothing in it is of a run but a journal without events, or one that was closed without them.
pub(super) fn never_began(run: &Path) -> bool {
    let of_a_run = |line: Vec<u8>| {
        let kind = journal::event(&[&line[..], b"\n"].concat()).map(|event| event.kind);
        let closes = |kind| {
            matches!(kind, EventKind::Recovered { .. } | EventKind::Halted(_) | EventKind::Ended { .. })
        };
        kind.is_some_and(|kind| !closes(kind))
    };
    let has_events = |path: &Path| {
        let lines =
            disk::open(path, OpenOptions::new().read(true)).map(|file| BufReader::new(file).split(b'\n'));
        lines.is_ok_and(|lines| lines.map_while(Result::ok).any(of_a_run))
    };
    let journal = run.join(folder::JOURNAL);
    let others = [folder::RECORD, folder::TRACE, folder::REPORT];
    !others.iter().any(|file| run.join(file).exists())
        && !has_events(&journal)
        && !has_events(&journal.with_extension("torn"))
}
