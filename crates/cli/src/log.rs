//! The log of a daemon: on standard error, never waited for.
//!
//! A terminal that was stopped, or a collector that hangs, must not keep a rig from being made safe: lines that find no room in the
//! queue are lost.

use crate::args::LogForm;
use std::io::{Result, Write};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;
use tripbench_sheet::{shown_in_line, shown_json};

/// Capacity of the queue, in lines.
const WAITING: usize = 1_000;

/// Starts writing the log.
pub(crate) fn begin(form: LogForm) {
    let (sender, receiver) = sync_channel(WAITING);
    std::thread::spawn(move || write_all(&receiver));
    let writer = move || Lines { queue: sender.clone(), form };
    // Without colours: what looks like one comes from elsewhere.
    let builder = tracing_subscriber::fmt().with_writer(writer).with_target(false).with_ansi(false);
    match form {
        LogForm::Text => builder.init(),
        LogForm::Json => builder.json().flatten_event(true).init(),
    }
}

/// Waits up to 0.5 s for the last lines to be written.
pub(crate) fn end() {
    const LOOKS: u32 = 50;
    for _ in 0..LOOKS {
        if LEFT.load(Ordering::SeqCst) == 0 {
            return;
        }
        std::thread::park_timeout(Duration::from_millis(10));
    }
}

/// Number of lines waiting.
static LEFT: AtomicUsize = AtomicUsize::new(0);

fn write_all(lines: &Receiver<Vec<u8>>) {
    for line in lines {
        let _nobody_reads = std::io::stderr().write_all(&line);
        LEFT.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Queues lines, with hidden characters as escapes; drops those that find no room.
struct Lines {
    queue: SyncSender<Vec<u8>>,
    form: LogForm,
}

impl Lines {
    /// A line as a terminal may show it.
    fn shown(&self, line: &[u8]) -> Vec<u8> {
        let text = String::from_utf8_lossy(line);
        match self.form {
            LogForm::Text => format!("{}\n", shown_in_line(text.trim_end_matches('\n'))).into_bytes(),
            LogForm::Json => shown_json(&text).into_owned().into_bytes(),
        }
    }
}

impl Write for Lines {
    fn write(&mut self, line: &[u8]) -> Result<usize> {
        LEFT.fetch_add(1, Ordering::SeqCst);
        if self.queue.try_send(self.shown(line)).is_err() {
            LEFT.fetch_sub(1, Ordering::SeqCst);
        }
        Ok(line.len())
    }

    fn flush(&mut self) -> Result<()> {
        Ok(())
    }
}
