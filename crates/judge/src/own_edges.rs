//! Whether every input has edges of its own: inputs that are wired together, or a wire that lies on the terminal of another position,
//! show the edges of one device twice.

use crate::channel::Channels;
use crate::condition::blank;
use crate::promised::promised_spread_pa;
use crate::states::{Moment, Run};
use tripbench_device::expected;
use tripbench_record::{Check, CheckVerdict, Mark, QuantityName, Role};
use tripbench_rig::DigitalInput;

/// Below this probability two devices do not share all their edges by chance.
const BY_CHANCE: f64 = 1e-2;
/// Fewest edges that say something.
const FEWEST: usize = 4;
/// A device may scatter by so much less than promised, and two devices be so much nearer than half their tolerance. Judgements of
/// this project.
const BETTER: f64 = 4.0;

/// Checks of each position over the whole run.
pub(crate) fn own_edges(channels: &Channels<'_>, marks: &[Mark], step: u16) -> Vec<Check> {
    let task = channels.task;
    let Some(run) = Run::up_to(channels, marks, step) else { return Vec::new() };
    // Every input of the rig, whoever takes part: the wire may lie on a terminal of a position that does not.
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
    let check = |(number, mine): &(u8, Vec<Vec<Edge>>)| {
        let others = edges.iter().filter(|(other, _)| other != number);
        let twin =
            others.clone().find(|(_, theirs)| mine.iter().any(|a| theirs.iter().any(|b| shared(&run, a, b))));
        let check = blank(task, step, QuantityName::OwnEdges, Role::Required, "1");
        let (verdict, remark) = match twin {
            Some((other, _)) => (
                CheckVerdict::Undecided,
                format!(
                    "every edge of it came in the same scan as at position {other}: are the inputs wired together?"
                ),
            ),
            None => (CheckVerdict::Pass, String::from("its edges are its own")),
        };
        Check { position: Some(*number), verdict, remark: Some(remark), ..check }
    };
    let takes_part = |number: u8| task.positions.iter().any(|plan| plan.number == number);
    edges.iter().filter(|(number, _)| takes_part(*number)).map(check).collect()
}

/// A change of an input.
#[derive(Debug, Clone, Copy)]
struct Edge {
    /// Scan that shows it first.
    scan: usize,
    /// How far the level went since the scan before, pascal.
    moved_pa: f64,
}

/// Whether two inputs share all their edges, and that is no chance: slow ramps tell two devices apart.
fn shared(run: &Run<'_>, a: &[Edge], b: &[Edge]) -> bool {
    if a.len() < FEWEST || a.len() != b.len() || a.iter().zip(b).any(|(a, b)| a.scan != b.scan) {
        return false;
    }
    let (half_pa, spread_pa) = scales(run);
    // The first edge each way tells whether the two have the same level, the others whether they scatter alike.
    let chance = a.iter().enumerate().map(|(index, Edge { moved_pa, .. })| {
        let apart_pa = if index < 2 { half_pa / BETTER } else { spread_pa / BETTER };
        (moved_pa / (moved_pa + apart_pa)).ln()
    });
    chance.sum::<f64>() < BY_CHANCE.ln()
}

/// Half of the tolerance of a level, and the promised spread, pascal.
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
        let state = |moment: &Moment<'_>| {
            let bit = self.channels.bit(moment.scan, input).filter(|_| moment.powered);
            bit.map(|bit| bit.on)
        };
        let pairs = self.moments.windows(2).zip(1..);
        let edge = |(pair, scan): (&[Moment<'_>], usize)| {
            let changed = state(&pair[0])? != state(&pair[1])?;
            changed.then(|| Edge { scan, moved_pa: (pair[1].level_pa - pair[0].level_pa).abs().max(1.0) })
        };
        pairs.filter_map(edge).collect()
    }
}

#[cfg(test)]
mod tests;
