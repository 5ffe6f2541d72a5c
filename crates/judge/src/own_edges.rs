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
/// passes; or an edge a scan later although it is usually the earlier one. Judgement of this project.
const MISSED: f64 = 1e-2;
/// Exponent of the density of the share of edges that the slower of two inputs of one request shows a scan later, 3·(1 − share)²: filters of
/// one module differ by a fraction of a scan. Inputs that are read one after the other have any share. Judgement of this project.
const AT_ONCE: usize = 3;
/// Number of scans without an edge after which another group begins. Judgement of this project.
const GROUP_SCANS: usize = 20;
/// Number of other positions that this covers; with more, the probability is scaled up (Bonferroni).
const OTHERS: f64 = 3.0;
/// Remark where the edges can distinguish two devices.
const CHECKED: &str = "two similar devices would have shown different edges";
/// Two devices may scatter less than promised, and their levels may be closer than half of the tolerance, by this factor. Judgement of
/// this project.
const BETTER: f64 = 4.0;

/// Checks of each position over the whole run.
pub(crate) fn own_edges(run: &Run<'_>, step: u16) -> Vec<Check> {
    let task = run.channels.task;
    // All inputs of the rig, because the wire may lie on a terminal of a position that does not take part.
    let edges: Vec<(u8, Vec<Shown>)> = task
        .sheets
        .rig
        .positions
        .iter()
        .map(|position| {
            let inputs = std::iter::once(&position.switch).chain(position.valve.as_ref());
            (*position.number, inputs.map(|input| run.shown(input)).collect())
        })
        .collect();
    let scales = scales(run);
    let of_position = |(number, mine): &(u8, Vec<Shown>)| {
        let others = edges.iter().filter(|(other, _)| other != number);
        let pairs = others.flat_map(|(other, theirs)| {
            let pairs = mine.iter().flat_map(move |a| theirs.iter().map(move |b| (a, b)));
            pairs.map(move |(a, b)| (*other, a, b))
        });
        let twins: Vec<(u8, Odds)> =
            pairs.filter_map(|(other, a, b)| odds(scales, a, b).map(|odds| (other, odds))).collect();
        // With many other positions, a coincidence is more likely.
        #[expect(clippy::cast_precision_loss, reason = "a rig has few positions")]
        let among = (edges.len().saturating_sub(1) as f64 / OTHERS).max(1.0);
        let likest = |of: fn(&Odds) -> f64, below: f64| {
            let likest = twins.iter().min_by(|a, b| of(&a.1).total_cmp(&of(&b.1)));
            likest.filter(|(_, odds)| among * of(odds) < below).map(|(other, _)| *other)
        };
        let doubted = likest(|odds| odds.alike, BY_CHANCE).map(Twin::Doubted);
        let twin = doubted.or_else(|| likest(|odds| odds.slower, 1.0 / BY_CHANCE).map(Twin::Possible));
        told(task, step, twin).map(|check| Check { position: Some(*number), ..check })
    };
    let takes_part = |number: u8| task.positions.iter().any(|plan| plan.number == number);
    edges.iter().filter(|(number, _)| takes_part(*number)).flat_map(of_position).collect()
}

/// A position with an input whose edges may be those of the same wire.
#[derive(Clone, Copy)]
enum Twin {
    /// They are.
    Doubted(u8),
    /// Reads do not tell.
    Possible(u8),
}

/// Two checks of an input that shares edges with one at another position: whether this can be a coincidence, and whether the reads could
/// distinguish two similar devices from one.
fn told(task: &Task, step: u16, twin: Option<Twin>) -> [Check; 2] {
    let [seen, checked] =
        [Role::Screening, role(task)].map(|role| blank(task, step, QuantityName::OwnEdges, role, "1"));
    let told = Check { verdict: CheckVerdict::Pass, remark: Some(String::from(CHECKED)), ..checked.clone() };
    let other = match twin {
        None => {
            let remark = Some(String::from("its edges are its own"));
            return [Check { verdict: CheckVerdict::Measured, remark, ..seen }, told];
        }
        Some(Twin::Doubted(other)) => {
            let remark = format!(
                "its edges came in the same scans as at position {other}, or one scan apart: are the inputs wired together?"
            );
            return [Check { verdict: CheckVerdict::Undecided, remark: Some(remark), ..seen }, told];
        }
        Some(Twin::Possible(other)) => other,
    };
    let remark = Some(format!(
        "its edges came in the same scans as at position {other}, or one scan apart: these rates and reads do not distinguish two such \
         similar devices; are the inputs wired together?"
    ));
    [
        Check { verdict: CheckVerdict::Measured, remark: remark.clone(), ..seen },
        Check { verdict: CheckVerdict::Undecided, remark, ..checked },
    ]
}

/// The edges that an input shows.
#[derive(Debug, Clone)]
struct Shown {
    edges: Vec<Edge>,
    /// Span of its read in the first scan of the run: inputs of one request share it.
    read: Option<Span>,
}

/// A change of an input.
#[derive(Debug, Clone, Copy)]
struct Edge {
    /// First scan that shows it.
    scan: usize,
    /// The state after it.
    on: bool,
    /// Change of the level since the scan before, pascal.
    moved_pa: f64,
}

/// How much likelier edges are of two devices than of one that both inputs show. Slow ramps separate two devices.
#[derive(Debug, Clone, Copy)]
struct Odds {
    /// If one of two inputs of one request may be slower by any part of a scan.
    slower: f64,
    /// If two inputs of one request hardly ever show an edge in different scans.
    alike: f64,
}

