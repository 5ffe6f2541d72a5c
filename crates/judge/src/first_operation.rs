//! The first operation after rest: the one that the user of a device meets every morning. A seal that sticks, or a sensor that has
//! settled, shows in it alone.

use crate::channel::{Change, Channels, Zero, changes};
use crate::condition::blank;
use crate::level_check::limits_of;
use crate::promised::promised_spread_pa;
use crate::states::{Moment, Run, level_around, outputs, surely_pa};
use tripbench_device::expected;
use tripbench_measure::{Acceptance, Contribution, Limits, Outcome, combine, decide};
use tripbench_quantity::VacuumLevel;
use tripbench_record::{Check, CheckVerdict, LimitsRecord, Mark, Measured, QuantityName, Role};
use tripbench_rig::{Bit, Position};

/// The first change of the switch output after the first zero, against the limits of a single crossing.
pub(crate) fn first_operation(
    channels: &Channels<'_>,
    (marks, step): (&[Mark], u16),
    (zero, other_s): (Zero, f64),
    position: &Position,
) -> Option<Check> {
    let task = channels.task;
    let (settings, device) = task.sheets.settings.as_ref().zip(task.sheets.device.as_ref())?;
    let expected = expected(settings, device);
    let check = blank(task, step, QuantityName::FirstOperation, Role::Required, "Pa");
    let undecided = |why: &str| Some(Check { remark: Some(why.into()), ..check.clone() });
    let Some(run) = Run::up_to(channels, marks, step) else { return undecided("there was no zero before") };
    let output = outputs(task, position, &expected).into_iter().next()?;
    let surely = surely_pa(task, zero, expected.on.high.si());
    let reached = run.moments.iter().position(|moment| moment.least_pa > expected.on.high.si() + surely);
    let Some(reached) = reached else { return undecided("no pull went far enough beyond the switch point") };
    let powered: Vec<&Moment<'_>> = run.moments.iter().filter(|moment| moment.powered).collect();
    let bits = |moments: &mut dyn Iterator<Item = &Moment<'_>>| -> Vec<Bit> {
        moments.filter_map(|moment| channels.bit(moment.scan, &position.switch)).collect()
    };
    let until = run.moments[reached].scan.end();
    let before = bits(&mut powered.iter().copied().filter(|moment| moment.scan.start() <= until));
    let first = changes(&before).into_iter().find(|change| change.on == output.deep);
    match first {
        Some(change) => judged(&run, (check, zero, other_s), change, limits_of(expected.on)),
        None => {
            let alive = !changes(&bits(&mut powered.iter().copied())).is_empty();
            let verdict = if alive { CheckVerdict::Fail } else { CheckVerdict::Undecided };
            let remark = if alive {
                "the output did not answer the first pull, and did so later"
            } else {
                "the output never changed: is it connected and powered?"
            };
            Some(Check { verdict, remark: Some(remark.into()), ..check })
        }
    }
}

/// Outside by more than U and the spread of single crossings is a fail.
fn judged(
    run: &Run<'_>,
    (check, zero, other_s): (Check, Zero, f64),
    change: Change,
    limits: Limits,
) -> Option<Check> {
    let task = run.channels.task;
    let reference = &task.sheets.rig.reference;
    let [low_pa, high_pa] = level_around(run, (change.last_old, change.first_new), other_s)?;
    let value = f64::midpoint(low_pa, high_pa);
    let contributions = vec![
        Contribution::rectangular("edge and delay at the rate of the pull", (high_pa - low_pa) / 2.0)
            .of("this run"),
        Contribution::normal(
            "calibration of the reference",
            reference.calibration.standard_uncertainty_pa(VacuumLevel::new(value)),
        ),
        Contribution::rectangular("zero drift of the reference", reference.drift.si()).of("rig sheet"),
        Contribution::rectangular("hysteresis of the reference", reference.hysteresis.si()).of("rig sheet"),
        Contribution::normal("zero reading", zero.uncertainty_pa).of("this run"),
    ];
    let result = combine(value, run.channels.resolution_pa(), contributions).ok()?;
    // A single crossing may lie beside its level by what is promised: three standard deviations.
    let beside = 3.0 * promised_spread_pa(task, value);
    let widened =
        Limits { low: limits.low.map(|low| low - beside), high: limits.high.map(|high| high + beside) };
    // What U leaves open must not be more than what a single crossing may lie beside, or four fifths of half the tolerance.
    let told = limits.low.zip(limits.high).map_or(beside, |(low, high)| beside.max(0.4 * (high - low)));
    let inside = decide(&result, widened, Acceptance::Simple) == Outcome::Pass;
    let verdict = if inside && result.expanded_uncertainty <= told {
        CheckVerdict::Pass
    } else if decide(&result, widened, Acceptance::GuardBand) == Outcome::Fail {
        CheckVerdict::Fail
    } else {
        CheckVerdict::Undecided
    };
    Some(Check {
        measured: Some(Measured::from(&result)),
        limits: Some(LimitsRecord { low: widened.low, high: widened.high }),
        verdict,
        ..check
    })
}
