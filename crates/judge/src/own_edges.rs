//! Whether every input has edges of its own: inputs that are wired together, or a wire on the terminal of another position, show the
//! edges of one device twice.

use crate::condition::blank;
use crate::coverage::role;
use crate::promised::promised_spread_pa;
use crate::states::{Moment, Run};
use tripbench_device::expected;
use tripbench_quantity::Span;
use tripbench_record::{Check, CheckVerdict, Motion, PlannedStep, QuantityName, Role, StepTask, Task};
use tripbench_rig::DigitalInput;

/// Probability below which shared edges are not a coincidence. Judgement of this project.
const BY_CHANCE: f64 = 1e-2;
/// Number of other positions that this covers; with more, the probability is scaled up (Bonferroni).
const OTHERS: f64 = 3.0;
/// Remark where the edges can distinguish two devices.
const CHECKED: &str = "such edges distinguish two devices";
/// Two devices may scatter less than promised, and their levels may be closer than half of the tolerance, by this factor. Judgement of
/// this project.
const BETTER: f64 = 4.0;

/// Checks of each position over the whole run.
pub(crate) fn own_edges(run: &Run<'_>, step: u16) -> Vec<Check> {
    let task = run.channels.task;
    // All inputs of the rig, because the wire may lie on a terminal of a position that does not take part.
    let edges: Vec<(u8, Vec<Vec<Edge>>)> = task
        .sheets
        .rig
        .positions
        .iter()
        .map(|position| {
            let inputs = std::iter::once(&position.switch).chain(position.valve.as_ref());
            (*position.number, inputs.map(|input| run.edges(input)).collect())
        })
        .collect();
    let of_position = |(number, mine): &(u8, Vec<Vec<Edge>>)| {
        let others = edges.iter().filter(|(other, _)| other != number);
        let pairs = others.flat_map(|(other, theirs)| {
            let pairs = mine.iter().flat_map(move |a| theirs.iter().map(move |b| (a, b)));
            pairs.map(move |(a, b)| (*other, a, b))
        });
        let twins = pairs.filter_map(|(other, a, b)| by_chance(run, a, b).map(|chance| (other, chance)));
        // With many other positions, a coincidence is more likely.
        #[expect(clippy::cast_precision_loss, reason = "a rig has few positions")]
        let among = (edges.len().saturating_sub(1) as f64 / OTHERS).max(1.0);
        let twin = twins.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(other, chance)| (other, among * chance));
        told(task, step, twin).map(|check| Check { position: Some(*number), ..check })
    };
    let takes_part = |number: u8| task.positions.iter().any(|plan| plan.number == number);
    edges.iter().filter(|(number, _)| takes_part(*number)).flat_map(of_position).collect()
}

/// Two checks of an input that shares all its edges with one at another position: whether this can be a coincidence, and whether the
/// reads could distinguish two similar devices from one.
fn told(task: &Task, step: u16, twin: Option<(u8, f64)>) -> [Check; 2] {
    let [seen, checked] =
        [Role::Screening, role(task)].map(|role| blank(task, step, QuantityName::OwnEdges, role, "1"));
    let told = Check { verdict: CheckVerdict::Pass, remark: Some(String::from(CHECKED)), ..checked.clone() };
    let Some((other, chance)) = twin else {
        let remark = Some(String::from("its edges are its own"));
        return [Check { verdict: CheckVerdict::Measured, remark, ..seen }, told];
    };
    if chance < BY_CHANCE {
        let remark = format!(
            "its edges came in the same scans as at position {other}: are the inputs wired together?"
        );
        return [Check { verdict: CheckVerdict::Undecided, remark: Some(remark), ..seen }, told];
    }
    let remark = Some(format!(
        "its edges came in the same scans as at position {other}: these rates and reads do not distinguish two such similar \
         devices; are the inputs wired together?"
    ));
    [
        Check { verdict: CheckVerdict::Measured, remark: remark.clone(), ..seen },
        Check { verdict: CheckVerdict::Undecided, remark, ..checked },
    ]
}