/// `None` for an input without edges.
///
/// Two inputs on one wire may show an edge one scan apart: because they are read one after the other, or because their filters differ by a
/// fraction of a scan. Then the same input is always the later one, for each direction of the change.
fn odds(scales: (f64, f64), a: &Shown, b: &Shown) -> Option<Odds> {
    if a.edges.is_empty() || b.edges.is_empty() {
        return None;
    }
    let at_once = a.read.is_some() && a.read == b.read;
    let Compared { shared, alone } = compared(&a.edges, &b.edges);
    let [on, off] = [true, false].map(|on| {
        let edges: Vec<&Shared> = shared.iter().filter(|edge| edge.on == on).collect();
        let of_two = of_two_devices(&edges, scales);
        let slower = of_two / of_one_wire(&edges, at_once);
        let late = edges.iter().filter(|edge| edge.later.is_ne()).count();
        Odds { slower, alike: if at_once { of_two / rare(late) } else { slower } }
    });
    let alone = MISSED.powi(alone);
    Some(Odds { slower: on.slower * off.slower / alone, alike: on.alike * off.alike / alone })
}

/// Probability of so many edges, or groups of them, that one wire hardly ever shows.
fn rare(count: usize) -> f64 {
    MISSED.powi(i32::try_from(count).unwrap_or(i32::MAX))
}

/// Probability that two devices show their edges of one direction in these scans: their levels differ by about a quarter of half the
/// tolerance, and each crossing scatters by about a quarter of the promised spread around that difference. `scales` are the two, pascal.
fn of_two_devices(edges: &[&Shared], (half_pa, spread_pa): (f64, f64)) -> f64 {
    let usual = usual(edges);
    let Some(first) = edges.iter().position(|edge| edge.later == usual) else { return 1.0 };
    let scans = |edge: &Shared| (edge.later as i32).abs_diff(usual as i32);
    let of = |(index, edge): (usize, &&Shared)| {
        if index == first {
            geometric(edge.moved_pa, half_pa / BETTER, (usual as i32).unsigned_abs())
        } else {
            geometric(edge.moved_pa, spread_pa / BETTER, scans(edge))
        }
    };
    edges.iter().enumerate().map(of).product()
}

/// Probability of a distance of so many scans, one way, between edges that lie about `apart_pa` from each other: two-sided geometric.
fn geometric(moved_pa: f64, apart_pa: f64, scans: u32) -> f64 {
    let same = moved_pa / (moved_pa + apart_pa);
    // From same = (1 − r)/(1 + r), with r the ratio of the probabilities of one scan more and less.
    let ratio = apart_pa / (2.0 * moved_pa + apart_pa);
    same * (0..scans).map(|_| ratio).product::<f64>()
}

/// Probability that two inputs on one wire show its edges of one direction in these scans: one input is usually the later one, in an unknown
/// share of the edges.
fn of_one_wire(edges: &[&Shared], at_once: bool) -> f64 {
    let later = |which: Ordering| edges.iter().filter(|edge| edge.later == which).count();
    let (less, greater) = (later(Ordering::Less), later(Ordering::Greater));
    let often = late_shares(edges.len(), less.max(greater), if at_once { AT_ONCE } else { 1 });
    often.max(rare(less.max(greater))) * rare(less.min(greater))
}

/// Probability that k of n edges, those that are late, are late, if each is with the same unknown probability of the beta distribution
/// B(1, b): b/(n + b) · k!·(n − k + b − 1)!/(n + b − 1)!.
fn late_shares(n: usize, k: usize, b: usize) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a run has few edges")]
    let share = |part: usize, whole: usize| part as f64 / whole as f64;
    let factors = (1..=k).map(|i| share(i, n - k + b - 1 + i));
    share(b, n + b) * factors.product::<f64>()
}

/// The most frequent place of the first input's edges beside those of the other one.
fn usual(edges: &[&Shared]) -> Ordering {
    let number = |which: &Ordering| edges.iter().filter(|edge| edge.later == *which).count();
    let places = [Ordering::Less, Ordering::Greater, Ordering::Equal];
    places.into_iter().max_by_key(number).unwrap_or(Ordering::Equal)
}

/// An edge that both inputs show, at most one scan apart.
struct Shared {
    /// The state after it, of the first input.
    on: bool,
    /// Change of the level from scan to scan, pascal.
    moved_pa: f64,
    /// The place of the first input's edge beside that of the other one.
    later: Ordering,
}

/// The edges of two inputs side by side.
struct Compared {
    shared: Vec<Shared>,
    /// Number of groups of edges that only one of them shows.
    alone: i32,
}

fn compared(a: &[Edge], b: &[Edge]) -> Compared {
    let mut found = Compared { shared: Vec::new(), alone: 0 };
    let (mut a, mut b) = (a.iter().peekable(), b.iter().peekable());
    let mut last_alone: Option<usize> = None;
    loop {
        let scan = match (a.peek(), b.peek()) {
            (Some(mine), Some(theirs)) if mine.scan.abs_diff(theirs.scan) <= 1 => {
                let moved_pa = f64::midpoint(mine.moved_pa, theirs.moved_pa);
                found.shared.push(Shared { on: mine.on, moved_pa, later: mine.scan.cmp(&theirs.scan) });
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
    fn shown(&self, input: &DigitalInput) -> Shown {
        let first = self.moments.first().and_then(|moment| self.channels.bit(moment.scan, input));
        Shown { edges: self.edges(input), read: first.map(|bit| bit.span) }
    }

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
            Some(Edge { scan, on: after, moved_pa: moved_pa(scan) })
        };
        pairs.filter_map(edge).collect()
    }
}

#[cfg(test)]
mod tests;
