//! Numbered frames of a rig for its watchers, so that a watcher continues where it was after a lost connection.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::watch;

/// Kind of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum FrameKind {
    /// The complete state of the rig; replaces all earlier ones.
    State,
    /// Levels and digital signals since the previous frame of this kind.
    Samples,
}

impl FrameKind {
    /// Name of the event on the wire.
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::State => "state",
            Self::Samples => "samples",
        }
    }
}

/// One frame.
#[derive(Debug, Clone)]
pub(crate) struct Frame {
    /// Number of the frame, from 1, consecutive as long as the daemon runs.
    pub number: u64,
    /// Kind of the frame.
    pub kind: FrameKind,
    /// Content, as JSON.
    pub data: Arc<str>,
}

/// The frames of a rig: the last state, and the samples of the last few minutes.
#[derive(Debug)]
pub(crate) struct Feed {
    ring: Mutex<Ring>,
    newest: watch::Sender<u64>,
}

#[derive(Debug, Default)]
struct Ring {
    last: u64,
    frames: VecDeque<Frame>,
    state: Option<Frame>,
}

/// Number of frames of samples kept: four minutes at twelve per second.
const KEPT: usize = 3_000;

impl Default for Feed {
    fn default() -> Self {
        Self { ring: Mutex::default(), newest: watch::Sender::new(0) }
    }
}

impl Feed {
    /// Adds a frame and wakes the watchers; never waits for them.
    pub(crate) fn push(&self, kind: FrameKind, data: &str) {
        let mut ring = self.ring.lock().unwrap_or_else(PoisonError::into_inner);
        ring.last += 1;
        let frame = Frame { number: ring.last, kind, data: data.into() };
        match kind {
            FrameKind::State => ring.state = Some(frame),
            FrameKind::Samples => ring.frames.push_back(frame),
        }
        if ring.frames.len() > KEPT {
            ring.frames.pop_front();
        }
        let last = ring.last;
        drop(ring);
        self.newest.send_replace(last);
    }

    /// Discards the samples at the start of a new run. The numbering continues.
    pub(crate) fn begin(&self) {
        let mut ring = self.ring.lock().unwrap_or_else(PoisonError::into_inner);
        ring.frames.clear();
    }

    /// The frames after a number. Without a number, or with one larger than any of this feed: the present state and all samples kept. Only
    /// the last state is kept.
    pub(crate) fn after(&self, number: Option<u64>) -> Vec<Frame> {
        let ring = self.ring.lock().unwrap_or_else(PoisonError::into_inner);
        let known = number.filter(|number| *number <= ring.last).unwrap_or(0);
        let from = ring.frames.partition_point(|frame| frame.number <= known);
        let mut frames: Vec<Frame> = ring.frames.range(from..).cloned().collect();
        let state = ring.state.clone().filter(|state| state.number > known);
        // A new watcher gets the state first; one that continues gets it in order.
        let at = if known == 0 {
            0
        } else {
            state.as_ref().map_or(0, |state| frames.partition_point(|frame| frame.number < state.number))
        };
        if let Some(state) = state {
            frames.insert(at, state);
        }
        frames
    }

    /// Receiver of the number of the newest frame.
    pub(crate) fn newest(&self) -> watch::Receiver<u64> {
        self.newest.subscribe()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbers(frames: &[Frame]) -> Vec<u64> {
        frames.iter().map(|frame| frame.number).collect()
    }

    #[test]
    fn who_was_away_goes_on_where_it_was_and_a_state_that_was_replaced_is_left_out() {
        let feed = Feed::default();
        feed.push(FrameKind::State, "a");
        feed.push(FrameKind::Samples, "1");
        feed.push(FrameKind::State, "b");
        feed.push(FrameKind::Samples, "2");
        assert_eq!(numbers(&feed.after(None)), [3, 2, 4]);
        assert_eq!(numbers(&feed.after(Some(2))), [3, 4]);
        assert_eq!(numbers(&feed.after(Some(4))), Vec::<u64>::new());
        // A number from an earlier start of the daemon.
        assert_eq!(numbers(&feed.after(Some(40))), [3, 2, 4]);
    }

    #[test]
    fn the_state_outlives_the_ring() {
        let feed = Feed::default();
        feed.push(FrameKind::State, "a");
        (0..KEPT + 10).for_each(|_| feed.push(FrameKind::Samples, "s"));
        let frames = feed.after(None);
        assert_eq!(frames[0].number, 1);
        assert_eq!(frames.len(), KEPT + 1);
        feed.begin();
        assert_eq!(numbers(&feed.after(None)), [1]);
    }
}
