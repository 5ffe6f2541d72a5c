//! The steps: how they drive the air, and which stretches of the trace they mark.

use self::air_saving::air_saving;
use self::phase::Phase;
use self::response::response;
use self::rig_check::{own_input, path_lag, settling, signals, silence, try_output};
use self::travel::{Aim, travel};
use crate::bench::{Bench, Break};
use crate::plan::FAST_END;
use crate::predict;
use crate::state::Seen;
use std::collections::BTreeSet;
use std::time::Duration;
use tripbench_quantity::{Mono, TimeSpan, VacuumLevel};
use tripbench_record::{
    Answer, Halt, LeakTask, Motion, PlannedStep, Segment, SetAsideReason, StepTask, SwitchPointsTask,
};
use tripbench_rig::Air;

mod air_saving;
mod phase;
mod response;
mod rig_check;
mod travel;

/// Drives one step to its end.
pub(crate) async fn drive(bench: &Bench, step: &PlannedStep) -> Result<(), Halt> {
    match &step.task {
        StepTask::Zero { watch, .. } => repeated(bench, async || zero(bench, *watch).await).await,
        StepTask::Leak(task) => repeated(bench, async || leak(bench, task).await).await,
        StepTask::SwitchPoints(task) => switch_points(bench, task, step).await,
        StepTask::Response(task) => response(bench, task).await,
        StepTask::AirSaving(task) => air_saving(bench, task).await,
        StepTask::Signals { watch } => repeated(bench, async || signals(bench, *watch).await).await,
        StepTask::TryOutput { output, position } => {
            repeated(bench, async || try_output(bench, *output, *position).await).await
        }
        StepTask::OwnInput { position, output, within } => {
            repeated(bench, async || own_input(bench, (*position, *output), *within).await).await
        }
        StepTask::PathLag { times } => repeated(bench, async || path_lag(bench, *times).await).await,
        StepTask::Silence { time } => repeated(bench, async || silence(bench, *time).await).await,
        StepTask::Settling { level, watch } => {
            repeated(bench, async || settling(bench, *level, *watch).await).await
        }
        StepTask::Drive { air } => repeated(bench, async || bench.air(*air).await).await,
        StepTask::Hold { time } => repeated(bench, async || bench.sleep(time.duration()).await).await,
        StepTask::WaitUntil { level, rising, within } => {
            repeated(bench, async || wait_until(bench, *level, *rising, *within).await).await
        }
        StepTask::Ask { text } => {
            repeated(bench, async || ask(bench, &rig_check::with_plugs(bench, text)).await).await
        }
    }
}

/// Repeats a unit of work from its start whenever it is interrupted; the interrupted part is thrown away.
async fn repeated<T>(bench: &Bench, unit: impl AsyncFn() -> Result<T, Break>) -> Result<T, Halt> {
    /// Tries after which the run is halted: the person needs more practice.
    const TRIES: u32 = 10;
    let mut tries = 0;
    loop {
        let from = bench.now();
        match unit().await {
            Ok(value) => return Ok(value),
            Err(Break::Halt(halt)) => return Err(halt),
            Err(Break::Again(why)) => {
                bench.thrown(from, why);
                tries += 1;
                if tries >= TRIES {
                    return Err(Halt::NotSteady);
                }
            }
            Err(Break::Wait(why)) => {
                bench.thrown(from, why);
                if let Err(Break::Halt(halt)) = bench.ready().await {
                    return Err(halt);
                }
            }
        }
    }
}

/// Vents, waits until the reference is at rest, and reads it.
async fn zero(bench: &Bench, watch: TimeSpan) -> Result<(), Break> {
    bench.air(Air::Vent).await?;
    let largest = bench.state.borrow().task.sheets.rig.reference.largest_zero.si();
    until(bench, Air::Vent, VacuumLevel::ZERO, |seen| seen.read.si().abs() <= largest.max(300.0)).await?;
    rest(bench).await?;
    open_by_hand(bench).await?;
    let from = bench.now();
    let until = from + watch.duration();
    let (mut sum, mut count) = (0.0, 0.0);
    while bench.now() < until {
        sum += bench.scan().await?.read.si();
        count += 1.0;
    }
    bench.mark(Segment::Vented, from);
    bench.set_zero(VacuumLevel::new(sum / f64::max(count, 1.0)));
    Ok(())
}

