//! The first operation after rest, as the user of a device meets it every morning. Only this operation shows a seal that sticks or a
//! sensor that has settled.

use crate::channel::{Change, Zero, changes};
use crate::condition::blank;
use crate::coverage::role;
use crate::level_check::limits_of;
use crate::promised::promised_spread_pa;
use crate::result::certificate;
use crate::states::{Moment, Run, level_around, outputs, surely_pa};
use tripbench_device::expected;
use tripbench_measure::{Acceptance, Contribution, Limits, Outcome, combine, decide};
use tripbench_quantity::{LevelDifference, VacuumLevel};
use tripbench_record::{Check, CheckVerdict, LimitsRecord, Measured, QuantityName, Role, Task};
use tripbench_rig::{Bit, Position};

/// Checks of the first change of the switch output to its state at deep vacuum: against the limits of a single crossing, and whether it
/// was located closely enough to count as checked. `delay_s`: bounds of the output's delay, seconds.
pub(crate) fn first_operation(
    task: &Task,
    (run, step): (Option<&Run<'_>>, u16),
    (zero, delay_s): (Zero, [f64; 2]),
    position: &Position,
) -> Vec<Check> {
    let check = blank(task, step, QuantityName::FirstOperation, Role::Screening, "Pa");
    let check = look((task, run), (zero, delay_s), position, check);
    let checked = told(task, &check);
    vec![check, checked]
}

/// The check itself: a fail if outside by more than U and the spread of single crossings.
fn look(
    (task, run): (&Task, Option<&Run<'_>>),
    (zero, delay_s): (Zero, [f64; 2]),
    position: &Position,
    check: Check,
) -> Check {
    let undecided = |why: &str| Check { remark: Some(why.into()), ..check.clone() };
    let both = task.sheets.settings.as_ref().zip(task.sheets.device.as_ref());
    let Some(expected) = both.map(|(settings, device)| expected(settings, device)) else { return check };
    let Some(run) = run else {
        return undecided("there was no zero before");
    };
    let Some(output) = outputs(task, position, &expected).into_iter().next() else { return check };
    let surely = surely_pa(task, zero, expected.on.high.si());
    let reached = run.moments.iter().position(|moment| moment.least_pa > expected.on.high.si() + surely);
    let ended = first_pull_ended(run, expected.on.low.si(), expected.off.low.si() - surely);
    let Some(until) = reached.into_iter().chain(ended).min() else {
        return undecided("no pull went far enough beyond the switch point");
    };
    let powered: Vec<&Moment<'_>> = run.moments.iter().filter(|moment| moment.powered).collect();
    let bits = |moments: &mut dyn Iterator<Item = &Moment<'_>>| -> Vec<Bit> {
        moments.filter_map(|moment| run.channels.bit(moment.scan, &position.switch)).collect()
    };
    let until = run.moments[until].scan.end();
    let before = bits(&mut powered.iter().copied().filter(|moment| moment.scan.start() <= until));
    let first = changes(&before).into_iter().find(|change| change.on == output.deep);
    match first {
        Some(change) => judged(run, (check, zero, delay_s), change, limits_of(expected.on)),
        None if changes(&bits(&mut powered.iter().copied())).is_empty() => {
            undecided("the output never changed: is it connected and powered?")
        }
        // The first pull ended before the output had to change: a later change is not the first operation.
        None if reached.is_none_or(|reached| ended.is_some_and(|ended| ended < reached)) => {
            let remark = "the output did not answer the first pull, which was not deep enough to require it";
            Check { verdict: CheckVerdict::Measured, remark: Some(remark.into()), ..check }
        }
        None => {
            let remark = "the output had not answered when the first pull was well beyond its limits; it answered later";
            Check { verdict: CheckVerdict::Fail, remark: Some(remark.into()), ..check }
        }
    }
}

/// Index of the moment at which the first pull that may operate a device has fallen so far that any device has switched back.
fn first_pull_ended(run: &Run<'_>, on_low_pa: f64, off_low_pa: f64) -> Option<usize> {
    let begun = run.moments.iter().position(|moment| moment.powered && moment.level_pa > on_low_pa)?;
    let back = run.moments[begun..].iter().position(|moment| moment.level_pa < off_low_pa)?;
    Some(begun + back)
}

/// A fail if outside by more than U and the spread of single crossings.
fn judged(
    run: &Run<'_>,
    (check, zero, delay_s): (Check, Zero, [f64; 2]),
    change: Change,
    limits: Limits,
) -> Check {
    let task = run.channels.task;
    let reference = &task.sheets.rig.reference;
    let Some([low_pa, high_pa]) = level_around(run, (change.last_old, change.first_new), delay_s) else {
        return check;
    };
    let value = f64::midpoint(low_pa, high_pa);
    let contributions = vec![
        Contribution::rectangular("edge and delay at the rate of the pull", (high_pa - low_pa) / 2.0)
            .of("this run"),
        Contribution::normal(
            "calibration of the reference",
            reference.calibration.standard_uncertainty_pa(VacuumLevel::new(value)),
        )
        .of(&certificate(task)),
        Contribution::rectangular("zero drift of the reference", reference.drift.si()).of("rig sheet"),
        Contribution::rectangular("hysteresis of the reference", reference.hysteresis.si()).of("rig sheet"),
        Contribution::normal("zero reading", zero.uncertainty_pa).of("this run"),
    ];
    let Ok(result) = combine(value, run.channels.resolution_pa(), contributions) else { return check };
    // A single crossing may lie beside its level by three promised standard deviations. Judgement of this project.
    let beside = 3.0 * promised_spread_pa(task, value);
    let limits =
        Limits { low: limits.low.map(|low| low - beside), high: limits.high.map(|high| high + beside) };
    let close = result.expanded_uncertainty <= close_pa(task, limits);
    let verdict = if decide(&result, limits, Acceptance::GuardBand) == Outcome::Fail {
        CheckVerdict::Fail
    } else if !close || decide(&result, limits, Acceptance::Simple) == Outcome::Pass {
        CheckVerdict::Measured
    } else {
        CheckVerdict::Undecided
    };
    Check {
        measured: Some(Measured::from(&result)),
        limits: Some(LimitsRecord { low: limits.low, high: limits.high }),
        verdict,
        ..check
    }
}

/// Largest U with which a first operation counts as checked, pascal: two fifths of the width of its limits. Judgement of this project.
fn close_pa(task: &Task, limits: Limits) -> f64 {
    const OF_WIDTH: f64 = 0.4;
    match (limits.low, limits.high) {
        (Some(low), Some(high)) => OF_WIDTH * (high - low),
        (Some(one), None) | (None, Some(one)) => 3.0 * promised_spread_pa(task, one),
        (None, None) => 0.0,
    }
}

/// Whether the first operation was located closely enough; otherwise it is reported as not checked.
fn told(task: &Task, found: &Check) -> Check {
    let check = Check { role: role(task), measured: None, limits: None, ..found.clone() };
    let checked = Some(String::from("located closely enough"));
    if found.verdict == CheckVerdict::Fail {
        return Check { verdict: CheckVerdict::Pass, remark: checked, ..check };
    }
    let Some((measured, limits)) = found.measured.as_ref().zip(found.limits.as_ref()) else {
        return Check { verdict: CheckVerdict::Undecided, ..check };
    };
    let close_pa = close_pa(task, Limits { low: limits.low, high: limits.high });
    if measured.expanded_uncertainty <= close_pa {
        return Check { verdict: CheckVerdict::Pass, remark: checked, ..check };
    }
    let style = &task.sheets.site.style;
    let remark = format!(
        "the first pull was so fast that its level is known only to ± {}; this check needs ± {}",
        style.difference(LevelDifference::new(measured.expanded_uncertainty)),
        style.difference(LevelDifference::new(close_pa))
    );
    Check { verdict: CheckVerdict::Undecided, remark: Some(remark), ..check }
}

#[cfg(test)]
mod tests;
