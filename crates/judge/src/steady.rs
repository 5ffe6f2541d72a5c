//! Whether the rig evacuates at the same rate in every ramp: a hose that comes off changes the rate.

use crate::channel::{Channels, marks_of};
use crate::condition::{blank, judged};
use tripbench_measure::{Acceptance, Contribution, Limits, combine, distinct, fit_line};
use tripbench_record::{Check, CheckVerdict, Mark, Motion, QuantityName, Role, Segment, SwitchPointsTask};

/// Largest ratio between the rates of two ramps at one level; more means that the rig changed during the run. Judgement of this
/// project: a hose that is off gives far more. The gas temperature changes the rate far less at full flow, and by up to a third through
/// a throttle.
///
/// After a fall at full vent the gas is warmer than after one through a throttle, and the next ramp is up to a quarter faster.
pub(crate) const fn largest_ratio(motion: Motion, rising: bool, fast_falls: bool) -> f64 {
    match (motion, rising) {
        (Motion::FullFlow, _) if fast_falls => 1.35,
        (Motion::Throttled, true) | (Motion::Regulated { .. }, _) => 2.0,
        (Motion::FullFlow, _) | (Motion::Throttled, false) => 1.10,
        // A person keeps the rate within a factor of about two, in both directions.
        (Motion::ByHand { .. }, _) => 4.0,
        // Settled levels have no rate.
        (Motion::Pulses { .. }, _) => f64::INFINITY,
    }
}

/// Checks that the evacuation rate stayed the same: a hose that comes off, or a new leak, changes it.
pub(crate) fn steady(channels: &Channels<'_>, marks: &[Mark], step: u16, task: &SwitchPointsTask) -> Check {
    let check = blank(channels.task, step, QuantityName::EvacuationSteady, Role::Condition, "1");
    // Throttled cycles are left out where only some cycles are throttled.
    let slow = task.slow(true);
    let is_alike = |segment| matches!(segment, Segment::Rising { cycle } if !slow.contains(cycle));
    let rising = marks_of(marks, step, is_alike);
    let middle = f64::midpoint(task.bottom.si(), task.top.si());
    let quarter = (task.top.si() - task.bottom.si()) / 4.0;
    let rates: Vec<(f64, f64)> = rising
        .iter()
        .filter_map(|mark| {
            let mut samples = channels.raw_samples(mark);
            samples.retain(|sample| (sample.level_pa - middle).abs() <= quarter);
            let centre_s = samples.get(samples.len() / 2)?.t_s;
            let line = fit_line(&distinct(&samples), centre_s, channels.resolution_pa())?;
            Some((line.slope_pa_per_s(centre_s), line.slope_uncertainty_pa_per_s()))
        })
        .collect();
    if rates.len() != usize::from(task.cycles - slow.count()) || rates.iter().any(|(rate, _)| *rate <= 0.0) {
        return Check {
            remark: Some("the evacuation rate could not be determined in every ramp".into()),
            ..check
        };
    }
    let largest =
        rates.iter().fold((0.0, 0.0), |best: (f64, f64), rate| if rate.0 > best.0 { *rate } else { best });
    let least = rates
        .iter()
        .fold((f64::INFINITY, 0.0), |best: (f64, f64), rate| if rate.0 < best.0 { *rate } else { best });
    let ratio = largest.0 / least.0;
    let relative = (largest.1 / largest.0).hypot(least.1 / least.0);
    let Ok(result) = combine(
        ratio,
        1e-3,
        vec![Contribution::normal("scatter of the rates", ratio * relative).of("this run")],
    ) else {
        return check;
    };
    let mut check = judged(
        check,
        &result,
        Some(Limits { low: None, high: Some(largest_ratio(task.rising, true, task.falls_fast())) }),
        Acceptance::GuardBand,
    );
    if check.verdict != CheckVerdict::Met {
        check.remark =
            Some("the evacuation rate changed during the run: check hoses, seals and compressed air".into());
    }
    check
}

#[cfg(test)]
mod tests;