/// Asks whether the rig is open: where a person vents, only that person knows that no vacuum is trapped.
async fn open_by_hand(bench: &Bench) -> Result<(), Break> {
    if !bench.state.borrow().task.sheets.rig.by_hand() {
        return Ok(());
    }
    ask(bench, "Is the rig open to ambient, with no valve or plug that could trap vacuum?").await
}

/// Waits until the vented level is at rest: five time constants of the vent, up to 1 s for the gas, and the valve delay; 0.2 s to 10
/// s.
async fn rest(bench: &Bench) -> Result<(), Break> {
    let time = {
        let manifold = &bench.state.borrow().task.sheets.rig.manifold;
        5.0 * manifold.vent.si() + manifold.thermal.si().min(1.0) + manifold.valve_delay.si()
    };
    bench.sleep(Duration::from_secs_f64(time.clamp(0.2, 10.0))).await
}

/// Evacuates, closes the rig, lets the gas warm, and watches the leak.
async fn leak(bench: &Bench, task: &LeakTask) -> Result<(), Break> {
    bench.air_toward(Air::Evacuate, Some(task.level)).await?;
    until(bench, Air::Evacuate, task.level, |seen| seen.level >= task.level).await?;
    bench.air(Air::Hold).await?;
    bench.sleep(task.settle.duration()).await?;
    let from = bench.now();
    bench.sleep(task.watch.duration()).await?;
    bench.mark(Segment::Closed, from);
    Ok(())
}

/// All positions cross in one pass; the plan has fixed the number of cycles.
async fn switch_points(bench: &Bench, task: &SwitchPointsTask, step: &PlannedStep) -> Result<(), Halt> {
    let mut answered: BTreeSet<u8> = BTreeSet::new();
    for cycle in 1..=task.cycles {
        let switched = repeated(bench, async || {
            bench.cycle(cycle, task.cycles);
            breathe(bench, task, (cycle, step)).await?;
            reset(bench, task).await?;
            let (switched, rising_from, rising_to) = rise(bench, task, cycle).await?;
            let falling_from = fall(bench, task, cycle).await?;
            // Marked together, so that a cycle counts completely or not at all.
            bench.mark_between(Segment::Rising { cycle }, rising_from, rising_to);
            bench.mark(Segment::Falling { cycle }, falling_from);
            Ok(switched)
        })
        .await?;
        for position in bench.active() {
            if !switched.contains(&position) && answered.contains(&position) && !bench.shows_plug(position) {
                bench.set_aside(position, SetAsideReason::StoppedAnswering);
            }
        }
        answered.extend(switched);
    }
    if task.fast_pair() {
        repeated(bench, async || fast_pair(bench, task).await).await?;
    }
    Ok(())
}

/// One more pull past the deep end at full flow, then a vent: beside slower ramps it shows the delays of the outputs. Each is waited
/// for. A pair whose reads came too far apart, because the machine was busy, is repeated up to twice.
async fn fast_pair(bench: &Bench, task: &SwitchPointsTask) -> Result<(), Break> {
    const TRIES: u32 = 3;
    let answered = bench.answered();
    let (mut from, mut turned) = (bench.now(), bench.now());
    for tries in 1..=TRIES {
        if bench.time_left_under_vacuum()
            < longest(bench, Air::Evacuate, VacuumLevel::ZERO, task.top) / 2 + answered * 2
        {
            bench.air(Air::Vent).await?;
            until(bench, Air::Vent, FAST_END, |seen| seen.level <= FAST_END).await?;
        }
        from = bench.now();
        bench.air_toward(Air::Evacuate, Some(task.top)).await?;
        until(bench, Air::Evacuate, task.top, |seen| seen.level >= task.top).await?;
        bench.air(Air::Hold).await?;
        bench.sleep(answered).await?;
        turned = bench.now();
        bench.air(Air::Vent).await?;
        until(bench, Air::Vent, FAST_END, |seen| seen.level <= FAST_END).await?;
        bench.sleep(answered).await?;
        if bench.longest_gap_since(from) <= bench.usual_gap() || tries == TRIES {
            break;
        }
        bench.thrown(from, String::from("reads were too far apart in the fast pair"));
    }
    // Marked together, so that the pair counts completely or not at all.
    bench.mark_between(Segment::FastRising { cycle: 1 }, from, turned);
    bench.mark(Segment::FastFalling { cycle: 1 }, turned);
    Ok(())
}

