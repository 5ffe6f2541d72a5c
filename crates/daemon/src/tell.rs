//! From a run's events to what is shown of it. Called on the journal's thread, once an event is recorded: must be quick.

use crate::feed::FrameKind;
use crate::rig::{Press, Rig};
use crate::state::{
    AdviceShown, Band, Figure, GuideShown, Question, Reason, RunState, Samples, SignalChange, StepNow,
    StepShown, Tile, verdict_key,
};
use serde::Serialize;
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};
use tripbench_device::{Expected, LevelLimits, expected};
use tripbench_job::foreseen_again;
use tripbench_quantity::LevelStyle;
use tripbench_record::{
    Check, CheckVerdict, Event, EventKind, Halt, LoadedSheets, PositionRecord, QuantityName, Record, Role,
    RunView, StepState, TraceRecord, Verdict,
};
use tripbench_report::{Advice, Content};
use tripbench_rig::{Decoder, DigitalInput, RigSheet, Scan};

/// Longest time between two frames of samples, seconds.
const FRAME_S: f64 = 0.06;
/// Least time between two states that are told because of figures found, seconds.
const STATE_S: f64 = 0.1;
/// Least time between two samples that are shown, seconds.
const SAMPLE_S: f64 = 0.03;

/// First scans of a run that are held against what was known when it was asked for.
const SCANS_HELD: u8 = 2;

/// Tells of one run.
pub(crate) struct Teller {
    rig: Arc<Rig>,
    sheet: RigSheet,
    style: LevelStyle,
    bands: Vec<Band>,
    decoder: Decoder,
    view: RunView,
    /// Wall time of the run's time 0, milliseconds since 1970: the earliest that any event allows, for each is heard late.
    zero_ms: f64,
    samples: Samples,
    framed_s: f64,
    sampled_s: f64,
    /// Whether something was found that was not told yet, and when the last state was told.
    due: bool,
    told_s: f64,
    signals: BTreeMap<(u8, &'static str), bool>,
    /// Whether a plug was seen, by position.
    plugs: BTreeMap<u8, bool>,
    /// What was known when the run was asked for, and its positions.
    asked: (Press, Vec<u8>),
    /// Scans so far that were held against that.
    held: u8,
}

impl Teller {
    /// `asked` is what was known when the run was asked for, and its positions.
    pub(crate) fn new(rig: Arc<Rig>, sheets: &LoadedSheets, asked: (Press, Vec<u8>)) -> Self {
        let (sheet, style) = (sheets.rig.clone(), sheets.site.style);
        let decoder = Decoder::new(sheet.read_plan());
        Self {
            rig,
            sheet,
            style,
            bands: bands(sheets),
            decoder,
            view: RunView::default(),
            zero_ms: f64::INFINITY,
            samples: Samples::default(),
            framed_s: 0.0,
            sampled_s: f64::NEG_INFINITY,
            due: false,
            told_s: f64::NEG_INFINITY,
            signals: BTreeMap::new(),
            plugs: BTreeMap::new(),
            asked,
            held: 0,
        }
    }

    /// Takes in a recorded event.
    pub(crate) fn hear(&mut self, event: &Event) {
        self.view.fold(event);
        self.zero_ms = self.zero_ms.min(now_ms() - event.at.seconds() * 1e3);
        if let EventKind::Scan(scan) = &event.kind {
            self.plugs(scan);
            // What is shown is not kept here: the journal has it.
            self.view.scans.clear();
            self.sample(scan);
            return;
        }
        match changes_what_is_shown(&event.kind) {
            Change::Nothing => {}
            Change::Soon => self.due = true,
            Change::AtOnce => self.tell(event.at.seconds()),
        }
    }

    /// Tells the run as it is. Over it is when record and report are there, which the worker tells.
    fn tell(&mut self, at_s: f64) {
        self.flush();
        (self.due, self.told_s) = (false, at_s);
        let state = run_state(&self.view, self.style, false);
        self.rig.run_told(state.map(|state| RunState { bands: self.bands.clone(), ..state }));
    }

    fn sample(&mut self, scan: &Scan) {
        let Ok(read) = self.decoder.level(scan, &self.sheet) else { return };
        let t_s = read.span.middle_seconds();
        self.changes(scan, t_s);
        if t_s - self.sampled_s >= SAMPLE_S {
            self.sampled_s = t_s;
            self.samples.t.push(rounded(t_s, 1e3));
            let level = self.style.value(read.value);
            self.samples.level.push(rounded(level, 1e3));
        }
        self.samples.zero_ms = rounded(self.zero_ms, 10.0);
        if t_s - self.framed_s >= FRAME_S {
            self.framed_s = t_s;
            self.flush();
        }
        if self.due && t_s - self.told_s >= STATE_S {
            self.tell(t_s);
        }
    }

