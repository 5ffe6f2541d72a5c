//! Index of the finished runs in a folder: saves reading every record at the start. It is a copy of what the records say, and is never
//! believed over them: an entry counts only as long as size and times of its record file are those that it was made from.
//!
//! The first line is [`MAGIC`], the largest number of any run so far, the largest place in the order of listing, and the CRC-32C of what is
//! before it, with spaces between them. Every other line is the CRC-32C of its rest in 8 hexadecimal digits, a space, and the entry as JSON.
//! A finished run appends a line. The file is written anew if it does not fit the folder. It may be deleted at any time.

use crate::run_entry::RunEntry;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use tripbench_runner::{disk, folder};

/// Name of the file.
const FILE: &str = "runs.index";
/// Start of the first line.
const MAGIC: &str = "tripbench-runs 4 ";

/// Identity of a record file. A change of its content changes at least the time of its last change, which programs cannot set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
struct Stamp {
    bytes: u64,
    modified: (i64, i64),
    changed: (i64, i64),
}

impl Stamp {
    fn of(run: &Path) -> io::Result<Self> {
        let file = std::fs::metadata(run.join(folder::RECORD))?;
        Ok(Self {
            bytes: file.size(),
            modified: (file.mtime(), file.mtime_nsec()),
            changed: (file.ctime(), file.ctime_nsec()),
        })
    }
}

/// A line of the index.
#[derive(Debug, Serialize, Deserialize)]
struct Line {
    /// Name of the folder of the run.
    folder: String,
    stamp: Stamp,
    entry: RunEntry,
}

/// The index of a folder of runs.
#[derive(Debug)]
pub(crate) struct Index {
    path: PathBuf,
}

/// The content of an index file.
#[derive(Debug, Default)]
pub(crate) struct Indexed {
    /// Lines by the name of the folder.
    lines: BTreeMap<String, Line>,
    /// Entries that were taken and do not fit their records, by the name of the folder.
    former: BTreeMap<String, RunEntry>,
    /// Whether the file is as it would be written now.
    fits: bool,
    /// The largest numbers in it.
    largest: Largest,
}

/// The largest numbers of all runs so far, also of those whose folders were deleted; 0 without any.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Largest {
    /// Number of a run.
    pub(crate) number: u64,
    /// Place in the order in which finished runs were listed.
    pub(crate) listed: u64,
}

impl Largest {
    /// Takes a run into account.
    pub(crate) fn with(self, entry: &RunEntry) -> Self {
        Self { number: self.number.max(entry.number.unwrap_or(0)), listed: self.listed.max(entry.listed) }
    }
}

impl Index {
    /// The index of a folder of runs.
    pub(crate) fn of(runs: &Path) -> Self {
        Self { path: runs.join(FILE) }
    }

    /// Reads the index. Lines that are damaged are left out; a missing file is empty.
    pub(crate) fn read(&self) -> Indexed {
        let bytes = disk::read(&self.path).unwrap_or_default();
        let text = String::from_utf8_lossy(&bytes);
        let Some((first, body)) = text.split_once('\n').filter(|(first, _)| first.starts_with(MAGIC)) else {
            return Indexed::default();
        };
        let largest = largest_in(first);
        let mut indexed =
            Indexed { fits: largest.is_some(), largest: largest.unwrap_or_default(), ..Indexed::default() };
        for line in body.split_inclusive('\n') {
            match parse(line) {
                Some(line) => {
                    indexed.largest = indexed.largest.with(&line.entry);
                    indexed.fits &= indexed.lines.insert(line.folder.clone(), line).is_none();
                }
                None => indexed.fits = false,
            }
        }
        indexed
    }

    /// Appends a finished run.
    ///
    /// # Errors
    /// If the record or the index cannot be read or written.
    pub(crate) fn add(&self, entry: &RunEntry) -> io::Result<()> {
        let Some(line) = line_of(entry)? else { return Ok(()) };
        disk::append(&self.path, line.as_bytes())
    }

    /// Appends runs whose records were read, so that a start that is cut off need not read them again. Places may be missing.
    ///
    /// # Errors
    /// If the index cannot be written.
    pub(crate) fn add_all(&self, entries: &[RunEntry]) -> io::Result<()> {
        let lines: String = entries.iter().filter_map(|entry| line_of(entry).ok().flatten()).collect();
        disk::append(&self.path, lines.as_bytes())
    }

    /// Writes the index anew; `largest` are the largest numbers of any run so far.
    ///
    /// # Errors
    /// If it cannot be written.
    pub(crate) fn write(&self, entries: &[RunEntry], largest: Largest) -> io::Result<()> {
        let first = format!("{MAGIC}{} {}", largest.number, largest.listed);
        let mut text = format!("{first} {:08x}\n", crc32c::crc32c(first.as_bytes()));
        for entry in entries {
            // A record that disappeared meanwhile is left out.
            text.push_str(&line_of(entry).ok().flatten().unwrap_or_default());
        }
        disk::write_file(&self.path, text.as_bytes())
    }
}

impl Indexed {
    /// The entry of a run with a record, if the record file is the one that the entry was made from. Each entry can be taken once.
    pub(crate) fn take(&mut self, run: &Path) -> Option<RunEntry> {
        let line = self.lines.remove(run.file_name()?.to_str()?)?;
        let is_same = Stamp::of(run).is_ok_and(|now| now == line.stamp);
        self.fits &= is_same;
        let entry = RunEntry { folder: run.to_owned(), indexed: is_same, ..line.entry };
        if is_same {
            return Some(entry);
        }
        self.former.insert(line.folder, entry);
        None
    }

    /// The entry of a run that was taken and does not fit its record: what was known of the run before.
    pub(crate) fn former(&mut self, run: &Path) -> Option<RunEntry> {
        self.former.remove(run.file_name()?.to_str()?)
    }

    /// Whether its lines, of which all entries were taken, can be continued. Otherwise the file has to be written anew.
    pub(crate) const fn can_be_continued(&self) -> bool {
        self.fits
    }

    /// Whether the file fits the folder, of which `read` records were not in it, once all entries were taken.
    pub(crate) fn fits(&self, read: usize) -> bool {
        self.fits && self.lines.is_empty() && read == 0
    }

    /// The largest numbers in the file.
    pub(crate) const fn largest(&self) -> Largest {
        self.largest
    }
}

/// The numbers in a first line; `None` if the line is damaged.
fn largest_in(first: &str) -> Option<Largest> {
    let (text, crc) = first.rsplit_once(' ')?;
    let is_whole = crc == format!("{:08x}", crc32c::crc32c(text.as_bytes()));
    let (number, listed) = text.strip_prefix(MAGIC)?.split_once(' ').filter(|_| is_whole)?;
    Some(Largest { number: number.parse().ok()?, listed: listed.parse().ok()? })
}

/// The line of an entry; `None` if the name of its folder is not text.
fn line_of(entry: &RunEntry) -> io::Result<Option<String>> {
    let Some(name) = entry.folder.file_name().and_then(|name| name.to_str()) else { return Ok(None) };
    let stamp = Stamp::of(&entry.folder)?;
    let line = Line { folder: name.to_owned(), stamp, entry: entry.clone() };
    let json = serde_json::to_string(&line)?;
    Ok(Some(format!("{:08x} {json}\n", crc32c::crc32c(json.as_bytes()))))
}

fn parse(line: &str) -> Option<Line> {
    let (crc, json) = line.strip_suffix('\n')?.split_once(' ')?;
    let is_whole = crc == format!("{:08x}", crc32c::crc32c(json.as_bytes()));
    serde_json::from_str(json).ok().filter(|_| is_whole)
}