/// Vents where the next cycle would take longer than the limit of a run allows under vacuum.
async fn breathe(
    bench: &Bench,
    task: &SwitchPointsTask,
    (cycle, step): (u16, &PlannedStep),
) -> Result<(), Break> {
    const VENTED: VacuumLevel = VacuumLevel::new(2_000.0);
    /// Factor by which a cycle may take longer than predicted.
    const LONGER: f64 = 1.3;
    let mean = step.predicted.duration() / u32::from(task.cycles.max(1));
    // A throttled cycle among many others takes far longer than the mean.
    let longest = mean.max(bench.cycle_time(task, cycle)).mul_f64(LONGER);
    if bench.time_left_under_vacuum() > longest {
        return Ok(());
    }
    bench.air(Air::Vent).await?;
    until(bench, Air::Vent, VENTED, |seen| seen.level <= VENTED).await.map(|_| ())
}

/// Goes just below the window, so that every output has dropped. Where the rig's own rate is watched, the gas has to be as warm as in
/// every other cycle: from ambient, a pull through the window that is not evaluated comes first.
async fn reset(bench: &Bench, task: &SwitchPointsTask) -> Result<(), Break> {
    const FAR_BELOW_PA: f64 = 3_000.0;
    let seen = bench.scan().await?;
    if task.rising.is_free() && seen.level.si() < task.bottom.si() - FAR_BELOW_PA {
        bench.air(Air::Evacuate).await?;
        until(bench, Air::Evacuate, task.top, |seen| seen.level >= task.top).await?;
    }
    if bench.scan().await?.level > task.bottom {
        let aim = Aim { to: task.bottom, deeper: false, shift: 0.0 };
        travel(bench, task.falling, aim, |seen| seen.level <= task.bottom).await?;
    }
    Ok(())
}

/// Full flow to short of the window, then as planned past its deep end, without ever going back. Returns the positions whose output
/// changed, and when the window was crossed.
async fn rise(
    bench: &Bench,
    task: &SwitchPointsTask,
    cycle: u16,
) -> Result<(BTreeSet<u8>, Mono, Mono), Break> {
    let motion = task.motion(true, cycle);
    match motion {
        Motion::FullFlow | Motion::ByHand { .. } => {}
        Motion::Throttled => {
            bench.air(Air::Evacuate).await?;
            until(bench, Air::Evacuate, task.near, |seen| seen.level >= task.near).await?;
            bench.air(Air::EvacuateFine).await?;
            rising_again(bench).await?;
        }
        Motion::Regulated { .. } | Motion::Pulses { .. } => {
            bench.air(Air::Evacuate).await?;
            spread_scans(bench, cycle, task.cycles);
            until(bench, Air::Evacuate, task.near, |seen| seen.level >= task.near).await?;
        }
    }
    let mut window: Option<(Mono, Seen)> = None;
    let mut switched = BTreeSet::new();
    let mut phase = task.phase(true, cycle).map(|share| Phase::new(task.phased_at[0], share));
    let mut look = |seen: &Seen| {
        if let Some(phase) = &mut phase {
            phase.see(bench, seen);
        }
        if seen.level >= task.bottom {
            let (_, before) = window.get_or_insert_with(|| (bench.now(), seen.clone()));
            let changed =
                seen.switches.iter().filter(|(position, on)| before.switches.get(*position) != Some(*on));
            switched.extend(changed.map(|(position, _)| position));
        }
    };
    let aim = |to| Aim { to, deeper: true, shift: share(cycle, task.cycles) };
    if task.slow(true).contains(cycle) {
        // The throttle gains nothing beyond the levels that it is for.
        let beyond = if task.throttled_to_the_top(cycle) { task.top } else { task.slow_top };
        travel(bench, motion, aim(beyond), |seen| {
            look(seen);
            seen.level >= beyond
        })
        .await?;
    }
    let motion = if task.slow(true).contains(cycle) { task.rising } else { motion };
    travel(bench, motion, aim(task.top), |seen| {
        look(seen);
        seen.level >= task.top
    })
    .await?;
    let from = window.map_or(bench.now(), |(from, _)| from);
    Ok((switched, from, bench.now()))
}

