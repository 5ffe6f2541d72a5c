//! Recovery of a journal whose program ended before the run did: valid events are kept, and the run is closed as aborted.

use crate::disk;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use thiserror::Error;
use tripbench_quantity::Mono;
use tripbench_record::journal::{Damaged, Ending, NotWritable, Opened, Tally, closing_line, line, open};
use tripbench_record::{Event, EventKind, Halt, Seq};

/// Why a journal cannot be recovered.
#[derive(Debug, Error)]
pub enum RecoverError {
    /// The journal cannot be read or written.
    #[error("the journal `{}` cannot be opened", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// Cause.
        #[source]
        source: std::io::Error,
    },
    /// The run is still in progress.
    #[error("the run of `{}` is still in progress: wait for its end, or end it", path.display())]
    StillGoing {
        /// The file.
        path: PathBuf,
    },
    /// The journal is damaged and was left unchanged.
    #[error("the journal `{}` is damaged and was left as it is", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// The damage.
        #[source]
        source: Damaged,
    },
    /// The closing events cannot be written.
    #[error(transparent)]
    NotWritable(#[from] NotWritable),
}

/// All events of a closed journal.
#[derive(Debug)]
pub struct Recovered {
    /// The events; the last one is an end.
    pub events: Vec<Event>,
    /// Whether the program had ended before the run did.
    pub was_open: bool,
}

/// Reads a journal. If it was left open, moves its torn tail to a file beside it and closes it as aborted, with `halt` as the reason unless
/// it already contains one.
///
/// # Errors
/// If it cannot be read or written, its run is still in progress, or it is damaged, in which case it stays unchanged.
pub fn recover(path: &Path, halt: Halt) -> Result<Recovered, RecoverError> {
    let io = |source| RecoverError::Io { path: path.to_owned(), source };
    let mut file = disk::open(path, OpenOptions::new().read(true).write(true)).map_err(io)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => return Err(RecoverError::StillGoing { path: path.to_owned() }),
        Err(TryLockError::Error(source)) => return Err(io(source)),
    }
    let mut bytes = Vec::new();
    file.read_to_end(&mut bytes).map_err(io)?;
    let mut opened =
        open(&bytes).map_err(|source| RecoverError::Damaged { path: path.to_owned(), source })?;
    if opened.ending == Ending::Complete {
        return Ok(Recovered { events: opened.events, was_open: false });
    }
    let (good, torn) = bytes.split_at(opened.good_bytes);
    if !torn.is_empty() {
        keep_torn(path, torn).map_err(io)?;
    }
    let text = close(&mut opened, good, torn, halt)?;
    let write = |file: &mut File| file.write_all(text.as_bytes()).and_then(|()| file.sync_data());
    append_or_cut(&mut file, opened.good_bytes as u64, write).map_err(io)?;
    Ok(Recovered { events: opened.events, was_open: true })
}

/// Writes behind the good part of a journal. If that fails, a part of what was written is no data, and is cut off again: the next attempt
/// would keep it as another tail.
fn append_or_cut(
    file: &mut File,
    good_bytes: u64,
    write: impl FnOnce(&mut File) -> std::io::Result<()>,
) -> std::io::Result<()> {
    file.set_len(good_bytes)?;
    file.seek(SeekFrom::End(0))?;
    write(file).inspect_err(|_| {
        let _or_it_is_kept = file.set_len(good_bytes);
    })
}

/// Keeps a torn tail beside the journal. An earlier attempt may have kept it already, or another one, with closing lines that were cut off
/// after it.
fn keep_torn(journal: &Path, torn: &[u8]) -> std::io::Result<()> {
    let path = journal.with_extension("torn");
    let mut kept = if path.exists() { disk::read(&path)? } else { Vec::new() };
    if kept.ends_with(torn) {
        return Ok(());
    }
    kept.extend_from_slice(torn);
    disk::write_file(&path, &kept)
}

/// The events in the bytes of a journal, closed as aborted if it was left open.
///
/// # Errors
/// If the journal is damaged, or the closing events cannot be written.
pub fn closed(bytes: &[u8], halt: Halt) -> Result<Vec<Event>, ClosedError> {
    let mut opened = open(bytes)?;
    if opened.ending != Ending::Complete {
        let (good, torn) = bytes.split_at(opened.good_bytes);
        close(&mut opened, good, torn, halt)?;
    }
    Ok(opened.events)
}