    fn changes(&mut self, scan: &Scan, t_s: f64) {
        for position in &self.sheet.positions {
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

    /// Every look at a plug counts: also of positions that do not take part, and for a run that waits.
    fn plugs(&mut self, scan: &Scan) {
        let mut seen = Vec::new();
        for position in &self.sheet.positions {
            let number = *position.number;
            let bit = position.present.as_ref().and_then(|input| self.decoder.bit(scan, input));
            let Some(present) = bit.map(|bit| bit.on) else { continue };
            if self.plugs.insert(number, present) != Some(present) || !present {
                seen.push((number, Some(present)));
            }
        }
        if !seen.is_empty() {
            self.rig.saw_plugs(&seen);
        }
        self.hold_against();
    }

    /// Ends the run where a device may be another one than the one that was meant. The engine sets a position aside by itself where
    /// no plug is seen in two scans running.
    fn hold_against(&mut self) {
        if self.held >= SCANS_HELD {
            return;
        }
        self.held += 1;
        let (press, positions) = &self.asked;
        if let (Err(refusal), Some(header)) = (self.rig.check_plugs(press, positions), &self.view.header) {
            self.held = SCANS_HELD;
            self.rig.halt(&header.run, Halt::Operator { by: format!("tripbench: {refusal}") });
        }
    }

    fn flush(&mut self) {
        if self.samples.t.is_empty() && self.samples.changes.is_empty() {
            return;
        }
        self.samples.left_s = rounded(self.view.progress().left.si(), 10.0);
        let samples = std::mem::take(&mut self.samples);
        if let Ok(text) = serde_json::to_string(&samples) {
            self.rig.feed.push(FrameKind::Samples, &text);
        }
    }
}

/// What an event changes of what is shown.
enum Change {
    Nothing,
    /// One of many: told with others.
    Soon,
    AtOnce,
}

const fn changes_what_is_shown(kind: &EventKind) -> Change {
    match kind {
        EventKind::Scan(_)
        | EventKind::Mark(_)
        | EventKind::Thrown(_)
        | EventKind::Ordered { .. }
        | EventKind::Confirmed { .. }
        | EventKind::AnswerRefused(_) => Change::Nothing,
        EventKind::Cycle(..) | EventKind::Check(_) | EventKind::Verdict { .. } => Change::Soon,
        EventKind::Started(_)
        | EventKind::StepBegan(_)
        | EventKind::StepDone(_)
        | EventKind::Guide(_)
        | EventKind::Asked { .. }
        | EventKind::Answered { .. }
        | EventKind::Waiting(_)
        | EventKind::GoesOn
        | EventKind::SetAside(_)
        | EventKind::Doubt(_)
        | EventKind::Halted(_)
        | EventKind::Safe
        | EventKind::NotSafe
        | EventKind::Recovered { .. }
        | EventKind::Ended { .. } => Change::AtOnce,
    }
}

/// What is shown of a run that goes on, or is over and kept.
pub(crate) fn run_state(view: &RunView, style: LevelStyle, kept: bool) -> Option<RunState> {
    let header = view.header.as_ref()?;
    let nothing = TraceRecord { file: String::new(), sha256: String::new(), scans: 0 };
    let record = view.record(nothing)?;
    let over = kept && view.ended.is_some();
    let steps = header.steps.iter().zip(&view.steps).map(|(step, state)| StepShown {
        name: step.name.clone(),
        predicted_s: rounded(step.predicted.si(), 10.0),
        now: match state {
            StepState::Ahead => StepNow::Ahead,
            StepState::Running(_) => StepNow::Running,
            StepState::Done => StepNow::Done,
        },
    });
    let script = header.sheets.iter().find(|sheet| sheet.role == tripbench_record::SheetRole::Script);
    let sheet_name = |role| {
        let sheet = header.sheets.iter().find(|sheet| sheet.role == role)?;
        Some(format!("{} rev {}", sheet.name, sheet.revision))
    };
    Some(RunState {
        run: header.run.clone(),
        script: script.map_or_else(String::new, |script| script.name.clone()),
        started: header.started.clone(),
        over,
        steps: steps.collect(),
        cycle: view.cycle.map(|(cycle, of)| [cycle, of]),
        left_s: rounded(view.progress().left.si(), 10.0),
        guide: view.guide.filter(|_| !over).map(|guide| GuideShown {
            hint: guide.hint.word().to_owned(),
            toward: guide.toward.map(|level| style.level(level)),
        }),
        question: view
            .open
            .as_ref()
            .filter(|_| !over)
            .map(|(id, text)| Question { number: id.0, text: text.clone() }),
        waiting: view.waiting.as_ref().filter(|_| !over).map(reason),
        halted: view.halted.as_ref().map(reason),
        ended: view.ended.clone().flatten(),
        safe: view.safe,
        trial: header.trial,
        simulated: header.simulated,
        warnings: header.warnings.clone(),
        again_of: header.again.as_ref().map(|again| again.run.clone()),
        settings: sheet_name(tripbench_record::SheetRole::Settings),
        unit: style.unit.symbol().to_owned(),
        decimals: style.decimals(),
        bands: Vec::new(),
        tiles: record.positions.iter().map(|position| tile(&record, position, (style, over))).collect(),
    })
}

/// Limits of levels that the settings sheet gives.
fn bands(sheets: &LoadedSheets) -> Vec<Band> {
    let Some((settings, device)) = sheets.settings.as_ref().zip(sheets.device.as_ref()) else {
        return Vec::new();
    };
    let Expected { on, off, hysteresis: _, cut_off, resume } = expected(settings, device);
    let all = [
        (QuantityName::SwitchPoint, Some(on)),
        (QuantityName::ResetPoint, Some(off)),
        (QuantityName::CutOff, cut_off),
        (QuantityName::Resume, resume),
    ];
    let band = |(quantity, limits): (QuantityName, Option<LevelLimits>)| {
        let [low, high] =
            limits.map(|limits| [limits.low, limits.high])?.map(|level| sheets.site.style.value(level));
        Some(Band { quantity: quantity_key(quantity), low, high })
    };
    all.into_iter().filter_map(band).collect()
}

fn tile(record: &Record, position: &PositionRecord, (style, over): (LevelStyle, bool)) -> Tile {
    let content = Content { record, style };
    let verdict = if position.set_aside.is_some() { "set-aside" } else { verdict_key(position.verdict) };
    let aside = position.set_aside.is_some();
    let shown = if over { content.decided_by(position) } else { latest(position) };
    Tile {
        position: position.number,
        serial: position.serial.clone(),
        verdict: (over || aside).then(|| verdict.to_owned()),
        not_checked: position.not_checked.iter().filter(|_| over).copied().map(quantity_key).collect(),
        figure: shown.map(|check| figure(&content, check)),
        sentence: if over || aside { content.sentence(position) } else { String::new() },
        aside: position.set_aside.as_ref().map(|aside| reason(&aside.why)),
        advice: Advice::of(position, style).filter(|_| over).map(|next| advice(next, record)),
        also: if over { content.also_failed(position) } else { Vec::new() },
        can_be_decided: over
            && position.verdict == Verdict::Undecided
            && position
                .checks
                .iter()
                .any(|check| check.to_decide.as_ref().is_some_and(|needed| needed.ramps.is_some())),
        of_run: None,
        again_of: record.header.again.as_ref().map(|again| again.run.clone()),
        attempt: record.header.again.as_ref().map(|again| again.attempt),
    }
}

/// The required check that was judged last: the worst one where some are outside.
fn latest(position: &PositionRecord) -> Option<&Check> {
    let judged = || position.checks.iter().filter(|check| check.role == Role::Required);
    judged()
        .find(|check| check.verdict == CheckVerdict::Fail)
        .or_else(|| judged().find(|check| check.quantity == QuantityName::SwitchPoint))
        .or_else(|| judged().next_back())
}

fn figure(content: &Content<'_>, check: &Check) -> Figure {
    let row = content.row(check);
    Figure {
        quantity: quantity_key(check.quantity),
        value: row.value,
        uncertainty: row.uncertainty,
        limits: row.limits,
        place: row.place,
        outside: check.verdict == CheckVerdict::Fail,
    }
}

/// Word of a quantity in the record's own spelling.
fn quantity_key(quantity: QuantityName) -> String {
    word(&quantity)
}

/// The record's own word for something, or for its kind.
fn word(of: &impl Serialize) -> String {
    match serde_json::to_value(of) {
        Ok(Value::String(word)) => word,
        Ok(Value::Object(fields)) => fields.into_iter().next().map(|(word, _)| word).unwrap_or_default(),
        Ok(Value::Null | Value::Bool(_) | Value::Number(_) | Value::Array(_)) | Err(_) => String::new(),
    }
}

fn reason(of: &(impl Serialize + ToString)) -> Reason {
    Reason { kind: word(of), text: of.to_string() }
}

fn advice(advice: Advice, record: &Record) -> AdviceShown {
    let text = advice.to_string();
    let word = match advice {
        Advice::Set { quantity, from, to, by, direction } => {
            return AdviceShown::Set { quantity: quantity_key(quantity), from, to, by, direction };
        }
        Advice::Ramps { position, ramps, all, .. } => {
            let seconds = foreseen_again(record, position).map(f64::round);
            return AdviceShown::Ramps { ramps, seconds, all };
        }
        Advice::TestAgain => "test-again",
        Advice::KeepApart => "keep-apart",
        Advice::ApartAndAgain => "apart-and-again",
        Advice::AtLimit => "at-limit",
        Advice::Reduce { .. } => "reduce",
        Advice::NotHere => "not-here",
        Advice::SelectDelay => "select-delay",
        Advice::LookAtDelay => "look-at-delay",
        Advice::TwoRates => "two-rates",
        Advice::LetRest => "let-rest",
        Advice::LookAtOutput => "look-at-output",
        Advice::LookAtBench => "look-at-bench",
        Advice::LookAtInputs => "look-at-inputs",
        Advice::CloserCrossings => "closer-crossings",
    };
    AdviceShown::Other { word, text }
}

fn rounded(value: f64, parts: f64) -> f64 {
    (value * parts).round() / parts
}

#[expect(clippy::disallowed_methods, reason = "shown to those who watch; no figure depends on it")]
fn now_ms() -> f64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0.0, |since| since.as_secs_f64() * 1e3)
}