/// Waits until the level has risen again for a while: after a change to a throttle the gas warms and the vacuum falls back.
async fn rising_again(bench: &Bench) -> Result<(), Break> {
    let mut lowest = bench.scan().await?;
    let limit = bench.now() + Duration::from_secs(30);
    loop {
        let seen = bench.scan().await?;
        if bench.now() > limit {
            let wanted = VacuumLevel::new(lowest.level.si() + 50.0);
            return Err(Halt::NotReached { wanted, reached: seen.level, air: Air::EvacuateFine }.into());
        }
        if seen.level < lowest.level {
            lowest = seen;
        } else if seen.level.si() > lowest.level.si() + 50.0
            && seen.at.since(lowest.at) > Duration::from_millis(100)
        {
            return Ok(());
        }
    }
}

/// From the deep end of the window to below it; returns when the level began to fall.
async fn fall(bench: &Bench, task: &SwitchPointsTask, cycle: u16) -> Result<Mono, Break> {
    let mut from = None;
    let aim = Aim { to: task.bottom, deeper: false, shift: share(cycle, task.cycles) };
    let mut phase = task.phase(false, cycle).map(|share| Phase::new(task.phased_at[1], share));
    travel(bench, task.motion(false, cycle), aim, |seen| {
        if let Some(phase) = &mut phase {
            phase.see(bench, seen);
        }
        if seen.level <= task.top {
            from.get_or_insert_with(|| bench.now());
        }
        seen.level <= task.bottom
    })
    .await?;
    Ok(from.unwrap_or_else(|| bench.now()))
}

/// Place of a cycle among all, from 0 to below 1.
fn share(cycle: u16, cycles: u16) -> f64 {
    f64::from(cycle - 1) / f64::from(cycles.max(1))
}

/// Shifts the scans after an order by a share of the scan period, a different one in each cycle. The first scan follows the order at
/// once, so whatever follows the order after a fixed time would otherwise meet the scans in the same phase in every cycle.
fn spread_scans(bench: &Bench, cycle: u16, cycles: u16) {
    let ends: Vec<Mono> =
        bench.state.borrow().recording.newest().take(21).map(tripbench_rig::Scan::end).collect();
    let mut periods: Vec<Duration> = ends.windows(2).map(|pair| pair[0].since(pair[1])).collect();
    periods.sort_unstable();
    // The median: an order between two scans lengthens their distance.
    if let Some(period) = periods.get(periods.len() / 2) {
        bench.shift_scans(share(cycle, cycles), *period);
    }
}

async fn wait_until(bench: &Bench, level: VacuumLevel, rising: bool, within: TimeSpan) -> Result<(), Break> {
    let until = bench.now() + within.duration();
    loop {
        let seen = bench.scan().await?;
        if (rising && seen.level >= level) || (!rising && seen.level <= level) {
            return Ok(());
        }
        if bench.now() >= until {
            let air = if rising { Air::Evacuate } else { Air::Vent };
            return Err(Halt::NotReached { wanted: level, reached: seen.level, air }.into());
        }
    }
}

/// Asks; a no ends the run.
async fn ask(bench: &Bench, text: &str) -> Result<(), Break> {
    match bench.ask(text).await? {
        Answer::Yes => Ok(()),
        Answer::No => Err(Halt::Refused.into()),
    }
}

/// Scans until `enough`.
///
/// # Errors
/// If it takes longer than twice the rig sheet's prediction plus five seconds, or 90 s by hand: the level does not follow the valve.
async fn until(
    bench: &Bench,
    air: Air,
    wanted: VacuumLevel,
    mut enough: impl FnMut(&Seen) -> bool,
) -> Result<Seen, Break> {
    let mut limit: Option<Mono> = None;
    loop {
        let seen = bench.scan().await?;
        if enough(&seen) {
            return Ok(seen);
        }
        let limit = *limit.get_or_insert_with(|| bench.now() + longest(bench, air, seen.level, wanted));
        if bench.now() > limit {
            return Err(Halt::NotReached { wanted, reached: seen.level, air }.into());
        }
    }
}

fn longest(bench: &Bench, air: Air, from: VacuumLevel, to: VacuumLevel) -> Duration {
    let state = bench.state.borrow();
    let sheets = &state.task.sheets;
    let reached = sheets.site.reached(sheets.rig.manifold.ultimate_vacuum.value);
    let predicted = predict::time(&sheets.rig, reached, air, (from, to)).map_or(30.0, TimeSpan::si);
    // A person first has to read the instruction.
    let spare_s = if sheets.rig.by_hand() { 90.0 } else { 5.0 };
    Duration::from_secs_f64(2.0 * predicted.clamp(0.0, 600.0) + spare_s)
}
