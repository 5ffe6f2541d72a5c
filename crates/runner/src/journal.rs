//! The journal writer, on a thread of its own, so that the measuring loop never waits for the disk.
//!
//! Record before publish: a listener sees an event once it is written, and a check, a halt, a verdict or an end once it is on the disk.

use rustix::fs::{FallocateFlags, fallocate};
use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use thiserror::Error;
use tripbench_record::journal::{MAGIC, NotWritable, Tally, closing_line, line};
use tripbench_record::{Event, EventKind, Seq};

/// Receives events once they are recorded. Called on the thread of the writer, so it must return quickly.
pub type Listener = Box<dyn FnMut(&Event) + Send>;

/// What a journal is written to: a file, or a disk with faults in virtual time.
pub trait Medium: fmt::Debug + Send {
    /// Appends bytes. They survive the end of the program, but not that of the computer.
    ///
    /// # Errors
    /// If not all bytes could be written.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Makes everything that was appended survive the end of the computer.
    ///
    /// # Errors
    /// If it is unknown whether it would.
    fn sync(&mut self) -> io::Result<()>;

    /// Returns the reserved space that was not used.
    ///
    /// # Errors
    /// If that is not possible.
    fn trim(&mut self) -> io::Result<()>;
}

impl Medium for File {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }

    fn trim(&mut self) -> io::Result<()> {
        let length = self.metadata()?.len();
        self.set_len(length)
    }
}

/// Longest time from the writing of a line to its sync to the disk.
const SYNC_EVERY: Duration = Duration::from_millis(250);
/// Largest number of events that may wait for the writer: about two seconds of scans at full speed.
pub(crate) const QUEUE: usize = 4_096;

/// Why a journal cannot be written.
#[derive(Debug, Error)]
pub enum JournalError {
    /// The file or its thread cannot be created.
    #[error("the journal `{path}` cannot be created")]
    Create {
        /// The file.
        path: String,
        /// Cause.
        #[source]
        source: io::Error,
    },
    /// There is not enough space on the disk.
    #[error("not enough disk space for the journal `{path}`: {bytes} bytes are needed")]
    NoRoom {
        /// The file.
        path: String,
        /// Required space, bytes.
        bytes: u64,
    },
    /// The queue is full because the disk is too slow.
    #[error("the journal is too far behind: the disk is too slow")]
    Behind,
    /// The writer has failed.
    #[error("the journal writer has failed")]
    Failed,
}

/// A journal open for writing.
#[derive(Debug)]
pub struct JournalWriter {
    queue: Option<SyncSender<Event>>,
    written: Arc<AtomicU64>,
    failed: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl JournalWriter {
    /// Creates a journal, reserves `expected_bytes` for it and starts its writer.
    ///
    /// # Errors
    /// If the file exists or cannot be created or locked, the disk is full, or the thread cannot be spawned.
    pub fn create(path: &Path, expected_bytes: u64, listener: Listener) -> Result<Self, JournalError> {
        let shown = || path.display().to_string();
        let create = |source| JournalError::Create { path: shown(), source };
        let mut file = OpenOptions::new().write(true).create_new(true).open(path).map_err(create)?;
        // Held until the run ends, so that a program that opens the journal meanwhile finds it locked.
        file.try_lock().map_err(|_| JournalError::Failed)?;
        // A file system that cannot allocate in advance gives another error; then a full disk aborts the run instead.
        if fallocate(&file, FallocateFlags::KEEP_SIZE, 0, expected_bytes) == Err(rustix::io::Errno::NOSPC) {
            // Nothing is recorded in it.
            std::fs::remove_file(path).map_err(create)?;
            return Err(JournalError::NoRoom { path: shown(), bytes: expected_bytes });
        }
        file.write_all(MAGIC.as_bytes()).and_then(|()| file.sync_data()).map_err(create)?;
        if let Some(folder) = path.parent() {
            File::open(folder).and_then(|folder| folder.sync_all()).map_err(create)?;
        }
        let (queue, events) = sync_channel(QUEUE);
        let (written, failed) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicBool::new(false)));
        let mut listener = listener;
        let writer = Writer::new(Box::new(file), move |event| listener(&event), Arc::clone(&written));
        let failing = Arc::clone(&failed);
        let span = tracing::Span::current();
        let thread = std::thread::Builder::new().name(String::from("journal")).spawn(move || {
            let _in_run = span.entered();
            if let Err(error) = writer.run(&events) {
                tracing::error!(%error, "the journal cannot be written");
                failing.store(true, Ordering::SeqCst);
            }
        });
        Ok(Self { queue: Some(queue), written, failed, thread: Some(thread.map_err(create)?) })
    }

    /// Queues an event for writing, without blocking.
    ///
    /// # Errors
    /// If the writer has failed or is too far behind.
    pub fn send(&self, event: Event) -> Result<(), JournalError> {
        if self.failed.load(Ordering::SeqCst) {
            return Err(JournalError::Failed);
        }
        let queue = self.queue.as_ref().ok_or(JournalError::Failed)?;
        queue.try_send(event).map_err(|error| match error {
            TrySendError::Full(_) => JournalError::Behind,
            TrySendError::Disconnected(_) => JournalError::Failed,
        })
    }

    /// The last event that was written, if any.
    pub fn written(&self) -> Option<Seq> {
        self.written.load(Ordering::SeqCst).checked_sub(1).map(Seq)
    }

    /// Waits until every queued event is written and on the disk.
    ///
    /// # Errors
    /// If the writer has failed.
    pub fn finish(mut self) -> Result<(), JournalError> {
        self.queue = None;
        let joined = self.thread.take().is_none_or(|thread| thread.join().is_ok());
        if joined && !self.failed.load(Ordering::SeqCst) { Ok(()) } else { Err(JournalError::Failed) }
    }
}

