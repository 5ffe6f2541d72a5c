//! The steps of `rig check`: every input is shown, every output is tried after the operator's yes, and the module is watched while
//! nothing is sent to it.

use super::{ask, rest, spread_scans, until};
use crate::bench::{Bench, Break};
use crate::state::Seen;
use std::fmt::Write;
use std::time::Duration;
use tripbench_judge::plugs_in;
use tripbench_quantity::{TimeSpan, VacuumLevel};
use tripbench_record::{Answer, DeviceOutput, Segment};
use tripbench_rig::{Air, Order, OutputName};

/// Scans at rest, then asks a person whether every input agrees with the rig.
pub(super) async fn signals(bench: &Bench, watch: TimeSpan) -> Result<(), Break> {
    bench.rest().await?;
    let from = bench.now();
    bench.sleep(watch.duration()).await?;
    bench.mark(Segment::AtRest, from);
    let seen = bench.scan().await?;
    answered(bench, &format!("{} Does this agree with the rig?", inputs(bench, &seen))).await
}

/// Asks what only a person can see. The answer is a result, marked for the judge; neither stops the check here.
async fn answered(bench: &Bench, text: &str) -> Result<(), Break> {
    let yes = bench.ask(text).await? == Answer::Yes;
    bench.mark(Segment::Answered { yes }, bench.now());
    Ok(())
}

/// A question of the check, with the plugs that are in although no device should be mounted.
pub(super) fn with_plugs(bench: &Bench, text: &str) -> String {
    let task = &bench.state.borrow().task;
    let numbers = task.sheets.rig.positions.iter().map(|position| *position.number);
    let seen: Vec<u8> = numbers.filter(|number| bench.plug(*number) == Some(true)).collect();
    match plugs_in(&seen).filter(|_| task.positions.is_empty()) {
        Some(plugs) => format!("Attention: {plugs}. {text}"),
        None => text.to_owned(),
    }
}

/// States of all inputs, in words.
fn inputs(bench: &Bench, seen: &Seen) -> String {
    let style = bench.state.borrow().task.sheets.site.style;
    let mut text = format!("Vacuum {}", style.level(seen.level));
    if let Some(pressure) = seen.air_pressure {
        let _fits_in_memory = write!(text, ", air pressure {:.2} bar", pressure.si() / 1e5);
    }
    let on = |state: bool| if state { "on" } else { "off" };
    for (position, switch) in seen.switches.iter() {
        let _fits_in_memory = write!(text, "; position {position}: switch output {}", on(switch));
        if let Some(valve) = seen.valves.get(position) {
            let _fits_in_memory = write!(text, ", valve output {}", on(valve));
        }
        if let Some(plug) = bench.plug(position) {
            let _fits_in_memory = write!(text, ", device plug {}", if plug { "in" } else { "out" });
        }
    }
    // A tripped guard would already have ended the check.
    for name in bench.guards() {
        let _fits_in_memory = write!(text, "; {name} not tripped");
    }
    text.push('.');
    text
}

/// Switches one output on for about a second, after a yes; where the rig cannot see it act, a person answers whether it did.
pub(super) async fn try_output(bench: &Bench, output: OutputName, position: Option<u8>) -> Result<(), Break> {
    let (order, happens) = what(bench, output, position);
    let whose = position.map_or_else(String::new, |number| format!(" of position {number}"));
    ask(bench, &format!("Next: output `{output}`{whose} for about a second: {happens}. Hands clear?"))
        .await?;
    if matches!(output, OutputName::Bleed | OutputName::Vent) {
        some_vacuum(bench).await?;
    } else {
        bench.air(Air::Vent).await?;
        rest(bench).await?;
        bench.air(Air::Hold).await?;
    }
    bench.sleep(Duration::from_millis(400)).await?;
    let span = bench.carry_out(order).await?;
    acting(bench, span.before).await?;
    bench.mark(Segment::Tried, span.before);
    bench.rest().await?;
    if matches!(output, OutputName::HandOver | OutputName::Loop | OutputName::DevicePower) {
        answered(bench, &format!("The rig cannot see whether `{output}`{whose} acted. Did it act?")).await?;
    }
    Ok(())
}

/// Waits for about a second, or until the level has clearly moved.
async fn acting(bench: &Bench, from: tripbench_quantity::Mono) -> Result<(), Break> {
    const MOVED_PA: f64 = 5_000.0;
    /// Fewest scans: on a slow line a second is only a few.
    const FEWEST: u32 = 8;
    let limit = from + Duration::from_secs(1) + bench.valve_delay();
    let start = bench.scan().await?.level.si();
    for scans in 0.. {
        let moved = (bench.scan().await?.level.si() - start).abs() > MOVED_PA;
        if scans >= FEWEST && (moved || bench.now() >= limit) {
            break;
        }
    }
    Ok(())
}