/// A change of an input.
#[derive(Debug, Clone, Copy)]
struct Edge {
    /// First scan that shows it.
    scan: usize,
    /// Span of the read that shows it first. Inputs of one request share it.
    read: Span,
    /// Change of the level since the scan before, pascal.
    moved_pa: f64,
}

/// Probability that two devices share all their edges as these inputs do; `None` if the edges differ. Slow ramps separate two devices.
/// Two inputs on one wire that are read one after the other may show an edge one scan apart.
fn by_chance(run: &Run<'_>, a: &[Edge], b: &[Edge]) -> Option<f64> {
    let apart = |(a, b): (&Edge, &Edge)| a.scan.abs_diff(b.scan);
    if a.is_empty() || a.len() != b.len() || a.iter().zip(b).any(|both| apart(both) > 1) {
        return None;
    }
    // Inputs in one request are read at the same time.
    let at_once = a.iter().zip(b).any(|(a, b)| a.scan == b.scan && a.read == b.read);
    if at_once && a.iter().zip(b).any(|both| apart(both) > 0) {
        return None;
    }
    let (half_pa, spread_pa) = scales(run);
    // The first edge each way shows whether both have the same level, the later ones whether they scatter alike.
    let chance = a.iter().zip(b).enumerate().map(|(index, both)| {
        // Three scans cover an edge that one of two reads may miss.
        let moved_pa = if apart(both) == 0 { both.0.moved_pa } else { 3.0 * both.0.moved_pa };
        let apart_pa = if index < 2 { half_pa / BETTER } else { spread_pa / BETTER };
        moved_pa / (moved_pa + apart_pa)
    });
    Some(chance.product())
}

/// Scans on both sides that cover a whole pulse: the level moves in steps, and a pulse can end between two reads.
const PULSE_SCANS: usize = 3;

/// Whether the air moves in pulses in any step.
fn in_pulses(task: &Task) -> bool {
    let pulses = |motion| matches!(motion, Motion::Pulses { .. });
    let ramps = |planned: &PlannedStep| matches!(&planned.task, StepTask::SwitchPoints(ramps) if pulses(ramps.rising) || pulses(ramps.falling));
    task.steps.iter().any(ramps)
}

/// Half of the tolerance of the switch point, and the promised spread, pascal.
fn scales(run: &Run<'_>) -> (f64, f64) {
    let task = run.channels.task;
    let both = task.sheets.settings.as_ref().zip(task.sheets.device.as_ref());
    both.map_or((1_000.0, 50.0), |(settings, device)| {
        let on = expected(settings, device).on;
        ((on.high.si() - on.low.si()) / 2.0, promised_spread_pa(task, on.low.si()))
    })
}

impl Run<'_> {
    /// Every change of an input while the devices have power.
    fn edges(&self, input: &DigitalInput) -> Vec<Edge> {
        let state = self.channels.state(input);
        let on = |moment: &Moment<'_>| state(moment.scan).filter(|_| moment.powered);
        let pairs = self.moments.windows(2).zip(1..);
        let around = if in_pulses(self.channels.task) { PULSE_SCANS } else { 0 };
        let moved_pa = |scan: usize| {
            let before = &self.moments[(scan - 1).saturating_sub(around)];
            let after = &self.moments[(scan + around).min(self.moments.len() - 1)];
            (after.level_pa - before.level_pa).abs().max(1.0)
        };
        let edge = |(pair, scan): (&[Moment<'_>], usize)| {
            if on(&pair[0])? == on(&pair[1])? {
                return None;
            }
            let after = self.channels.bit(pair[1].scan, input)?;
            Some(Edge { scan, read: after.span, moved_pa: moved_pa(scan) })
        };
        pairs.filter_map(edge).collect()
    }
}

#[cfg(test)]
mod tests;
