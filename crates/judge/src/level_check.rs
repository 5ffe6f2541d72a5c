//! A level against its limits: the mean of its crossings, and each crossing.

use crate::condition::{acceptance, judged};
use crate::level::Crossings;
use crate::promised::{delay_prior, promised_spread_pa};
use crate::result::Level;
use tripbench_device::LevelLimits;
use tripbench_measure::{Acceptance, Limits, MeasurementResult, ramps_to_decide};
use tripbench_record::{Check, CheckVerdict, CrossingRecord, LimitsRecord, StepTask, Task};

/// Limits of a level as a type of `measure`, pascal.
pub(crate) fn limits_of(limits: LevelLimits) -> Limits {
    Limits { low: Some(limits.low.si()), high: Some(limits.high.si()) }
}

/// Fills in a level found from crossings, and judges it and each crossing.
pub(crate) fn level_check(
    task: &Task,
    mut check: Check,
    (found, level): (&Crossings, Option<&Level>),
    limits: Option<Limits>,
) -> Check {
    check.crossings.clone_from(&found.records);
    if let Some(level) = level {
        check = judged(check, &level.result, limits, acceptance(task));
    } else {
        check.limits = limits.map(|limits| LimitsRecord { low: limits.low, high: limits.high });
    }
    if let (Some(level), Some(limits)) = (level, limits) {
        every_crossing(task, &mut check, (found, level), limits);
        more_ramps(task, &mut check, &level.result);
    }
    check
}

/// Judges each crossing: it may lie beside the level's limits by the promised spread, and no farther. One outside by more than that is
/// a fail, and one too close to it prevents a pass.
fn every_crossing(task: &Task, check: &mut Check, (found, level): (&Crossings, &Level), limits: Limits) {
    /// Promised standard deviations. Judgement of this project.
    const FARTHEST: f64 = 3.0;
    let w = match acceptance(task) {
        Acceptance::GuardBand | Acceptance::HighestRisk { .. } => level.result.expanded_uncertainty,
        Acceptance::Simple => limits.simple_guard(level.result.expanded_uncertainty),
    };
    let (low, high) = (limits.low.unwrap_or(f64::NEG_INFINITY), limits.high.unwrap_or(f64::INFINITY));
    let spread = FARTHEST * promised_spread_pa(task, level.result.value);
    let prior = delay_prior(task, found.taken_off_s, 0.0);
    let reach_s = prior.reach_s() + prior.centre_s.abs();
    let beside = |crossing: &CrossingRecord| spread + crossing.rate_pa_per_s.abs() * reach_s;
    let outside = check.crossings.iter().any(|crossing| {
        let beside = beside(crossing);
        crossing.high_pa < low - w - beside || high + w + beside < crossing.low_pa
    });
    let is_near = |crossing: &&CrossingRecord| {
        let (middle, beside) = (f64::midpoint(crossing.low_pa, crossing.high_pa), beside(crossing));
        !(low + w - beside <= middle && middle <= high - w + beside)
    };
    let near = check.crossings.iter().filter(is_near).count();
    if outside && check.verdict != CheckVerdict::Fail {
        check.verdict = CheckVerdict::Fail;
        check.remark = Some(String::from("single crossings lie outside the limits"));
    } else if near > 0 && check.verdict == CheckVerdict::Pass {
        check.verdict = CheckVerdict::Undecided;
        check.remark =
            Some(format!("{near} of {} crossings lie too close to a limit", check.crossings.len()));
    }
}

/// Adds the number of ramps that would decide a level that U left open, and the duration of a run with them. With two rates the
/// duration stays open, because the share of slow ramps may change with their number.
pub(crate) fn more_ramps(task: &Task, check: &mut Check, result: &MeasurementResult) {
    let Some(needed) = check.to_decide.as_mut() else { return };
    let step = task.steps.get(usize::from(check.step));
    let Some(StepTask::SwitchPoints(ramps)) = step.map(|step| &step.task) else { return };
    let Some(wanted) = needed.expanded_uncertainty else { return };
    needed.ramps = ramps_to_decide(result, wanted, ramps.cycles);
    let alike = !ramps.two_rates(true) && !ramps.two_rates(false);
    needed.takes_s = needed.ramps.zip(step).filter(|_| alike).map(|(more, step)| {
        let longer = f64::from(more) / f64::from(ramps.cycles.max(1)) - 1.0;
        task.predicted().si() + step.predicted.si() * longer
    });
}

#[cfg(test)]
mod tests;
