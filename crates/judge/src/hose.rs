//! A leak beyond the reference's tee drops pressure along the hose: the device sees less vacuum than the reference, and no
//! second rate shows it. It is bounded from the leak of this run and the hose of the rig sheet.

use crate::channel::Channels;
use crate::condition::leak;
use crate::level::longest_delay_s;
use tripbench_measure::{MeasurementResult, hose_conductance, hose_volume};
use tripbench_record::{Mark, StepTask, Task};
use tripbench_rig::Position;

/// A delay that is told to this or better says something of the hose, seconds.
const TOLD_S: f64 = 0.01;

/// Largest difference between a device and the reference, pascal, if all of the leak were at this device: by the hose as the
/// sheet has it, and by what the output is later than promised, for a hose that is pinched is slow. 0 where the sheet has no
/// hose.
pub(crate) fn largest_drop_pa(
    channels: &Channels<'_>,
    (marks, step): (&[Mark], u16),
    position: &Position,
    level_pa: f64,
    delays: &[&MeasurementResult],
) -> f64 {
    let task = channels.task;
    let Some(hose) = &position.hose else { return 0.0 };
    let (bore_m, length_m) = (hose.bore.si(), hose.length.si());
    let throughput = leak_pa_per_s(channels, marks, step) * task.sheets.rig.manifold.volume.si();
    let pressure_pa = (task.sheets.site.ambient().si() - level_pa).max(1_000.0);
    let by_sheet = throughput / hose_conductance(bore_m, length_m, pressure_pa);
    // A hose is as slow both ways: the closer of two delays tells. One that is not told within this says nothing of a hose.
    let told_s = longest_delay_s(task).max(TOLD_S);
    let late = delays
        .iter()
        .filter(|delay| delay.expanded_uncertainty <= told_s)
        .map(|delay| (delay.value + delay.expanded_uncertainty - longest_delay_s(task)).max(0.0));
    let late_s = late.reduce(f64::min).unwrap_or(0.0);
    by_sheet.max(throughput * late_s / hose_volume(bore_m, length_m))
}

/// Largest leak that the run itself leaves open: of the leak step before, else what the rig sheet allows.
fn leak_pa_per_s(channels: &Channels<'_>, marks: &[Mark], step: u16) -> f64 {
    let task: &Task = channels.task;
    let before = (0..step).rev().find_map(|index| {
        let StepTask::Leak(planned) = &task.steps.get(usize::from(index))?.task else { return None };
        leak(channels, marks, index, planned).into_iter().next()
    });
    let largest = task.sheets.rig.manifold.largest_leak.si();
    let measured = before.and_then(|check| check.measured);
    measured.map_or(largest, |found| (found.value + found.expanded_uncertainty).clamp(0.0, largest))
}
