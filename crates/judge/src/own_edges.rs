//! Whether every input has edges of its own: inputs that are wired together, or a wire on the terminal of another position, show the
//! edges of one device twice.

use crate::condition::blank;
use crate::coverage::role;
use crate::promised::promised_spread_pa;
use crate::states::{Moment, Run};
use std::cmp::Ordering;
use tripbench_device::expected;
use tripbench_quantity::Span;
use tripbench_record::{Check, CheckVerdict, Motion, PlannedStep, QuantityName, Role, StepTask, Task};
use tripbench_rig::DigitalInput;

/// Probability below which shared edges are not a coincidence. Judgement of this project.
const BY_CHANCE: f64 = 1e-2;
/// Probability that one of two inputs on one wire shows an edge, or a group of edges, that the other does not: a bounce that only one filter
/// passes; or an edge a scan later although both are read in one request, because its filter is slower by a fraction of a scan. Judgement of
/// this project.
const MISSED: f64 = 1e-2;
/// Number of scans without an edge after which another group begins. Judgement of this project.
const GROUP_SCANS: usize = 20;
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

/// Two checks of an input that shares edges with one at another position: whether this can be a coincidence, and whether the reads could
/// distinguish two similar devices from one.
fn told(task: &Task, step: u16, twin: Option<(u8, f64)>) -> [Check; 2] {
    let [seen, checked] =
        [Role::Screening, role(task)].map(|role| blank(task, step, QuantityName::OwnEdges, role, "1"));
    let told = Check { verdict: CheckVerdict::Pass, remark: Some(String::from(CHECKED)), ..checked.clone() };
    let Some((other, chance)) = twin.filter(|(_, chance)| *chance < 1.0 / BY_CHANCE) else {
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
    /// The state after it.
    on: bool,
    /// Span of the read that shows it first. Inputs of one request share it.
    read: Span,
    /// Change of the level since the scan before, pascal.
    moved_pa: f64,
}

/// How much likelier these edges are of two devices than of one that both inputs show; `None` for an input without edges. Slow ramps separate
/// two devices.
///
/// Two inputs on one wire may show an edge one scan apart: because they are read one after the other, or because their filters differ by a
/// fraction of a scan. Then the same input is always the later one, for each direction of the change. So edges one scan apart that way do not
/// make two devices of them, and neither does a bounce that only one of them shows.
fn by_chance(run: &Run<'_>, a: &[Edge], b: &[Edge]) -> Option<f64> {
    if a.is_empty() || b.is_empty() {
        return None;
    }
    let (half_pa, spread_pa) = scales(run);
    let Compared { shared, alone } = compared(a, b);
    // The first edge each way shows whether both have the same level, the later ones whether they scatter alike.
    // Inputs of one request are read at the same time.
    let at_once =
        shared.iter().any(|(edge, later)| later.is_eq() && b.iter().any(|other| other.read == edge.read));
    let chance = shared.iter().enumerate().map(|(index, (edge, later))| {
        // Three scans cover an edge that one of two reads may miss.
        let moved_pa = if later.is_eq() { edge.moved_pa } else { 3.0 * edge.moved_pa };
        let apart_pa = if index < 2 { half_pa / BETTER } else { spread_pa / BETTER };
        let rare = if at_once && later.is_ne() { MISSED } else { 1.0 };
        moved_pa / (moved_pa + apart_pa) / rare
    });
    Some(chance.product::<f64>() / MISSED.powi(alone + against(&shared)))
}

/// The edges of two inputs side by side.
struct Compared {
    /// Edges of both, at most one scan apart, and which of the two shows it later.
    shared: Vec<(Edge, Ordering)>,
    /// Number of groups of edges that only one of them shows.
    alone: i32,
}

/// Number of shared edges in which the other input is later than in most of that direction.
fn against(shared: &[(Edge, Ordering)]) -> i32 {
    let later = |on: bool, which: Ordering| {
        shared.iter().filter(|(edge, later)| edge.on == on && *later == which).count()
    };
    let fewer = [true, false].map(|on| later(on, Ordering::Less).min(later(on, Ordering::Greater)));
    i32::try_from(fewer.iter().sum::<usize>()).unwrap_or(i32::MAX)
}

fn compared(a: &[Edge], b: &[Edge]) -> Compared {
    let mut found = Compared { shared: Vec::new(), alone: 0 };
    let (mut a, mut b) = (a.iter().peekable(), b.iter().peekable());
    let mut last_alone: Option<usize> = None;
    loop {
        let scan = match (a.peek(), b.peek()) {
            (Some(mine), Some(theirs)) if mine.scan.abs_diff(theirs.scan) <= 1 => {
                found.shared.push((**mine, mine.scan.cmp(&theirs.scan)));
                a.next();
                b.next();
                continue;
            }
            (Some(mine), Some(theirs)) if mine.scan < theirs.scan => mine.scan,
            (Some(mine), None) => mine.scan,
            (_, Some(theirs)) => theirs.scan,
            (None, None) => return found,
        };
        if a.next_if(|edge| edge.scan == scan).is_none() {
            b.next();
        }
        found.alone += i32::from(last_alone.is_none_or(|before| scan > before + GROUP_SCANS));
        last_alone = Some(scan);
    }
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
            let after = on(&pair[1])?;
            if on(&pair[0])? == after {
                return None;
            }
            let read = self.channels.bit(pair[1].scan, input)?.span;
            Some(Edge { scan, on: after, read, moved_pa: moved_pa(scan) })
        };
        pairs.filter_map(edge).collect()
    }
}

#[cfg(test)]
mod tests;