/// The order that switches one output on alone, and what it does.
fn what(bench: &Bench, output: OutputName, position: Option<u8>) -> (Order, &'static str) {
    const SOME_PA: u32 = 10_000;
    match output {
        OutputName::Evacuate => (Order::Powered(Air::Evacuate), "vacuum is pulled at full flow"),
        OutputName::EvacuateFine => {
            (Order::Powered(Air::EvacuateFine), "vacuum is pulled through the throttle")
        }
        OutputName::Bleed => (
            Order::Powered(Air::Bleed),
            "vacuum is pulled to 15 kPa first, then air comes in through the throttle",
        ),
        OutputName::Vent => {
            (Order::Powered(Air::Vent), "vacuum is pulled to 15 kPa first, then air comes in at full flow")
        }
        OutputName::Regulator => (Order::Regulated(SOME_PA), "vacuum is pulled to 10 kPa"),
        OutputName::HandOver => {
            let first =
                bench.state.borrow().task.sheets.rig.positions.first().map_or(1, |first| *first.number);
            let position = position.unwrap_or(first);
            (Order::HandedOver { position, air: Air::Hold }, "a device at that position may pull vacuum")
        }
        OutputName::Loop => (Order::Looped(true), "nothing moves"),
        OutputName::DevicePower => (Order::Powered(Air::Rest), "the devices are powered"),
    }
}

/// Pulls some vacuum to let air into and lets the gas settle, so that a level falling back by itself is not taken for the valve.
async fn some_vacuum(bench: &Bench) -> Result<(), Break> {
    const SOME: VacuumLevel = VacuumLevel::new(15_000.0);
    bench.air_toward(Air::Evacuate, Some(SOME)).await?;
    until(bench, Air::Evacuate, SOME, |seen| seen.level >= SOME).await?;
    bench.air(Air::Hold).await?;
    bench.sleep(bench.settled().min(Duration::from_secs(10))).await
}

/// Powers the devices while a person operates one output at its plug. Ends once an input has changed and all are back as before.
pub(super) async fn own_input(
    bench: &Bench,
    (position, output): (u8, DeviceOutput),
    within: TimeSpan,
) -> Result<(), Break> {
    /// Time for which all inputs have to be back, so that one that changes a little later is seen too.
    const BACK: Duration = Duration::from_millis(500);
    /// Time that a device needs after power-on; common practice, no source.
    const STARTS: Duration = Duration::from_secs(1);
    let text = format!(
        "Next: the {output} output of position {position}. No valve moves; the plugs have power. After your yes you have {:.0} s: make this output alone change and change back: by operating a device at this plug, or, with no device there, by briefly joining its wire to the potential that the output switches to; only an electrically skilled person may do the latter. Ready?",
        within.si()
    );
    ask(bench, &text).await?;
    bench.air(Air::Rest).await?;
    bench.sleep(STARTS + bench.shown_within()).await?;
    let from = bench.now();
    let limit = from + within.duration();
    let before = bench.scan().await?;
    let mut back_since = None;
    let mut changed = false;
    while bench.now() < limit {
        let seen = bench.scan().await?;
        if (seen.switches, seen.valves) != (before.switches, before.valves) {
            (changed, back_since) = (true, None);
        } else if changed && seen.at.since(*back_since.get_or_insert(seen.at)) >= BACK {
            break;
        }
    }
    bench.mark(Segment::Operated, from);
    bench.rest().await
}

/// Switches the looped output at moments spread over a scan.
pub(super) async fn path_lag(bench: &Bench, times: u16) -> Result<(), Break> {
    ask(
        bench,
        &format!(
            "Next: output `loop` is switched {times} times, the devices powered; nothing moves. Hands clear?"
        ),
    )
    .await?;
    for time in 1..=times {
        let on = time % 2 == 1;
        bench.cycle(time, times);
        let span = bench.carry_out(Order::Looped(on)).await?;
        spread_scans(bench, time, times);
        bench.mark_between(Segment::Looped { on }, span.before, span.after);
        bench.sleep(bench.shown_within()).await?;
    }
    bench.rest().await
}

/// Shuts every valve, powers the devices, then sends nothing: a change of the outputs is then the module's own doing.
pub(super) async fn silence(bench: &Bench, time: TimeSpan) -> Result<(), Break> {
    let text = format!(
        "Next: every valve is shut, the devices are powered, and nothing is sent for {:.1} s, to see whether the module goes to safe by itself. Hands clear?",
        time.si()
    );
    ask(bench, &text).await?;
    bench.air(Air::Hold).await?;
    let from = bench.now();
    bench.scan().await?;
    bench.scan().await?;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some seconds, not negative")]
    let milliseconds = (time.si() * 1e3).max(0.0) as u32;
    bench.carry_out(Order::Silent(milliseconds)).await?;
    bench.scan().await?;
    bench.scan().await?;
    bench.mark(Segment::Silent, from);
    bench.rest().await
}

/// Pulls fast, shuts the valves, and lets the gas warm.
pub(super) async fn settling(bench: &Bench, level: VacuumLevel, watch: TimeSpan) -> Result<(), Break> {
    let style = bench.state.borrow().task.sheets.site.style;
    let text = format!(
        "Next: vacuum is pulled to {} at full flow and kept, then once more for the leak. Hands clear?",
        style.level(level)
    );
    ask(bench, &text).await?;
    bench.air_toward(Air::Evacuate, Some(level)).await?;
    until(bench, Air::Evacuate, level, |seen| seen.level >= level).await?;
    bench.air(Air::Hold).await?;
    bench.sleep(bench.valve_delay()).await?;
    let from = bench.now();
    bench.sleep(watch.duration()).await?;
    bench.mark(Segment::Settling, from);
    bench.rest().await
}
