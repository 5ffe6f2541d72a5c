//! Several folders of one run: one was copied, by a file manager or from a backup. The run is shown from a folder whose files are sound.

use crate::run_entry::RunEntry;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};
use std::fs::OpenOptions;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use tripbench_record::{EventKind, RunHeader, journal};
use tripbench_runner::{disk, doubts, folder, stored, written_by_others};

/// Leaves one entry of each run, and returns those of its other folders. Sound files come first, then an entry that was listed before,
/// then the folder with the first name. The entry that is left names the records of the others that are sound too and differ: which of
/// them is right cannot be known.
pub(super) fn take_copies(entries: &mut Vec<RunEntry>) -> Vec<RunEntry> {
    let mut folders: BTreeMap<&str, usize> = BTreeMap::new();
    for entry in entries.iter() {
        *folders.entry(&entry.run).or_default() += 1;
    }
    let in_several = entries.iter().filter(|entry| folders[entry.run.as_str()] > 1);
    // A journal is long: only those of copies are read.
    let sound: BTreeSet<PathBuf> =
        in_several.filter(|entry| is_sound(&entry.folder)).map(|entry| entry.folder.clone()).collect();
    let rank = |entry: &RunEntry| (!sound.contains(&entry.folder), !entry.indexed, entry.folder.clone());
    entries.sort_by_cached_key(rank);
    let mut runs = BTreeSet::new();
    let copies: Vec<RunEntry> = entries.extract_if(.., |entry| !runs.insert(entry.run.clone())).collect();
    for entry in entries.iter_mut() {
        // The run keeps its place, from whichever folder it was listed.
        let places = copies.iter().filter(|copy| copy.run == entry.run).map(|copy| copy.listed);
        entry.listed = places.chain([entry.listed]).filter(|place| *place > 0).min().unwrap_or(0);
    }
    for entry in entries.iter_mut().filter(|entry| sound.contains(&entry.folder)) {
        let others = copies.iter().filter(|copy| copy.run == entry.run);
        let differ = others.filter(|copy| sound.contains(&copy.folder) && copy.sha256 != entry.sha256);
        entry.others = differ.map(|copy| copy.sha256.clone()).collect();
        entry.others.sort();
        entry.others.dedup();
    }
    copies
}

/// Sorts runs that were left open by their numbers. Of several folders of one run, the one with the longest undamaged journal comes first.
pub(super) fn longest_first(left_open: &mut [&PathBuf]) {
    left_open.sort_by_cached_key(|one| {
        let header = begun(one);
        let run = header.map(|header| (header.number, header.run));
        (run, Reverse(events(one)), (*one).clone())
    });
}

/// Number of events in the journal of a run; 0 if it is damaged.
fn events(run: &Path) -> usize {
    let bytes = disk::read(&run.join(folder::JOURNAL)).unwrap_or_default();
    journal::open(&bytes).map_or(0, |opened| opened.events.len())
}

/// Whether the checks of a run's journal hold, and trace and record are those that it gives.
fn is_sound(run: &Path) -> bool {
    stored(run).is_ok_and(|(record, trace)| {
        doubts(run, &record, &trace).is_empty() && written_by_others(run, &record, &trace).is_empty()
    })
}

/// The header in the first event of a journal, which may be damaged after it; `None` if no run began.
pub(super) fn begun(run: &Path) -> Option<RunHeader> {
    let journal = disk::open(&run.join(folder::JOURNAL), OpenOptions::new().read(true)).ok()?;
    let mut lines = BufReader::new(journal).split(b'\n');
    let mut first = lines.nth(1)?.ok()?;
    first.push(b'\n');
    if let EventKind::Started(header) = journal::event(&first)?.kind { Some(*header) } else { None }
}
