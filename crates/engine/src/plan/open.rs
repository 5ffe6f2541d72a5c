//! What a run will leave unchecked, reported before any air flows.

use super::Planner;
use tripbench_judge::{OfDevices, left_open, left_open_by_delays};
use tripbench_record::{QuantityName, StepTask, Task};
use tripbench_sheet::Findings;

/// Quantities of devices that will not be checked: those that sheets and steps alone leave open, what delays resolved as predicted do not
/// show, and spreads predicted not to show between two reads. Each once.
pub fn predicted_open(task: &Task, of: OfDevices) -> Vec<QuantityName> {
    let mut all = left_open(task, of);
    let findings = Findings::new();
    let planner = Planner::new(&task.sheets, &task.positions, &findings).told_by(&task.steps);
    let Some(expected) = planner.expected() else { return all };
    for planned in &task.steps {
        let StepTask::SwitchPoints(ramps) = &planned.task else { continue };
        let levels = planner.predicted_levels(ramps, &expected);
        let hidden = levels.iter().zip(SPREADS).filter(|(level, _)| level.hides_spread(task));
        for quantity in
            left_open_by_delays(task, &levels).into_iter().chain(hidden.map(|(_, quantity)| quantity))
        {
            if !all.contains(&quantity) {
                all.push(quantity);
            }
        }
    }
    all
}

/// Spreads of the levels, in the order of prediction.
const SPREADS: [QuantityName; 4] = [
    QuantityName::Repeatability,
    QuantityName::ResetSpread,
    QuantityName::CutOffSpread,
    QuantityName::ResumeSpread,
];
