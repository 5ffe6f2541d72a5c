#![expect(
    clippy::cast_possible_truncation,
    reason = "computed moments and words of a trace, far within their types"
)]

use super::*;
use crate::bench::{Bench, Played, SCAN_S, World, mark, near, span, within};
use proptest::prelude::*;
use rstest::rstest;
use tripbench_rig::{Area, Block};

fn converter(time: &str) -> Bench {
    Bench::new().rig("image_age = \"0 ms\"", &format!("image_age = \"0 ms\"\nconverter = \"{time}\""))
}

// Scans take 5 ms: a converter of 10 ms or more is read at least twice, so its new values show.
#[rstest]
#[case("0 ms", 0.0, 0.0)]
#[case("4 ms", 2e-3, 2e-3)]
#[case("9.9 ms", 4.95e-3, 4.95e-3)]
#[case("10 ms", 2.5e-3, 0.0)]
#[case("40 ms", 2.5e-3, 0.0)]
fn a_reading_is_as_old_as_half_a_conversion(#[case] time: &str, #[case] half_s: f64, #[case] age_s: f64) {
    let world = World::new().to(10e3, 1.0);
    let played = Played::of(&converter(time), &world);
    let channels = played.channels();
    near(age_half_s(channels.task), half_s);
    let samples = channels.raw_samples(&mark(0, Segment::AtRest, 1.0, 2.0));
    // The fourth read of a scan starts after 1.5 ms; its middle is 0.2 ms later.
    let read_s = 1.0 + 1.7e-3;
    within(samples[0].t_s, read_s - age_s, 1e-9);
    within(samples[0].level_pa, 10e3 * 1.7e-3, 0.01);
    assert_eq!(samples.len(), 200);
}

// An offset of 40 Pa is subtracted and the line of the certificate applied: 100 Pa and one hundredth.
#[test]
fn a_reading_is_corrected_by_zero_and_certificate() {
    let line = "coverage_factor = 2";
    let bench = Bench::new().rig(
        line,
        "coverage_factor = 2\ncorrection_pa = 100.0\ncorrection_slope = 0.01\nzero = \"adjusted\"",
    );
    let world = World::new().to(50e3, 1.0).to(50e3, 1.0);
    let played = Played::of(&bench, &world);
    let channels = played.channels();
    let zero = Zero { offset_pa: 40.0, ..crate::bench::ZERO };
    let samples = channels.samples(&mark(0, Segment::AtRest, 2.5, 2.9), zero);
    within(samples[3].level_pa, 49_960.0 * 1.01 + 100.0, 0.01);
}

// Readings of 1, 3, 5 and 7 Pa in turn, on top of 100 Pa: mean 104, deviation √(20/3 · n/(n−1)).
#[test]
fn a_zero_is_the_mean_with_its_uncertainty() {
    let world = World::new();
    let error = |t_s: f64| 101.0 + 2.0 * ((t_s / SCAN_S).floor() % 4.0);
    let world = World { error: Some(Box::new(error)), ..world };
    let played = Played::of(&Bench::new(), &world);
    let zero = played.channels().zero(&mark(0, Segment::Vented, 0.0, 1.0)).expect("a zero");
    near(zero.offset_pa, 104.0);
    assert_eq!(zero.count, 200);
    near(zero.at_s, 0.5);
    let spread = (5.0 * 200.0 / 199.0_f64).sqrt();
    near(zero.spread_pa, spread);
    near(zero.uncertainty_pa, (spread / 200_f64.sqrt()).hypot(6.0 / 12_f64.sqrt()));
    assert!(played.channels().zero(&mark(0, Segment::Vented, 5.0, 6.0)).is_none());
}

fn sample(t_s: f64, level_pa: f64) -> Sample {
    Sample { t_s, level_pa }
}

// A converter of 20 ms, read every 5 ms: a value is placed halfway between the last read without it and the first with it; one that
// lasts longer than one and a half conversions, at the middle of its time. When the first value was new is unknown.
#[test]
fn a_slow_converters_value_counts_when_it_was_new() {
    let played = Played::of(&converter("20 ms"), &World::new());
    let read = [
        sample(0.0, 1.0),
        sample(0.005, 1.0),
        sample(0.010, 2.0),
        sample(0.015, 2.0),
        sample(0.020, 2.0),
        sample(0.025, 2.0),
        sample(0.030, 3.0),
        sample(0.040, 3.0),
        sample(0.070, 3.0),
        sample(0.075, 4.0),
    ];
    let found = played.channels().fitted(&read);
    let expected = [sample(0.0075, 2.0), sample(0.050, 3.0), sample(0.0725, 4.0)];
    assert_eq!(found.len(), 3, "{found:?}");
    for (found, expected) in found.iter().zip(expected) {
        within(found.t_s, expected.t_s, 1e-12);
        near(found.level_pa, expected.level_pa);
    }
    // A repeated value of a fast converter is placed at the middle of its time.
    let found = Played::of(&Bench::new(), &World::new()).channels().fitted(&read);
    within(found[0].t_s, 0.0025, 1e-12);
    assert_eq!(found.len(), 4);
}

