//! A level against its limits: the mean of its crossings, and each of them.

use crate::channel::{Channels, Zero};
use crate::condition::{acceptance, judged};
use crate::level::{Crossings, Level, level};
use tripbench_device::LevelLimits;
use tripbench_measure::{Acceptance, Limits};
use tripbench_record::{Check, CheckVerdict, LimitsRecord};

/// Limits of a level as `measure` has them.
pub(crate) fn limits_of(limits: LevelLimits) -> Limits {
    Limits { low: Some(limits.low.si()), high: Some(limits.high.si()) }
}

/// Fills in a level found from crossings and judges it, each crossing too.
pub(crate) fn level_check(
    channels: &Channels<'_>,
    zero: Zero,
    mut check: Check,
    found: &Crossings,
    limits: Option<Limits>,
) -> (Check, Option<Level>) {
    check.crossings.clone_from(&found.records);
    let level = level(channels, zero, found);
    if let Some(level) = &level {
        check = judged(check, &level.result, limits, acceptance(channels.task));
    } else {
        check.limits = limits.map(|limits| LimitsRecord { low: limits.low, high: limits.high });
    }
    if let (Some(level), Some(limits)) = (&level, limits) {
        every_crossing(channels, &mut check, level, limits);
    }
    (check, level)
}

/// The limits hold for every crossing, not for their mean alone: one outside is a fail, one too near is no pass.
fn every_crossing(channels: &Channels<'_>, check: &mut Check, level: &Level, limits: Limits) {
    let w = match acceptance(channels.task) {
        Acceptance::GuardBand => level.result.expanded_uncertainty,
        Acceptance::Simple => 0.0,
    };
    let (low, high) = (limits.low.unwrap_or(f64::NEG_INFINITY), limits.high.unwrap_or(f64::INFINITY));
    let outside =
        check.crossings.iter().any(|crossing| crossing.high_pa < low - w || high + w < crossing.low_pa);
    let near = check.crossings.iter().map(|crossing| f64::midpoint(crossing.low_pa, crossing.high_pa));
    let near = near.filter(|level| !(low + w <= *level && *level <= high - w)).count();
    if outside && check.verdict != CheckVerdict::Fail {
        check.verdict = CheckVerdict::Fail;
        check.remark = Some(String::from("single crossings lie outside the limits"));
    } else if near > 0 && check.verdict == CheckVerdict::Pass {
        check.verdict = CheckVerdict::Undecided;
        check.remark = Some(format!("{near} of {} crossings lie too near a limit", check.crossings.len()));
    }
}
