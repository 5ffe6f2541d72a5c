//! State and result of one device in a run.

use super::reason::Reason;
use super::run::{AdviceShown, Figure, Tile};
use serde::Serialize;
use serde_json::Value;
use std::sync::Arc;
use tripbench_record::{Check, CheckVerdict, PositionRecord, QuantityName, Role, RunHeader, Verdict};
use tripbench_report::{Advice, Content};
use tripbench_runner::retest_preview;

/// State and result of a position. `over` is whether the run is finished.
pub(super) fn tile(content: &Content<'_>, position: &PositionRecord, over: bool) -> Tile {
    let (header, style) = (content.header, content.style);
    let verdict = if position.set_aside.is_some() { "set-aside" } else { verdict_key(position.verdict) };
    let aside = position.set_aside.is_some();
    let shown = if over { content.decided_by(position) } else { latest(position) };
    Tile {
        position: position.number,
        serial: position.serial.clone(),
        verdict: (over || aside).then(|| verdict.to_owned()),
        not_checked: position.not_checked.iter().filter(|_| over).copied().map(quantity_key).collect(),
        figure: shown.map(|check| figure(content, check)),
        sentence: if over || aside { content.sentence(position) } else { String::new() },
        aside: position.set_aside.as_ref().map(|aside| reason(&aside.why)),
        advice: Advice::of(position, style).filter(|_| over).map(|next| advice(next, header, position)),
        also: if over { content.also_failed(position) } else { Vec::new() },
        can_be_decided: over
            && position.verdict == Verdict::Undecided
            && position
                .checks
                .iter()
                .any(|check| check.to_decide.as_ref().is_some_and(|needed| needed.ramps.is_some())),
        of_run: None,
        again_of: header.again.as_ref().map(|again| again.run.clone()),
        attempt: header.again.as_ref().map(|again| again.attempt),
    }
}

/// The required check that was judged last, or the worst one if some are outside their limits.
fn latest(position: &PositionRecord) -> Option<&Check> {
    let judged = || position.checks.iter().map(Arc::as_ref).filter(|check| check.role == Role::Required);
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

/// Name of a quantity, as spelled in the record.
pub(super) fn quantity_key(quantity: QuantityName) -> String {
    word(&quantity)
}

/// The record's word for a value, or for its kind.
fn word(of: &impl Serialize) -> String {
    match serde_json::to_value(of) {
        Ok(Value::String(word)) => word,
        Ok(Value::Object(fields)) => fields.into_iter().next().map(|(word, _)| word).unwrap_or_default(),
        Ok(Value::Null | Value::Bool(_) | Value::Number(_) | Value::Array(_)) | Err(_) => String::new(),
    }
}

/// A reason, with the record's word for its kind.
pub(super) fn reason(of: &(impl Serialize + ToString)) -> Reason {
    Reason { kind: word(of), text: of.to_string() }
}

fn advice(advice: Advice, header: &RunHeader, of: &PositionRecord) -> AdviceShown {
    let text = advice.to_string();
    let word = match advice {
        Advice::Set { quantity, from, to, by, direction } => {
            return AdviceShown::Set { quantity: quantity_key(quantity), from, to, by, direction };
        }
        Advice::Ramps { ramps, all, .. } => {
            let seconds = retest_preview(header, of).map(f64::round);
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

/// A verdict, as spelled in the documents.
/// The word for a verdict.
pub(crate) const fn verdict_key(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "pass",
        Verdict::Fail => "fail",
        Verdict::Undecided => "undecided",
        Verdict::Aborted => "aborted",
        Verdict::Measured => "measured",
    }
}