#[rstest]
#[case("u16", 0.0, true)]
#[case("u16", 20.0, false)]
#[case("u16", 4.0, true)]
#[case("u16", 6.0, false)]
fn a_converter_that_stands_at_its_end_is_seen(#[case] raw: &str, #[case] reading: f64, #[case] stops: bool) {
    // A count is 10 Pa: the stop is 0 Pa, and everything within half a count of it.
    let bench = Bench::new()
        .rig("raw = \"i32\"", &format!("raw = \"{raw}\""))
        .rig("counts = [0, 10000000]", "counts = [0, 10000]")
        .rig("resolution = \"6 Pa\"\n", "");
    let world = World { error: Some(Box::new(move |_| reading)), ..World::new() };
    let played = Played::of(&bench, &world);
    near(played.channels().resolution_pa(), 10.0);
    assert_eq!(played.channels().at_a_stop(&mark(0, Segment::Vented, 0.0, 1.0)), stops);
}

fn bit(from: f64, on: bool) -> Bit {
    Bit { on, span: span(from, from + 0.1) }
}

#[test]
fn every_change_has_its_two_reads() {
    let bits = [bit(0.0, false), bit(1.0, true), bit(2.0, true), bit(3.0, false)];
    let expected = [
        Change { last_old: bits[0].span, first_new: bits[1].span, on: true },
        Change { last_old: bits[2].span, first_new: bits[3].span, on: false },
    ];
    assert_eq!(changes(&bits), expected);
    assert!(changes(&bits[1..3]).is_empty());
}

#[test]
fn marks_are_picked_by_step_and_kind() {
    let marks = [
        mark(0, Segment::Vented, 0.0, 1.0),
        mark(1, Segment::Vented, 2.0, 3.0),
        mark(1, Segment::Closed, 3.0, 4.0),
        mark(2, Segment::Vented, 5.0, 6.0),
    ];
    assert_eq!(marks_of(&marks, 1, |segment| segment == Segment::Vented), [marks[1]]);
    assert_eq!(zero_before(&marks, 2), Some(&marks[1]));
    assert_eq!(zero_before(&marks, 0), None);
}

// A floating-point register whose converter has steps of 25 Pa, far above the last digit of the number.
#[test]
fn the_step_of_a_floating_point_number_is_seen_in_the_readings() {
    let bench = Bench::new()
        .rig("raw = \"i32\"", "raw = \"f32\"")
        .rig("counts = [0, 10000000]", "counts = [0, 100000]")
        .rig("resolution = \"6 Pa\"\n", "");
    let level = |t_s: f64| {
        let steps = (t_s * 40.0).floor() * 25.0 + if t_s > 0.8 { 50.0 } else { 0.0 };
        (steps as f32).to_bits()
    };
    let world = World::new().signal(Area::InputRegister, 0, move |t_s| (level(t_s) >> 16) as u16).signal(
        Area::InputRegister,
        1,
        move |t_s| level(t_s) as u16,
    );
    near(Played::of(&bench, &world).channels().resolution_pa(), 25.0);
}

/// The stretch around a moment from the whole list of changes: an end with the scan before, a start with the end of the first scan.
fn stands(channels: &Channels<'_>, at_s: f64) -> [f64; 2] {
    let trace = channels.trace;
    let good: Vec<&Scan> =
        trace.scans.iter().filter(|scan| scan.blocks.iter().all(|block| !block.words.is_empty())).collect();
    let rig = &channels.task.sheets.rig;
    let words = |scan: &Scan| -> Vec<Option<u16>> {
        rig.outputs.iter().map(|output| channels.output(scan, output)).collect()
    };
    let pairs = good.windows(2).filter(|pair| words(pair[0]) != words(pair[1]));
    let changes: Vec<[f64; 2]> =
        pairs.map(|pair| [pair[0].start().seconds(), pair[1].end().seconds()]).collect();
    let from =
        changes.iter().rfind(|[_, new_s]| *new_s <= at_s).map_or(f64::NEG_INFINITY, |[_, new_s]| *new_s);
    let to = changes.iter().find(|[_, new_s]| *new_s > at_s).map_or(f64::INFINITY, |[old_s, _]| *old_s);
    [from, to]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Two valves switch at any moments, also at once and never; some scans are damaged. The trace has more scans than are decoded at once.
    #[test]
    fn valves_stand_from_the_change_before_to_the_one_after(
        switched in prop::array::uniform2(prop::collection::vec(0.0..4.0_f64, 0..6)),
        damaged in prop::collection::vec(0..700_usize, 0..40),
        moments in prop::collection::vec(-0.5..4.5_f64, 1..20),
    ) {
        let mut world = World::new().to(10e3, 3.5);
        for (number, switched) in (0..).zip(switched) {
            let on = move |t_s: f64| (switched.iter().filter(|at_s| **at_s <= t_s).count() % 2) as u16;
            world = world.signal(Area::Coil, number, on);
        }
        let mut played = Played::of(&Bench::new(), &world);
        prop_assert!(played.trace.scans.len() > CHUNK);
        for index in damaged {
            if let Some(scan) = played.trace.scans.get_mut(index) {
                let blocks = scan.blocks.iter().map(|block| Block { words: Vec::new(), ..block.clone() });
                scan.blocks = blocks.collect();
            }
        }
        let channels = played.channels();
        for at_s in moments {
            let [found, expected] = [channels.valves_stand(at_s), stands(&channels, at_s)].map(|ends| ends.map(f64::to_bits));
            prop_assert_eq!(found, expected, "at {} s", at_s);
        }
    }
}
