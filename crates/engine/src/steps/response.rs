//! Step `response`: past the levels at full flow and back at full vent, repeatedly.

use super::{repeated, spread_scans, until};
use crate::bench::{Bench, Break};
use crate::plan::FAST_END;
use std::time::Duration;
use tripbench_record::{Halt, ResponseTask, Segment};
use tripbench_rig::Air;

/// As many operations as planned; all positions in each.
pub(super) async fn response(bench: &Bench, task: &ResponseTask) -> Result<(), Halt> {
    for cycle in 1..=task.operations {
        repeated(bench, async || {
            bench.cycle(cycle, task.operations);
            operation(bench, task, cycle).await
        })
        .await?;
    }
    Ok(())
}

async fn operation(bench: &Bench, task: &ResponseTask, cycle: u16) -> Result<(), Break> {
    // Long enough for the slowest output that is still allowed, and for one that is late.
    let answered = task.limit.duration() * 2 + bench.input_time() + Duration::from_millis(100);
    bench.air(Air::Vent).await?;
    until(bench, Air::Vent, FAST_END, |seen| seen.level <= FAST_END).await?;
    bench.sleep(answered).await?;
    let from = bench.now();
    bench.air(Air::Evacuate).await?;
    spread_scans(bench, cycle, task.operations);
    until(bench, Air::Evacuate, task.top, |seen| seen.level >= task.top).await?;
    bench.air(Air::Hold).await?;
    bench.sleep(answered).await?;
    let turned = bench.now();
    bench.air(Air::Vent).await?;
    spread_scans(bench, cycle, task.operations);
    until(bench, Air::Vent, FAST_END, |seen| seen.level <= FAST_END).await?;
    bench.sleep(answered).await?;
    // Marked together, so that an operation counts completely or not at all.
    bench.mark_between(Segment::FastRising { cycle }, from, turned);
    bench.mark(Segment::FastFalling { cycle }, turned);
    Ok(())
}
