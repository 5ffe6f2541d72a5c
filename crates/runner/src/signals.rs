//! Signals that end a run or a daemon.

use rustix::process::Signal as ProcessSignal;
use std::future::poll_fn;
use std::task::Poll;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// Signals that would end or suspend this process, possibly with a valve open, if they were not handled; each with its sender, empty if
/// not a person. SIGKILL and SIGSTOP cannot be handled; the loss-of-master timeout of the module covers them.
const STOPPING: [(ProcessSignal, &str); 12] = [
    (ProcessSignal::INT, "the keyboard"),
    (ProcessSignal::QUIT, "the keyboard"),
    (ProcessSignal::TSTP, "the keyboard (Ctrl-Z)"),
    (ProcessSignal::TERM, ""),
    (ProcessSignal::HUP, ""),
    (ProcessSignal::USR1, ""),
    (ProcessSignal::USR2, ""),
    (ProcessSignal::ALARM, ""),
    (ProcessSignal::VTALARM, ""),
    (ProcessSignal::PROF, ""),
    (ProcessSignal::XCPU, ""),
    (ProcessSignal::XFSZ, ""),
];
/// Signals of terminal job control that are handled and ignored.
const PASSED_OVER: [ProcessSignal; 2] = [ProcessSignal::TTIN, ProcessSignal::TTOU];

/// Handlers for the signals that end a run. As long as this value exists, these signals do not end the process, and those of terminal job
/// control are ignored.
#[derive(Debug)]
pub struct Signals {
    stopping: Vec<(Signal, &'static str)>,
    _passed_over: Vec<Option<Signal>>,
}

impl Signals {
    /// Installs the handlers. Must be called within a runtime.
    pub fn take() -> Self {
        let taken = |which: ProcessSignal| signal(SignalKind::from_raw(which.as_raw())).ok();
        let passed_over = PASSED_OVER.into_iter().map(taken).collect();
        let stopping = STOPPING.into_iter().filter_map(|(which, by)| Some((taken(which)?, by))).collect();
        Self { stopping, _passed_over: passed_over }
    }

    /// Waits for the next signal and returns its sender, empty if not a person.
    pub async fn first(&mut self) -> &'static str {
        poll_fn(|context| {
            let received = self.stopping.iter_mut().find_map(|(signal, by)| {
                matches!(signal.poll_recv(context), Poll::Ready(Some(()))).then_some(*by)
            });
            received.map_or(Poll::Pending, Poll::Ready)
        })
        .await
    }
}