#[derive(Debug, Error)]
pub(crate) enum WriteError {
    #[error(transparent)]
    Io(#[from] io::Error),
    #[error(transparent)]
    NotWritable(#[from] NotWritable),
}

/// Writes events to a medium that contains [`MAGIC`], and passes each on once it is recorded. An error is final: nothing is written
/// after it.
pub(crate) struct Writer<L> {
    medium: Box<dyn Medium>,
    listener: L,
    /// Number of written events: one more than the number of the last one, 0 before the first.
    written: Arc<AtomicU64>,
    tally: Tally,
    last: Option<Seq>,
    /// Last event known to be on the disk, until a line states it.
    durable: Option<Seq>,
    dirty: bool,
    /// Time of the last sync that was due.
    synced: Duration,
}

impl<L: FnMut(Event)> Writer<L> {
    pub(crate) fn new(medium: Box<dyn Medium>, listener: L, written: Arc<AtomicU64>) -> Self {
        let mut tally = Tally::default();
        tally.add(MAGIC.as_bytes());
        let synced = Duration::ZERO;
        Self { medium, listener, written, tally, last: None, durable: None, dirty: false, synced }
    }

    fn run(mut self, events: &Receiver<Event>) -> Result<(), WriteError> {
        let (tick, started) = (Duration::from_millis(25), now());
        loop {
            match events.recv_timeout(tick) {
                Ok(event) => self.write(event)?,
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return self.close(),
            }
            self.sync_if_due(started.elapsed())?;
        }
    }

    pub(crate) fn write(&mut self, event: Event) -> Result<(), WriteError> {
        self.record(&event)?;
        (self.listener)(event);
        Ok(())
    }

    /// Writes an event without passing it on.
    pub(crate) fn record(&mut self, event: &Event) -> Result<(), WriteError> {
        let closing = matches!(event.kind, EventKind::Ended { .. });
        let text =
            if closing { closing_line(event, &self.tally)? } else { line(event, self.durable.take())? };
        self.medium.append(text.as_bytes())?;
        self.tally.add(text.as_bytes());
        self.last = Some(event.seq);
        self.dirty = true;
        if event.kind.is_durable() {
            self.sync()?;
        }
        self.written.store(event.seq.0 + 1, Ordering::SeqCst);
        Ok(())
    }

    /// Passes an event on without writing it.
    pub(crate) fn pass_on(&mut self, event: Event) {
        (self.listener)(event);
    }

    /// Syncs the medium if that is due at a time since the start.
    pub(crate) fn sync_if_due(&mut self, now: Duration) -> Result<(), WriteError> {
        if self.dirty && now.saturating_sub(self.synced) >= SYNC_EVERY {
            self.sync()?;
            self.synced = now;
        }
        Ok(())
    }

    /// Syncs the medium and returns the reserved space that was not used.
    pub(crate) fn close(mut self) -> Result<(), WriteError> {
        self.sync()?;
        Ok(self.medium.trim()?)
    }

    /// Syncs the medium. A failed sync is final and is never retried.
    fn sync(&mut self) -> Result<(), WriteError> {
        if self.dirty {
            self.medium.sync()?;
            self.dirty = false;
            self.durable = self.last;
        }
        Ok(())
    }
}

#[expect(clippy::disallowed_methods, reason = "times the syncs of the journal; no figure depends on it")]
fn now() -> Instant {
    Instant::now()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use std::os::unix::fs::MetadataExt;
    use std::path::PathBuf;

    fn path(name: &str) -> PathBuf {
        let path = std::env::temp_dir().join(format!("tripbench-journal-{}-{name}", std::process::id()));
        drop(std::fs::remove_file(&path));
        path
    }

    #[rstest]
    fn reserved_space_that_was_not_used_is_returned(#[values(1, 8, 64)] mebibytes: u64) {
        let path = path(&format!("reserved-{mebibytes}"));
        let journal = JournalWriter::create(&path, mebibytes << 20, Box::new(|_| {})).expect("a journal");
        let blocks = || std::fs::metadata(&path).expect("a file").blocks() * 512;
        // A file system that cannot reserve space has nothing to return.
        let reserved = blocks();
        journal.finish().expect("it is written");
        assert!(blocks() <= 64 << 10, "{} of {reserved} bytes are still reserved", blocks());
        std::fs::remove_file(&path).expect("a file");
    }

    /// More than any disk here has, less than what a file may have.
    #[test]
    fn a_journal_without_room_leaves_no_file() {
        let path = path("no-room");
        let refused = JournalWriter::create(&path, 1 << 43, Box::new(|_| {}));
        assert!(matches!(refused, Err(JournalError::NoRoom { .. })));
        assert!(!path.exists());
    }
}
