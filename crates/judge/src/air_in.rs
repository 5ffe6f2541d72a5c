//! Whether the outputs `bleed` and `vent` of a rig are at each other's addresses: each of them alone lets air in as expected, but the
//! wrong one is faster.

use crate::channel::{Channels, marks_of};
use std::time::Duration;
use tripbench_record::{Mark, Segment, StepTask};
use tripbench_rig::OutputName;

/// Factor between the declared time constants from which the two can be told apart, and by which the rates must be the other way round.
/// Judgement of this project.
const APART: f64 = 2.0;

/// A sentence for the later of the steps `try bleed` and `try vent`, if the level fell faster through the valve that the sheet calls the
/// slower one.
pub(crate) fn crossed(
    channels: &Channels<'_>,
    marks: &[Mark],
    step: u16,
    output: OutputName,
) -> Option<String> {
    let other = match output {
        OutputName::Bleed => OutputName::Vent,
        OutputName::Vent => OutputName::Bleed,
        OutputName::Evacuate
        | OutputName::EvacuateFine
        | OutputName::Regulator
        | OutputName::HandOver
        | OutputName::Loop
        | OutputName::DevicePower => return None,
    };
    let tries = |task: &StepTask| matches!(task, StepTask::TryOutput { output, .. } if *output == other);
    let steps = (0_u16..).zip(&channels.task.steps).take_while(|(index, _)| *index < step);
    let (before, _) = steps.filter(|(_, planned)| tries(&planned.task)).last()?;
    let [mine, others] = [step, before].map(|step| fall_pa_per_s(channels, marks, step));
    let (mine, others) = (mine?, others?);
    let (bleed, vent) = if output == OutputName::Bleed { (mine, others) } else { (others, mine) };
    let manifold = &channels.task.sheets.rig.manifold;
    let declared_apart = manifold.bleed.as_ref()?.si() > APART * manifold.vent.si();
    (declared_apart && bleed > APART * vent).then(|| {
        format!(
            "air comes in {:.0} times as fast through `bleed` as through `vent`, and the rig sheet declares `bleed` as the slower one: \
             are they at each other's addresses? Correct `at` of the two outputs, or `manifold.bleed` and `manifold.vent`",
            bleed / vent
        )
    })
}

/// Rate at which the level fell through an output, pascals per second: the first quarter of it, or as much as there was time for; `None`
/// if it did not fall.
fn fall_pa_per_s(channels: &Channels<'_>, marks: &[Mark], step: u16) -> Option<f64> {
    const BEFORE: Duration = Duration::from_millis(300);
    /// Shares of the level at which the fall has begun, and at which it is over.
    const BEGUN: f64 = 0.05;
    const OVER: f64 = 0.25;
    let mark = marks_of(marks, step, |segment| segment == Segment::Tried).last().copied()?;
    let samples = channels.raw_samples(&Mark { from: mark.from - BEFORE, ..mark });
    let start_pa = samples.first()?.level_pa;
    let fallen = |share: f64| move |level_pa: f64| level_pa < start_pa * (1.0 - share);
    let last = samples.iter().find(|sample| fallen(OVER)(sample.level_pa)).or(samples.last())?;
    let first = samples.iter().take_while(|sample| !fallen(BEGUN)(sample.level_pa)).last()?;
    let rate = (first.level_pa - last.level_pa) / (last.t_s - first.t_s);
    (rate.is_finite() && rate > 0.0).then_some(rate)
}
