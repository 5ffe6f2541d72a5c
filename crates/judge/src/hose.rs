//! A leak beyond the reference's tee drops pressure along the hose: the device sees less vacuum than the reference, and a second rate
//! does not show it. The drop is bounded from the leak of this run, the hose on the rig sheet, and the delays, because a pinched hose is slow.

use crate::channel::Channels;
use crate::condition::leak;
use crate::coverage::role;
use crate::promised::{longest_delay_s, selected_delay_s};
use tripbench_measure::{MeasurementResult, hose_conductance, hose_volume, mean_square_above_zero};
use tripbench_quantity::Volume;
use tripbench_record::{Check, CheckVerdict, Mark, StepTask, Task};
use tripbench_rig::Position;

/// A delay with a U of at most this says something about the hose, seconds. Judgement of this project.
const TOLD_S: f64 = 0.01;

/// By how much a device may be faster than promised, seconds: that part of its delay may come from the hose. Judgement of this project.
const FASTER_S: f64 = 0.006;

/// The effect of a leak behind a hose on a level.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Drop {
    /// Largest difference between device and reference, pascal: the largest leak entirely at this device, with the hose pinched as far
    /// as the output's delays allow.
    pub(crate) largest_pa: f64,
    /// Root mean square of the difference, pascal: leak and delay as known, with any share of both at this hose.
    pub(crate) root_mean_square_pa: f64,
}

impl Drop {
    /// Whether the effect may be too large, relative to half of the tolerance, for an ordinary contribution. A quarter is a judgement
    /// of this project.
    pub(crate) fn leaves_open(&self, half_tolerance_pa: f64) -> bool {
        const SMALL_OF_TOLERANCE: f64 = 0.25;
        self.largest_pa > SMALL_OF_TOLERANCE * half_tolerance_pa
    }
}

/// The larger of two bounds of the drop: from the hose on the rig sheet, and from the output's delay, because a pinched hose is slow:
/// the volume behind the pinch is emptied through it. Zero where the sheet has no hose.
pub(crate) fn drop(
    channels: &Channels<'_>,
    (marks, step): (&[Mark], u16),
    position: &Position,
    level_pa: f64,
    delays: &[&MeasurementResult],
) -> Drop {
    through(channels.task, position, leak_known(channels, marks, step), level_pa, delays)
}

/// The same for a known or predicted leak.
pub(crate) fn through(
    task: &Task,
    position: &Position,
    leak: Leak,
    level_pa: f64,
    delays: &[&MeasurementResult],
) -> Drop {
    let Some(hose) = &position.hose else { return Drop::default() };
    let (bore_m, length_m) = (hose.bore.si(), hose.length.si());
    let volume = task.sheets.rig.manifold.volume.si();
    let pressure_pa = (task.sheets.site.ambient().si() - level_pa).max(1_000.0);
    let conductance = hose_conductance(bore_m, length_m, pressure_pa);
    // A hose is equally slow in both directions, so the smaller excess delay counts. If no delay is known well, none can show that the
    // hose is pinched; the smallest one still goes into U.
    let own_s = selected_delay_s(task).max(longest_delay_s(task) - FASTER_S);
    let late_s = |delay: &MeasurementResult| (delay.value + delay.expanded_uncertainty - own_s).max(0.0);
    let closest = |a: &&&MeasurementResult, b: &&&MeasurementResult| late_s(a).total_cmp(&late_s(b));
    let told = delays.iter().filter(|delay| is_told(task, delay)).min_by(closest);
    let known = told.or_else(|| delays.iter().min_by(closest));
    let behind_m3 = hose.behind.unwrap_or_else(|| Volume::new(hose_volume(bore_m, length_m))).si();
    let longest_s = told.map_or(0.0, |delay| late_s(delay));
    let mean_square_s2 = known
        .map_or(0.0, |delay| mean_square_above_zero(delay.value - own_s, delay.expanded_uncertainty / 2.0));
    let shift = |leak_pa_per_s: f64, late_s: f64| {
        leak_pa_per_s * volume * (1.0 / conductance).max(late_s / behind_m3)
    };
    Drop {
        largest_pa: shift(leak.largest, longest_s),
        // Any share of leak and delay may belong to the hose: a third of the mean square each.
        root_mean_square_pa: shift(leak.mean_square.sqrt(), mean_square_s2.sqrt()) / 3.0,
    }
}

/// Whether a delay is known well enough to say something about a hose.
pub(crate) fn is_told(task: &Task, delay: &MeasurementResult) -> bool {
    delay.expanded_uncertainty <= longest_delay_s(task).max(TOLD_S)
}

/// Whether any position that takes part has a hose on the rig sheet; any position of the rig where the task names none.
pub(crate) fn has_hoses(task: &Task) -> bool {
    let takes_part =
        |number: u8| task.positions.is_empty() || task.positions.iter().any(|plan| plan.number == number);
    task.sheets.rig.positions.iter().any(|position| position.hose.is_some() && takes_part(*position.number))
}

/// Whether a delay shows that the hose of a position lets the air through: otherwise it may be pinched, and a leak behind it shifts the
/// levels by more than their U includes.
pub(crate) fn lets_through(
    task: &Task,
    check: Check,
    position: &Position,
    mut delays: impl Iterator<Item = MeasurementResult>,
) -> Check {
    let (verdict, remark) = if position.hose.is_none() {
        (CheckVerdict::Pass, "the rig sheet has no hose here")
    } else if delays.any(|delay| is_told(task, &delay)) {
        (CheckVerdict::Pass, "a delay bounds how far it can be pinched")
    } else {
        (
            CheckVerdict::Undecided,
            "no delay is known well enough to show a pinched hose: with a leak behind it the levels would be wrong",
        )
    };
    Check { role: role(task), unit: String::from("1"), verdict, remark: Some(remark.into()), ..check }
}

/// The possible leak after a run, pascal per second.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Leak {
    largest: f64,
    mean_square: f64,
}

impl Leak {
    /// A leak measured with an expanded uncertainty, where the run allows at most `allowed`.
    pub(crate) fn known(value: f64, expanded_uncertainty: f64, allowed: f64) -> Self {
        let largest = (value + expanded_uncertainty).clamp(0.0, allowed);
        let mean_square = mean_square_above_zero(value, expanded_uncertainty / 2.0);
        Self { largest, mean_square: mean_square.min(largest.powi(2)) }
    }
}

/// The leak of the latest leak step before this one, else the largest leak on the rig sheet.
fn leak_known(channels: &Channels<'_>, marks: &[Mark], step: u16) -> Leak {
    let task: &Task = channels.task;
    let before = (0..step).rev().find_map(|index| {
        let StepTask::Leak(planned) = &task.steps.get(usize::from(index))?.task else { return None };
        leak(channels, marks, index, planned).into_iter().next()
    });
    let allowed = task.sheets.rig.manifold.largest_leak.si();
    before
        .and_then(|check| check.measured)
        .map_or(Leak { largest: allowed, mean_square: allowed.powi(2) }, |found| {
            Leak::known(found.value, found.expanded_uncertainty, allowed)
        })
}

#[cfg(test)]
mod tests;