/// Why the bytes of a journal cannot be closed.
#[derive(Debug, Error)]
pub enum ClosedError {
    /// The journal is damaged.
    #[error(transparent)]
    Damaged(#[from] Damaged),
    /// The closing events cannot be written.
    #[error(transparent)]
    NotWritable(#[from] NotWritable),
}

/// Adds the events that close a journal, and returns their lines.
fn close(opened: &mut Opened, good: &[u8], torn: &[u8], halt: Halt) -> Result<String, NotWritable> {
    let mut tally = Tally::default();
    tally.add(good);
    let at = opened.events.last().map_or(Mono::START, |event| event.at);
    let halted = opened.events.iter().any(|event| matches!(event.kind, EventKind::Halted(_)));
    let mut kinds = vec![EventKind::Recovered { torn_bytes: torn.len() as u64 }];
    kinds.extend((!halted).then_some(EventKind::Halted(halt)));
    let mut text = String::new();
    for kind in kinds {
        let event = Event { seq: Seq(opened.events.len() as u64), at, kind };
        let line = line(&event, None)?;
        tally.add(line.as_bytes());
        text.push_str(&line);
        opened.events.push(event);
    }
    let end = Event { seq: Seq(opened.events.len() as u64), at, kind: EventKind::Ended { ended: None } };
    text.push_str(&closing_line(&end, &tally)?);
    opened.events.push(end);
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use tripbench_record::journal::MAGIC;

    /// The program was killed between keeping the tail and closing the journal.
    #[test]
    fn a_torn_tail_is_kept_once_however_often_it_is_tried() {
        let path = std::env::temp_dir().join(format!("tripbench-torn-twice-{}.journal", std::process::id()));
        let torn = path.with_extension("torn");
        drop(std::fs::remove_file(&torn));
        for tail in [b"a scan cut off", b"a scan cut off", b"another cut of"] {
            keep_torn(&path, tail).expect("kept");
        }
        assert_eq!(std::fs::read_to_string(&torn).expect("a tail"), "a scan cut offanother cut of");
        std::fs::remove_file(&torn).expect("a tail");
    }

    /// The first attempt was cut off by a full disk: the journal ends with a part of its closing lines.
    #[test]
    fn every_torn_tail_of_a_journal_is_kept() {
        let path = std::env::temp_dir().join(format!("tripbench-torn-{}.journal", std::process::id()));
        let torn = path.with_extension("torn");
        drop(std::fs::remove_file(&torn));
        for tail in ["a scan cut off", "a closing line cut off"] {
            std::fs::write(&path, format!("{MAGIC}{tail}")).expect("a journal");
            assert!(recover(&path, Halt::Killed).expect("closed").was_open);
        }
        assert_eq!(std::fs::read_to_string(&torn).expect("a tail"), "a scan cut offa closing line cut off");
        assert!(!recover(&path, Halt::Killed).expect("closed").was_open);
        std::fs::remove_file(&torn).expect("a tail");
        std::fs::remove_file(&path).expect("a journal");
    }

    /// The disk is full, or fails, after a part of the closing lines.
    #[rstest]
    fn closing_lines_that_were_cut_off_are_removed(#[values("", "0", "0123abcd 1 10 reco")] written: &str) {
        let path =
            std::env::temp_dir().join(format!("tripbench-cut-{}-{}", std::process::id(), written.len()));
        std::fs::write(&path, format!("{MAGIC}a scan cut off")).expect("a journal");
        let mut file = OpenOptions::new().read(true).write(true).open(&path).expect("a journal");
        let failed = append_or_cut(&mut file, MAGIC.len() as u64, |file| {
            file.write_all(written.as_bytes())?;
            Err(std::io::ErrorKind::StorageFull.into())
        });
        assert_eq!(failed.expect_err("it fails").kind(), std::io::ErrorKind::StorageFull);
        assert_eq!(std::fs::read_to_string(&path).expect("a journal"), MAGIC);
        std::fs::remove_file(&path).expect("a journal");
    }
}
