//! Delays of outputs against their sheets. They can count only against a device, for an output later or earlier than its sheets say.

use crate::condition::judged;
use crate::promised::{longest_delay_s, selected_delay_s};
use crate::response::before_the_level;
use crate::result::Level;
use crate::transition::{Found, ruled_out};
use tripbench_measure::{Acceptance, Limits, MeasurementResult, Outcome, ToDecide, decide};
use tripbench_record::{Check, CheckVerdict, Task};

/// A delay is in doubt if it exceeds the promise by this multiple of U: 2.6 standard uncertainties, so that of 100 good devices with
/// four delays one or two are left open. Judgement of this project.
const DOUBTED: f64 = 2.6 / 1.96;
/// Share of a normal distribution within ± 2.6 standard deviations, 2Φ(2.6) − 1; with few crossings the tails are longer.
const DOUBTED_HELD: f64 = 0.990_7;

/// Longest excess of a delay that can be harmless, seconds. Judgement of this project.
const LONGEST_SPARE_S: f64 = 0.1;

/// Whether the output can be as fast as its sheets say, because the levels were found with that delay. Surely later is a fail. If U
/// reaches beyond the promise, the check passes without objection only where such a delay would have moved the level by no more than a
/// third of its own U, or by no more than its distance to the limits. Otherwise it is undecided.
pub(crate) fn delay_check(
    task: &Task,
    check: Check,
    found: &Found,
    level: Option<&Level>,
    slack_pa: f64,
) -> Check {
    let Some(result) = found.delay.clone() else {
        let remark = "at one of the two rates the output's changes could not be located well enough";
        return Check { remark: Some(remark.into()), ..check };
    };
    if let Some(check) = before_the_level(&check, &result) {
        return check;
    }
    let (promised_s, selected_s) = (longest_delay_s(task), selected_delay_s(task));
    let at_least = |least_s: f64| (selected_s > 0.0).then_some(least_s);
    let ruled_out = ruled_out(&result, found.promised_delay(task));
    let promised = Limits { low: at_least(selected_s), high: Some(promised_s) };
    let shown = judged(check.clone(), &result, Some(promised), Acceptance::GuardBand);
    if ruled_out {
        let shown = Check { verdict: CheckVerdict::Fail, ..shown };
        let remark = if result.value > promised_s {
            "the output is later than its sheets say: is another delay selected?"
        } else {
            "the output is earlier than the delay that is set: is it selected?"
        };
        return Check { remark: Some(remark.into()), ..shown };
    }
    let spare_s = level.map_or(0.0, |level| spare_s(level, slack_pa));
    let harmless = Limits { low: at_least(selected_s - spare_s), high: Some(promised_s + spare_s) };
    let [later, earlier] = doubted(task, &result);
    let (verdict, remark) = if later {
        let remark =
            "later than its sheets say, though noise of the comparator or few ramps may make it seem so";
        (CheckVerdict::Undecided, String::from(remark))
    } else if earlier {
        let remark = "earlier than the delay that is set, though few ramps may make it seem so";
        (CheckVerdict::Undecided, String::from(remark))
    } else if decide(&result, harmless, Acceptance::GuardBand) == Outcome::Pass {
        // A value beyond the displayed limit needs an explanation.
        let (so_far, beyond) = if result.value > promised_s {
            ("not surely later than its sheets say", "more")
        } else if selected_s > 0.0 && result.value < selected_s {
            ("not surely earlier than the delay that is set", "less")
        } else {
            ("nothing against it", "more")
        };
        let remark = format!("{so_far}: even {:.0} ms {beyond} would change no verdict", spare_s * 1e3);
        (CheckVerdict::Measured, remark)
    } else {
        let [earliest_s, latest_s] =
            [result.value - result.expanded_uncertainty, result.value + result.expanded_uncertainty];
        let remark = if latest_s > promised_s + spare_s {
            format!(
                "it can be as late as {:.0} ms; more than {:.0} ms would change the verdict of a level",
                latest_s * 1e3,
                (promised_s + spare_s) * 1e3
            )
        } else {
            format!(
                "it can be as early as {:.0} ms; less than {:.0} ms would change the verdict of a level",
                earliest_s * 1e3,
                (selected_s - spare_s) * 1e3
            )
        };
        (CheckVerdict::Undecided, remark)
    };
    let inside = harmless.high.is_some_and(|high| result.value <= high)
        && harmless.low.is_none_or(|low| low <= result.value);
    let open = verdict == CheckVerdict::Undecided && inside && !later && !earlier;
    let to_decide = open.then(|| would_decide(check, &result, harmless)).flatten();
    Check { verdict, remark: Some(remark), to_decide, conformance_probability: None, ..shown }
}

/// Distance from its value at which a delay is in doubt, seconds.
pub(crate) fn doubted_s(found: &MeasurementResult) -> f64 {
    found.density.half_width(DOUBTED_HELD).max(DOUBTED * found.expanded_uncertainty)
}

/// Whether a delay is in doubt: later than the sheets promise; earlier than the selected delay.
fn doubted(task: &Task, result: &MeasurementResult) -> [bool; 2] {
    let selected_s = selected_delay_s(task);
    let away = doubted_s(result);
    [result.value - away > longest_delay_s(task), selected_s > 0.0 && result.value + away < selected_s]
}

/// Whether a measured delay rules out the promised one or puts it in doubt.
pub(crate) fn speaks_against(task: &Task, result: &MeasurementResult, found: &Found) -> bool {
    doubted(task, result).contains(&true) || ruled_out(result, found.promised_delay(task))
}

/// What would show a delay to be inside these limits. The number of ramps is left out, because more ramps do not add slow ones beside
/// the fast.
fn would_decide(check: Check, result: &MeasurementResult, limits: Limits) -> Option<ToDecide> {
    judged(check, result, Some(limits), Acceptance::GuardBand).to_decide
}

/// By how much an output may be later than promised without objection, seconds: the level would move by no more than the larger of
/// a third of its own U and its distance to the limits.
pub(crate) fn spare_s(level: &Level, slack_pa: f64) -> f64 {
    let harmless_pa = slack_pa.max(level.result.expanded_uncertainty / 3.0);
    (harmless_pa / level.per_delay_pa_per_s.abs().max(1.0)).min(LONGEST_SPARE_S)
}

/// How far a passing value is inside its limits, pascal; 0 if undecided, infinite if a delay cannot change the verdict.
pub(crate) fn slack_pa(check: &Check) -> f64 {
    if check.limits.is_none() {
        return f64::INFINITY;
    }
    let (Some(found), Some(limits)) = (&check.measured, check.limits) else { return 0.0 };
    let (low, high) = (limits.low.unwrap_or(f64::NEG_INFINITY), limits.high.unwrap_or(f64::INFINITY));
    let inside = (found.value - low).min(high - found.value) - found.expanded_uncertainty;
    match check.verdict {
        CheckVerdict::Pass => inside.max(0.0),
        // A failed level stays failed whatever the delay is.
        CheckVerdict::Fail => f64::INFINITY,
        CheckVerdict::Undecided | CheckVerdict::Measured | CheckVerdict::Met | CheckVerdict::NotMet => 0.0,
    }
}

#[cfg(test)]
mod tests;
