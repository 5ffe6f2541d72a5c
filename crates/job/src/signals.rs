//! Signals that end a run, or a daemon.

use rustix::process::Signal as ProcessSignal;
use std::future::poll_fn;
use std::task::Poll;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// Signals that would end or stop this process, with a valve open, if nobody took them: Ctrl-Z first of all. Only SIGKILL and
/// SIGSTOP cannot be taken; for them the module's own loss-of-master timeout is there.
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
/// Signals that only ask for the terminal: taken and passed over.
const PASSED_OVER: [ProcessSignal; 2] = [ProcessSignal::TTIN, ProcessSignal::TTOU];

/// Waits for the first signal that ends a run; who sent it, or nothing where no person did. As long as this is held the others are
/// taken too, and those that only ask for the terminal are passed over.
#[derive(Debug)]
pub struct Signals {
    stopping: Vec<(Signal, &'static str)>,
    _passed_over: Vec<Option<Signal>>,
}

impl Signals {
    /// Takes the signals. Needs a runtime.
    pub fn take() -> Self {
        let taken = |which: ProcessSignal| signal(SignalKind::from_raw(which.as_raw())).ok();
        let passed_over = PASSED_OVER.into_iter().map(taken).collect();
        let stopping = STOPPING.into_iter().filter_map(|(which, by)| Some((taken(which)?, by))).collect();
        Self { stopping, _passed_over: passed_over }
    }

    /// Waits for the first.
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
