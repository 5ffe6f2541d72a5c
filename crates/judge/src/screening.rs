//! What speaks only against a device: an output that is later than its sheets say.

use crate::condition::judged;
use crate::promised::{longest_delay_s, selected_delay_s};
use crate::response::before_the_level;
use crate::result::Level;
use crate::transition::{Found, ruled_out};
use tripbench_measure::{Acceptance, Limits, MeasurementResult, Outcome, ToDecide, decide};
use tripbench_record::{Check, CheckVerdict, Task};

/// A delay is in doubt where it lies beyond what is promised by so many U: 2.6 standard uncertainties, so that of good devices with
/// four delays one or two in a hundred are left open. Judgement of this project.
const DOUBTED: f64 = 2.6 / 1.96;
/// What a normal density holds within so many: few crossings have longer tails.
const DOUBTED_HELD: f64 = 0.990_7;

/// Longest time by which an output may be later without a word.
const LONGEST_SPARE_S: f64 = 0.1;

/// Whether the output can be as fast as its sheets say: the levels were found with that delay. Shown to be later is a
/// fail. Where U reaches beyond what is promised, nothing speaks against the device only if so late an output would not have
/// moved the level by more than a third of its own U, or by more than it is inside its limits. Else nothing is known.
pub(crate) fn delay_check(
    task: &Task,
    check: Check,
    found: &Found,
    level: Option<&Level>,
    slack_pa: f64,
) -> Check {
    let Some(result) = found.delay.clone() else {
        let remark = "the output's change was not seen well enough in the ramps of one of two rates";
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
        // A value beyond the limit that stands beside it needs a word.
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

/// How far from its value a delay is in doubt, seconds.
pub(crate) fn doubted_s(found: &MeasurementResult) -> f64 {
    found.density.half_width(DOUBTED_HELD).max(DOUBTED * found.expanded_uncertainty)
}

/// Whether a delay is doubtful: later than the sheets promise, earlier than the one that is set.
fn doubted(task: &Task, result: &MeasurementResult) -> [bool; 2] {
    let selected_s = selected_delay_s(task);
    let away = doubted_s(result);
    [result.value - away > longest_delay_s(task), selected_s > 0.0 && result.value + away < selected_s]
}

/// Whether a delay that was found rules out, or makes doubtful, what the sheets promise.
pub(crate) fn speaks_against(task: &Task, result: &MeasurementResult, found: &Found) -> bool {
    doubted(task, result).contains(&true) || ruled_out(result, found.promised_delay(task))
}

/// What would show a delay to be inside some limits. How many ramps would is not said: more of them are not more of the
/// slow ones beside the fast.
fn would_decide(check: Check, result: &MeasurementResult, limits: Limits) -> Option<ToDecide> {
    judged(check, result, Some(limits), Acceptance::GuardBand).to_decide
}

/// By how much later than promised an output may be without a word, seconds: it would not have moved its level by more than a third
/// of its own U, or by more than the level has to spare inside its limits.
pub(crate) fn spare_s(level: &Level, slack_pa: f64) -> f64 {
    let harmless_pa = slack_pa.max(level.result.expanded_uncertainty / 3.0);
    (harmless_pa / level.per_delay_pa_per_s.abs().max(1.0)).min(LONGEST_SPARE_S)
}

/// How far a check's value is from leaving its pass, pascal; 0 where it is undecided.
pub(crate) fn slack_pa(check: &Check) -> f64 {
    if check.limits.is_none() {
        return f64::INFINITY;
    }
    let (Some(found), Some(limits)) = (&check.measured, check.limits) else { return 0.0 };
    let (low, high) = (limits.low.unwrap_or(f64::NEG_INFINITY), limits.high.unwrap_or(f64::INFINITY));
    let inside = (found.value - low).min(high - found.value) - found.expanded_uncertainty;
    match check.verdict {
        CheckVerdict::Pass => inside.max(0.0),
        // What fails, fails whatever its output's delay is.
        CheckVerdict::Fail => f64::INFINITY,
        CheckVerdict::Undecided | CheckVerdict::Measured | CheckVerdict::Met | CheckVerdict::NotMet => 0.0,
    }
}

#[cfg(test)]
mod tests;
