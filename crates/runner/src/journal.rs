//! The journal's writer: a thread of its own, so that the measuring loop never waits for the disk.
//!
//! Record before publish: a listener sees an event once it is written, and a check, a halt, a verdict or an end once it
//! is on the disk.

use rustix::fs::{FallocateFlags, fallocate};
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

/// What sees events once they are recorded. Called on the writer's thread; must be quick.
pub type Listener = Box<dyn FnMut(&Event) + Send>;

/// Longest time that a written line may wait for the disk.
const SYNC_EVERY: Duration = Duration::from_millis(250);
/// Events that may wait for the writer: about two seconds of scans at full speed.
pub(crate) const QUEUE: usize = 4_096;

/// Why a journal cannot be written.
#[derive(Debug, Error)]
pub enum JournalError {
    /// The file cannot be made, or there is not enough room for it.
    #[error("the journal `{path}` cannot be made")]
    Create {
        /// The file.
        path: String,
        /// Why not.
        #[source]
        source: io::Error,
    },
    /// There is not enough room on the disk.
    #[error("there is no room for the journal `{path}`: {bytes} bytes are needed")]
    NoRoom {
        /// The file.
        path: String,
        /// How much is needed.
        bytes: u64,
    },
    /// The queue is full: the disk is too slow.
    #[error("the journal is too far behind: the disk is too slow")]
    Behind,
    /// The writer has failed before.
    #[error("the journal's writer has failed")]
    Failed,
}

/// The writing end of a journal.
#[derive(Debug)]
pub struct JournalWriter {
    queue: Option<SyncSender<Event>>,
    written: Arc<AtomicU64>,
    failed: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl JournalWriter {
    /// Makes a new journal with room for `expected_bytes` and starts its writer.
    ///
    /// # Errors
    /// If the file exists, cannot be made, or there is no room for it.
    pub fn create(path: &Path, expected_bytes: u64, listener: Listener) -> Result<Self, JournalError> {
        let shown = || path.display().to_string();
        let create = |source| JournalError::Create { path: shown(), source };
        let mut file = OpenOptions::new().write(true).create_new(true).open(path).map_err(create)?;
        // Held as long as the run goes on: whoever opens the journal meanwhile finds it locked.
        file.try_lock().map_err(|_| JournalError::Failed)?;
        // A file system that cannot allocate beforehand answers otherwise: a full disk will then abort the run instead.
        if fallocate(&file, FallocateFlags::KEEP_SIZE, 0, expected_bytes) == Err(rustix::io::Errno::NOSPC) {
            return Err(JournalError::NoRoom { path: shown(), bytes: expected_bytes });
        }
        file.write_all(MAGIC.as_bytes()).and_then(|()| file.sync_data()).map_err(create)?;
        if let Some(folder) = path.parent() {
            File::open(folder).and_then(|folder| folder.sync_all()).map_err(create)?;
        }
        let (queue, events) = sync_channel(QUEUE);
        let (written, failed) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicBool::new(false)));
        let writer = Writer::new(file, listener, Arc::clone(&written));
        let failing = Arc::clone(&failed);
        let thread = std::thread::Builder::new().name(String::from("journal")).spawn(move || {
            if writer.run(&events).is_err() {
                failing.store(true, Ordering::SeqCst);
            }
        });
        Ok(Self { queue: Some(queue), written, failed, thread: Some(thread.map_err(create)?) })
    }

    /// Hands over an event; never waits.
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

    /// The last event that is written, if any.
    pub fn written(&self) -> Option<Seq> {
        self.written.load(Ordering::SeqCst).checked_sub(1).map(Seq)
    }

    /// Waits until everything is written.
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
enum WriteError {
    #[error(transparent)]
    Io(#[from] io::Error),
    #[error(transparent)]
    NotWritable(#[from] NotWritable),
}

struct Writer {
    file: File,
    listener: Listener,
    /// One more than the last event written.
    written: Arc<AtomicU64>,
    tally: Tally,
    last: Option<Seq>,
    /// Last event on the disk that no line has told of yet.
    durable: Option<Seq>,
    dirty: bool,
}

impl Writer {
    fn new(file: File, listener: Listener, written: Arc<AtomicU64>) -> Self {
        let mut tally = Tally::default();
        tally.add(MAGIC.as_bytes());
        Self { file, listener, written, tally, last: None, durable: None, dirty: false }
    }

    fn run(mut self, events: &Receiver<Event>) -> Result<(), WriteError> {
        let tick = Duration::from_millis(25);
        let mut synced = now();
        loop {
            match events.recv_timeout(tick) {
                Ok(event) => self.write(&event)?,
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return self.sync(),
            }
            if self.dirty && synced.elapsed() >= SYNC_EVERY {
                self.sync()?;
                synced = now();
            }
        }
    }

    fn write(&mut self, event: &Event) -> Result<(), WriteError> {
        let closing = matches!(event.kind, EventKind::Ended { .. });
        let text =
            if closing { closing_line(event, &self.tally)? } else { line(event, self.durable.take())? };
        self.file.write_all(text.as_bytes())?;
        self.tally.add(text.as_bytes());
        self.last = Some(event.seq);
        self.dirty = true;
        if event.kind.is_durable() {
            self.sync()?;
        }
        self.written.store(event.seq.0 + 1, Ordering::SeqCst);
        (self.listener)(event);
        Ok(())
    }

    /// A failed sync is final: it is never tried again.
    fn sync(&mut self) -> Result<(), WriteError> {
        if self.dirty {
            self.file.sync_data()?;
            self.dirty = false;
            self.durable = self.last;
        }
        Ok(())
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "how long lines have waited for the disk; no figure depends on it"
)]
fn now() -> Instant {
    Instant::now()
}
