#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "computed moments and words of a trace, far within their types"
)]

use super::*;
use crate::bench::{Bench, Played, World, mark, within};
use crate::channel::changes;
use rstest::rstest;
use tripbench_record::Segment;
use tripbench_rig::Area;

/// An input that changes `late_s` after 2 s, stamped by an overflowing clock of 1 ms with an offset; the stamp is wrong by a number of
/// ticks.
fn stamped(late_s: f64, filter: &str, offset: u32, wrong: i32) -> (Option<Bracket>, Bracket) {
    let clock = format!(
        "input_filter = \"{filter}\"\nclock = {{ at = \"input-register 9\", tick = \"1 ms\" }}\nimage_age = \"0 ms\""
    );
    let bench = Bench::new().rig("image_age = \"0 ms\"", &clock).rig(
        "switch = { at = \"discrete-input 0\" }",
        "switch = { at = \"discrete-input 0\", capture = { at = \"input-register 8\" } }",
    );
    let at_s = 2.0 + late_s;
    let ticks = move |t_s: f64| offset + (t_s * 1e3).floor() as u32;
    let world = World::new()
        .to(0.0, 2.0)
        .toggled(0, vec![at_s])
        .signal(Area::InputRegister, 9, move |t_s| ticks(t_s) as u16)
        .signal(Area::InputRegister, 8, move |t_s| {
            if t_s < at_s { 7 } else { (i64::from(ticks(at_s)) + i64::from(wrong)) as u16 }
        });
    let played = Played::of(&bench, &world);
    let channels = played.channels();
    let mark = mark(0, Segment::AtRest, 1.5, 2.5);
    let input = &played.task.sheets.rig.positions[0].switch;
    let change = changes(&channels.bits(&mark, input))[0];
    let module = &played.task.sheets.rig.module;
    let by_reads = bracket(change.last_old, change.first_new, module.input_filter, module.image_age);
    (edge(&channels, &mark, input, &change), by_reads)
}

// The clock is read within 0.4 ms: the stamped tick is known to about that on the run's clock, and lasts 1 ms. Reads alone leave 5.4
// ms.
#[rstest]
#[case(0.0003, 0)]
#[case(0.0027, 0)]
#[case(0.0045, 63_400)]
#[case(0.0011, 65_530)]
fn a_stamp_brackets_an_edge_closer_than_reads(#[case] late_s: f64, #[case] offset: u32) {
    let (found, by_reads) = stamped(late_s, "0 ms", offset, 0);
    let found = found.expect("an edge");
    let at_s = 2.0 + late_s;
    assert!(found.earliest_s <= at_s && at_s <= found.latest_s, "{found:?}");
    assert!(found.width_s() < 2.6e-3 && (by_reads.latest_s - by_reads.earliest_s - 5.4e-3).abs() < 1e-9);
    // Readings 2.2 ms into each scan, from 2.0 to 2.4 ms, when the clock shows whole milliseconds. Every tick starts 0.2 to 1 ms before
    // a reading began, so its start lies between the bounds of the earliest and the latest reading.
    let tick_s = (at_s * 1e3).floor() / 1e3;
    within(found.earliest_s.max(tick_s - 1.1e-3), found.earliest_s, 1e-9);
    within(found.latest_s.min(tick_s + 1.6e-3), found.latest_s, 1e-9);
}

// A filter delays what the module sees, and is subtracted from both.
#[test]
fn the_filter_is_taken_off_a_stamp() {
    let (without, _) = stamped(0.0027, "0 ms", 0, 0);
    let (with, _) = stamped(0.0027, "20 ms", 0, 0);
    let (without, with) = (without.expect("one"), with.expect("one"));
    within(without.earliest_s - with.earliest_s, 0.02, 1e-9);
    within(without.latest_s - with.latest_s, 0.02, 1e-9);
}

#[rstest]
#[case(-20)]
#[case(20)]
fn a_stamp_that_contradicts_the_reads_is_no_edge(#[case] wrong: i32) {
    assert!(stamped(0.0027, "0 ms", 0, wrong).0.is_none());
}

#[rstest]
#[case(-1)]
#[case(1)]
fn a_stamp_that_is_a_tick_off_moves_the_edge(#[case] wrong: i32) {
    let (right, _) = stamped(0.0037, "0 ms", 0, 0);
    let (moved, _) = stamped(0.0037, "0 ms", 0, wrong);
    let (right, moved) = (right.expect("one"), moved.expect("one"));
    within(moved.earliest_s - right.earliest_s, f64::from(wrong) * 1e-3, 1e-6);
    within(moved.latest_s - right.latest_s, f64::from(wrong) * 1e-3, 1e-6);
}

#[test]
fn an_edge_without_a_stamp_is_that_of_the_reads() {
    let played = Played::of(&Bench::new(), &World::new().to(0.0, 2.0).toggled(0, vec![2.0]));
    let channels = played.channels();
    let mark = mark(0, Segment::AtRest, 1.5, 2.5);
    let input = &played.task.sheets.rig.positions[0].switch;
    let change = changes(&channels.bits(&mark, input))[0];
    let found = edge(&channels, &mark, input, &change).expect("an edge");
    within(found.earliest_s, 1.995_5, 1e-9);
    within(found.latest_s, 2.000_9, 1e-9);
}

// A clock may be 1e-4 too fast or too slow: 1 ms, a whole tick, over ten seconds on both sides of the edge. Such distant readings bound
// the edge less, but never too tightly: the edge, at the start or end of its tick, stays inside.
#[rstest]
fn readings_far_from_an_edge_allow_for_the_clocks_drift(
    #[values(-9e-5, 0.0, 9e-5)] gain: f64,
    #[values(0.000_05, 0.000_95)] late_s: f64,
) {
    let clock = "clock = { at = \"input-register 9\", tick = \"1 ms\" }\nimage_age = \"0 ms\"";
    let bench = Bench::new().rig("image_age = \"0 ms\"", clock).rig(
        "switch = { at = \"discrete-input 0\" }",
        "switch = { at = \"discrete-input 0\", capture = { at = \"input-register 8\" } }",
    );
    // Both clocks agree at 12 s, and the edge comes later.
    let at_s = 12.0 + late_s;
    let ticks = move |t_s: f64| (12e3 + (t_s - 12.0) * 1e3 * (1.0 + gain)).floor() as u32 as u16;
    let world = World::new()
        .to(0.0, 22.0)
        .toggled(0, vec![at_s])
        .signal(Area::InputRegister, 9, ticks)
        .signal(Area::InputRegister, 8, move |t_s| if t_s < at_s { 7 } else { ticks(at_s) });
    let played = Played::of(&bench, &world);
    let channels = played.channels();
    let input = &played.task.sheets.rig.positions[0].switch;
    let within = |from_s: f64, to_s: f64| {
        let mark = mark(0, Segment::AtRest, from_s, to_s);
        let change = changes(&channels.bits(&mark, input))[0];
        edge(&channels, &mark, input, &change).expect("an edge")
    };
    let far = within(2.0, 22.0);
    assert!(far.earliest_s <= at_s && at_s <= far.latest_s, "{far:?}");
    // With an exact clock, distant readings leave the same as near ones.
    if gain.abs() < 1e-9 {
        let near = within(11.5, 12.5);
        crate::bench::within(far.earliest_s, near.earliest_s, 1e-6);
        crate::bench::within(far.latest_s, near.latest_s, 1e-6);
    }
}
