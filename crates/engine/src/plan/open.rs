//! What a run will leave unchecked, reported before any air flows.

use super::Planner;
use tripbench_judge::{OfDevices, left_open};
use tripbench_record::{QuantityName, StepTask, Task};
use tripbench_sheet::Findings;

/// Quantities of devices that will not be checked: those that sheets and steps alone leave open, and spreads predicted not to show
/// between two reads. Each once.
pub fn predicted_open(task: &Task, of: OfDevices) -> Vec<QuantityName> {
    let mut all = left_open(task, of);
    let findings = Findings::new();
    let planner = Planner::new(&task.sheets, &task.positions, &findings).told_by(&task.steps);
    let Some(expected) = planner.expected() else { return all };
    for planned in &task.steps {
        let StepTask::SwitchPoints(ramps) = &planned.task else { continue };
        let hidden = planner.predicted_levels(ramps, &expected);
        let hidden = hidden.iter().zip(SPREADS).filter(|(level, _)| level.hides_spread(task));
        for (_, quantity) in hidden {
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
