//! What the sheets promise of a device: its delay, its spread.

use tripbench_measure::DelayPrior;
use tripbench_record::Task;

/// Delays between the level crossing and the edge at the module, less the reference's own: mean, seconds, as if the delay that
/// the settings sheet selects were the one that the device has.
pub(crate) fn net_delay_s(task: &Task) -> f64 {
    selected_delay_s(task) + response_s(task) / 2.0 - task.sheets.rig.reference.lag.value.si()
}

/// Delay that the settings sheet selects, seconds.
pub(crate) fn selected_delay_s(task: &Task) -> f64 {
    task.sheets.settings.as_ref().map_or(0.0, |settings| settings.delay.si())
}

/// Response that the type promises without it, seconds.
pub(crate) fn response_s(task: &Task) -> f64 {
    task.sheets.device.as_ref().map_or(0.0, |device| device.promise.response_time.si())
}

/// Longest delay that the device can have: the selected one and the response promised without it. Of an unknown device neither
/// is known: then the level stated is the apparent one, at the edge.
pub(crate) fn longest_delay_s(task: &Task) -> f64 {
    selected_delay_s(task) + response_s(task)
}

/// Delays that the type lets one select, and the one that the settings sheet does, seconds, each once.
pub(crate) fn selectable_s(task: &Task) -> Vec<f64> {
    let delays = task.sheets.device.iter().flat_map(|device| &device.promise.delays);
    let mut all: Vec<f64> = delays.map(|delay| delay.si()).chain([selected_delay_s(task)]).collect();
    all.sort_by(f64::total_cmp);
    all.dedup_by(|a, b| (*a - *b).abs() <= f64::EPSILON);
    all
}

/// What is known beforehand of the net delay of an output, once `taken_off_s` was taken off its edges: the device's and the
/// reference's lag. Where the run leaves open which delay is selected, it can be by `other_s` another one.
pub(crate) fn delay_prior(task: &Task, taken_off_s: f64, other_s: f64) -> DelayPrior {
    let lag = &task.sheets.rig.reference.lag;
    let selected_s = selected_delay_s(task);
    let least_s = (selected_s - other_s).max(0.0);
    let most_s = selected_s + other_s + response_s(task);
    DelayPrior {
        centre_s: f64::midpoint(least_s, most_s) - lag.value.si() - taken_off_s,
        half_widths_s: [(most_s - least_s) / 2.0, lag.uncertainty.si()],
    }
}

/// Repeatability that the type promises, as a standard deviation: half of the promised half width.
pub(crate) fn promised_spread_pa(task: &Task, near_pa: f64) -> f64 {
    let declared =
        task.sheets.device.as_ref().zip(task.sheets.settings.as_ref()).map(|(device, settings)| {
            let scale = device.scale(settings.unit.value);
            device.promise.repeatability.half_width(tripbench_quantity::VacuumLevel::new(near_pa), scale).si()
                / 2.0
        });
    // No device scatters by nothing, and none is known closer than a part of a count.
    let least = LEAST_SPREAD_PA.max(task.sheets.rig.reference.input.resolution() / 2.0);
    declared.unwrap_or(50.0).max(least)
}

/// Least spread that a device is held to, pascal; judgement of this project.
const LEAST_SPREAD_PA: f64 = 5.0;

#[cfg(test)]
mod tests;
