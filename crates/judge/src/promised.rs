//! What the sheets promise of a device: its delay and its spread.

use tripbench_measure::DelayPrior;
use tripbench_record::Task;

/// Mean delay from the level crossing to the edge at the module, less the reference's lag, seconds, for a device set to the delay on
/// the settings sheet.
pub(crate) fn net_delay_s(task: &Task) -> f64 {
    selected_delay_s(task) + response_s(task) / 2.0 - task.sheets.rig.reference.lag.value.si()
}

/// Delay that the settings sheet selects, seconds.
pub(crate) fn selected_delay_s(task: &Task) -> f64 {
    task.sheets.settings.as_ref().map_or(0.0, |settings| settings.delay.si())
}

/// Response time that the type promises without the selected delay, seconds.
pub(crate) fn response_s(task: &Task) -> f64 {
    task.sheets.device.as_ref().map_or(0.0, |device| device.promise.response_time.si())
}

/// Longest delay that the sheets allow, seconds: the selected one plus the promised response. 0 for an unknown device, whose stated
/// level is then the apparent one at the edge.
pub(crate) fn longest_delay_s(task: &Task) -> f64 {
    selected_delay_s(task) + response_s(task)
}

/// The type's selectable delays and the one on the settings sheet, seconds, ascending, each once.
pub(crate) fn selectable_s(task: &Task) -> Vec<f64> {
    let delays = task.sheets.device.iter().flat_map(|device| &device.promise.delays);
    let mut all: Vec<f64> = delays.map(|delay| delay.si()).chain([selected_delay_s(task)]).collect();
    all.sort_by(f64::total_cmp);
    all.dedup_by(|a, b| (*a - *b).abs() <= f64::EPSILON);
    all
}

/// Prior for the net delay of an output after `taken_off_s` was subtracted from its edges: the device's delay less the reference's lag.
/// Where the run does not show which delay is selected, it can differ by `other_s`.
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

/// Repeatability that the type promises, as a standard deviation, pascal: half of the promised half width.
pub(crate) fn promised_spread_pa(task: &Task, near_pa: f64) -> f64 {
    let declared =
        task.sheets.device.as_ref().zip(task.sheets.settings.as_ref()).map(|(device, settings)| {
            let scale = device.scale(settings.unit.value);
            device.promise.repeatability.half_width(tripbench_quantity::VacuumLevel::new(near_pa), scale).si()
                / 2.0
        });
    // Every device scatters a little, and none is known more closely than a fraction of a count.
    let least = LEAST_SPREAD_PA.max(task.sheets.rig.reference.input.resolution() / 2.0);
    declared.unwrap_or(50.0).max(least)
}

/// Least spread assumed for a device, pascal. Judgement of this project.
const LEAST_SPREAD_PA: f64 = 5.0;

#[cfg(test)]
mod tests;
