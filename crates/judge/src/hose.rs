//! A leak beyond the reference's tee drops pressure along the hose: the device sees less vacuum than the reference, and no
//! second rate shows it. It is bounded from the leak of this run and the hose of the rig sheet.

use crate::channel::Channels;
use crate::condition::leak;
use crate::promised::{longest_delay_s, selected_delay_s};
use tripbench_measure::{MeasurementResult, hose_conductance, hose_volume, mean_square_above_zero};
use tripbench_quantity::Volume;
use tripbench_record::{Mark, StepTask, Task};
use tripbench_rig::Position;

/// A delay that is told to this or better says something of the hose, seconds.
const TOLD_S: f64 = 0.01;

/// By how much a device may be faster than promised: so much of its delay can be the hose's. Judgement of this project.
const FASTER_S: f64 = 0.006;

/// What a leak behind a hose can do to a level.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Drop {
    /// Largest difference between device and reference, pascal: all of the largest leak at this device, and the hose pinched as
    /// far as the delays of the output leave open.
    pub(crate) largest_pa: f64,
    /// Square root of the mean square, pascal: leak and delay as they are known, any share of both at this hose.
    pub(crate) root_mean_square_pa: f64,
}

impl Drop {
    /// Whether it can be too large a part of half a tolerance to be a contribution like others.
    pub(crate) fn leaves_open(&self, half_tolerance_pa: f64) -> bool {
        const SMALL_OF_TOLERANCE: f64 = 0.25;
        self.largest_pa > SMALL_OF_TOLERANCE * half_tolerance_pa
    }
}

/// The drop by the hose as the sheet has it, or by the delay of the output, for a hose that is pinched is slow: the volume
/// behind the pinch has to be emptied through it. The larger one. None where the sheet has no hose.
pub(crate) fn drop(
    channels: &Channels<'_>,
    (marks, step): (&[Mark], u16),
    position: &Position,
    level_pa: f64,
    delays: &[&MeasurementResult],
) -> Drop {
    through(channels.task, position, leak_known(channels, marks, step), level_pa, delays)
}

/// The same for a leak that is known, or foreseen.
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
    // A hose is as slow both ways: the closer of two delays tells. Where none is known well, none can
    // show that the hose is pinched; the closest one still goes into U.
    let own_s = selected_delay_s(task).max(longest_delay_s(task) - FASTER_S);
    let late_s = |delay: &MeasurementResult| (delay.value + delay.expanded_uncertainty - own_s).max(0.0);
    let is_told =
        |delay: &&&MeasurementResult| delay.expanded_uncertainty <= longest_delay_s(task).max(TOLD_S);
    let closest = |a: &&&MeasurementResult, b: &&&MeasurementResult| late_s(a).total_cmp(&late_s(b));
    let told = delays.iter().filter(is_told).min_by(closest);
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
        // Of the leak and of the delay any share may be the hose's: a third of the mean square each.
        root_mean_square_pa: shift(leak.mean_square.sqrt(), mean_square_s2.sqrt()) / 3.0,
    }
}

/// A leak as a run leaves it open, pascal per second.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Leak {
    largest: f64,
    mean_square: f64,
}

impl Leak {
    /// A leak that was found with an expanded uncertainty, in a run that allows so much.
    pub(crate) fn known(value: f64, expanded_uncertainty: f64, allowed: f64) -> Self {
        let largest = (value + expanded_uncertainty).clamp(0.0, allowed);
        let mean_square = mean_square_above_zero(value, expanded_uncertainty / 2.0);
        Self { largest, mean_square: mean_square.min(largest.powi(2)) }
    }
}

/// Of the leak step before, else what the rig sheet allows.
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
