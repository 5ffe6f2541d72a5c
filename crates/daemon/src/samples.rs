//! Samples of a run for watchers: levels and changes of signals, as they are recorded.

use crate::feed::{Feed, FrameKind};
use crate::timing::RigTiming;
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};
use tripbench_bench::RunListener;
use tripbench_record::{Event, EventKind, LoadedSheets, RunView};
use tripbench_rig::{Decoder, DigitalInput, Scan};
use utoipa::ToSchema;

/// Age of a frame of samples after which the next event sends it, seconds.
const FRAME_S: f64 = 0.06;
/// Least time between two samples sent, seconds.
const SAMPLE_S: f64 = 0.03;

/// Levels and signals since the previous samples.
#[derive(Debug, Clone, PartialEq, Default, Serialize, ToSchema)]
pub(crate) struct Samples {
    /// Wall time of the start of the run, milliseconds since 1970.
    pub zero_ms: f64,
    /// Seconds since the start of the run.
    pub t: Vec<f64>,
    /// Levels in the unit of the site, as read, without zero correction.
    pub level: Vec<f64>,
    /// Changes of signals.
    pub changes: Vec<SignalChange>,
    /// Predicted time left, seconds.
    pub left_s: f64,
}

/// A change of a signal, or its state at the start.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct SignalChange {
    /// Seconds since the start of the run.
    pub t: f64,
    /// The position.
    pub position: u8,
    /// `switch` or `valve`.
    pub signal: &'static str,
    /// Whether the signal is on.
    pub on: bool,
}

/// Makes samples from the events of one run.
pub(crate) struct Sampler {
    feed: Arc<Feed>,
    sheets: Arc<LoadedSheets>,
    decoder: Decoder,
    /// Wall time of the run's time 0, milliseconds since 1970: the earliest that any event gives, because each arrives late.
    zero_ms: f64,
    samples: Samples,
    framed_s: f64,
    sampled_s: f64,
    signals: BTreeMap<(u8, &'static str), bool>,
    timing: RigTiming,
}

impl Sampler {
    pub(crate) fn new(feed: Arc<Feed>, sheets: Arc<LoadedSheets>, timing: RigTiming) -> Self {
        let decoder = Decoder::new(sheets.rig.read_plan());
        Self {
            feed,
            sheets,
            decoder,
            zero_ms: f64::INFINITY,
            samples: Samples::default(),
            framed_s: 0.0,
            sampled_s: f64::NEG_INFINITY,
            signals: BTreeMap::new(),
            timing,
        }
    }

    fn sample(&mut self, scan: &Scan, view: &RunView) {
        let Ok(read) = self.decoder.level(scan, &self.sheets.rig) else { return };
        let t_s = read.span.middle_seconds();
        self.changes(scan, t_s);
        if t_s - self.sampled_s >= SAMPLE_S {
            self.sampled_s = t_s;
            self.samples.t.push(rounded(t_s, 1e3));
            self.samples.level.push(rounded(self.sheets.site.style.value(read.value), 1e3));
        }
        self.samples.zero_ms = rounded(self.zero_ms, 10.0);
        if t_s - self.framed_s >= FRAME_S {
            self.framed_s = t_s;
            self.before_status(view);
        }
    }

    fn changes(&mut self, scan: &Scan, t_s: f64) {
        for position in &self.sheets.rig.positions {
            let number = *position.number;
            let inputs: [(&'static str, Option<&DigitalInput>); 2] =
                [("switch", Some(&position.switch)), ("valve", position.valve.as_ref())];
            for (signal, input) in inputs {
                let Some(bit) = input.and_then(|input| self.decoder.bit(scan, input)) else { continue };
                if self.signals.insert((number, signal), bit.on) != Some(bit.on) {
                    let change = SignalChange { t: rounded(t_s, 1e3), position: number, signal, on: bit.on };
                    self.samples.changes.push(change);
                }
            }
        }
    }
}

impl RunListener for Sampler {
    fn hears(&mut self, event: &Event, view: &RunView) {
        let zero_ms = now_ms() - event.at.seconds() * 1e3;
        self.zero_ms = self.zero_ms.min(zero_ms);
        self.timing.lag(zero_ms - self.zero_ms);
        if let EventKind::Scan(scan) = &event.kind {
            self.timing.scan(scan);
            self.sample(scan, view);
        }
    }

    /// Sends the samples and changes since the last frame.
    fn before_status(&mut self, view: &RunView) {
        if self.samples.t.is_empty() && self.samples.changes.is_empty() {
            return;
        }
        self.samples.left_s = rounded(view.progress().left.si(), 10.0);
        let samples = std::mem::take(&mut self.samples);
        if let Ok(text) = serde_json::to_string(&samples) {
            self.feed.push(FrameKind::Samples, &text);
        }
    }
}

/// A value rounded to a multiple of 1/`parts`.
pub(crate) fn rounded(value: f64, parts: f64) -> f64 {
    (value * parts).round() / parts
}

#[expect(clippy::disallowed_methods, reason = "shown to watchers; no figure depends on it")]
fn now_ms() -> f64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0.0, |since| since.as_secs_f64() * 1e3)
}
