//! Step `air-saving`: one position after the other drives the evacuation valve itself.

use super::{repeated, until};
use crate::bench::{Bench, Break};
use crate::state::Seen;
use std::time::Duration;
use tripbench_record::{AirSavingTask, Drive, Halt, Segment};
use tripbench_rig::Air;

/// How often the device has cut the valve and fed again while it drives it.
#[derive(Debug, Default)]
struct Loop {
    cuts: u16,
    feeds: u16,
}

/// One position at a time: the manifold is shared, and there is one evacuation valve.
pub(super) async fn air_saving(bench: &Bench, task: &AirSavingTask) -> Result<(), Halt> {
    for position in bench.active() {
        repeated(bench, async || {
            if bench.active().contains(&position) {
                drive_itself(bench, task, position).await
            } else {
                Ok(())
            }
        })
        .await?;
    }
    Ok(())
}

/// Starts below every level and ends when the device has cut and fed as often as planned, or no longer does.
async fn drive_itself(bench: &Bench, task: &AirSavingTask, position: u8) -> Result<(), Break> {
    /// A device that has not fed within this time, and the longest that a good output takes, never will.
    const FEEDS_WITHIN: Duration = Duration::from_secs(2);
    /// Time in which the level turns after the last resume and rises again.
    const AFTER_RESUME: Duration = Duration::from_millis(300);
    let let_in = if task.falling == Air::Hold { Air::Vent } else { task.falling };
    if bench.scan().await?.level > task.bottom {
        bench.air(let_in).await?;
        until(bench, let_in, task.bottom, |seen| seen.level <= task.bottom).await?;
    }
    bench.air(Air::Hold).await?;
    let from = bench.now();
    let (mut done, mut fed, mut since) = (Loop::default(), false, from);
    let mut ordered: Option<bool> = None;
    loop {
        let seen = bench.scan().await?;
        let feeding = seen.valves.get(position) == Some(task.feeding);
        if feeding != fed {
            count(&mut done, feeding, task.cycles, bench.cycle_of(task.cycles));
            (fed, since) = (feeding, bench.now());
        }
        if ordered != Some(feeding) {
            give(bench, task, position, feeding).await?;
            ordered = Some(feeding);
        }
        if over(&done, task, &seen) {
            break;
        }
        let waited = bench.now().since(since);
        let never_fed = done.cuts == 0 && !feeding && waited > FEEDS_WITHIN + bench.unanswered();
        if never_fed || waited > task.within.duration() {
            break;
        }
    }
    if fed && bench.scan().await?.level < task.top {
        bench.sleep(AFTER_RESUME).await?;
    }
    bench.mark(Segment::Saving { position }, from);
    bench.air(Air::Hold).await
}

/// Counts a change of the valve output; the first feed is the start, not a resume.
fn count(done: &mut Loop, feeding: bool, cycles: u16, tell: impl Fn(u16)) {
    if !feeding {
        done.cuts += 1;
        tell(done.cuts.min(cycles));
    } else if done.cuts > 0 {
        done.feeds += 1;
    }
}

/// Whether the device has done enough, or the level has left the range.
fn over(done: &Loop, task: &AirSavingTask, seen: &Seen) -> bool {
    let enough = done.cuts >= task.cycles && done.feeds >= task.cycles;
    let too_deep = seen.level >= task.top;
    let fell_through = done.cuts > 0 && seen.level <= task.bottom;
    enough || too_deep || fell_through
}

/// Gives the valve the state that the device asks for: through the rig's own output, or by the wire between them.
async fn give(bench: &Bench, task: &AirSavingTask, position: u8, feeding: bool) -> Result<(), Break> {
    match task.drive {
        Drive::ThroughRig => bench.air(if feeding { Air::Evacuate } else { task.falling }).await,
        Drive::ByWire => bench.hand_over(position, if feeding { Air::Hold } else { task.falling }).await,
    }
}
