use super::*;
use crate::bench::{Bench, Played, World, ZERO, near, ramps, within, zero};
use crate::channel::changes;
use rstest::rstest;
use tripbench_quantity::TimeSpan;
use tripbench_record::{Cycles, Segment, StepTask};
use tripbench_rig::Air;

/// One ramp at a rate, up or down, with a device that changes `late_s` after 60 kPa, and the result of `place`.
fn placed(bench: Bench, world: &World, (rising, delay_s): (bool, f64)) -> Option<Placed> {
    let bench = bench.step(zero(false)).step(StepTask::SwitchPoints(ramps(1)));
    let played = Played::of(&bench, world);
    let channels = played.channels();
    let wanted = |mark: &&Mark| {
        matches!((mark.segment, rising), (Segment::Rising { .. }, true) | (Segment::Falling { .. }, false))
    };
    let mark = played.marks.iter().find(wanted).expect("a ramp");
    let input = &played.task.sheets.rig.positions[0].switch;
    let change = *changes(&channels.bits(mark, input)).first().expect("a change");
    let sought =
        Sought { input, to: rising, rising, motion: Motion::FullFlow, slow: Cycles::default(), delay_s };
    place(&channels, mark, &channels.samples(mark, ZERO), &change, sought)
}

// On a straight ramp every result is that of a line. The change lies between two reads of the input, 5.4 ms from the start of one to
// the end of the next, less the delay that is subtracted and the lag of the reference.
#[rstest]
#[case(true, 2_000.0, 0.0, 0.0)]
#[case(true, 5_000.0, 0.021, 0.004)]
#[case(false, 2_000.0, 0.0, 0.003)]
#[case(false, 8_000.0, 0.05, 0.05)]
fn a_crossing_lies_between_the_levels_at_the_two_reads(
    #[case] rising: bool,
    #[case] rate: f64,
    #[case] late_s: f64,
    #[case] delay_s: f64,
) {
    let world = World { lag_s: 0.002, ..World::new() }.cycle(1, 1, rate, 0.013);
    let levels = if rising { [60e3, 55e3] } else { [70e3, 60e3] };
    let world = world.device(0, levels, late_s);
    let passed_s = world.passes(60e3, rising)[0];
    let found = placed(Bench::new(), &world, (rising, delay_s)).expect("a crossing");
    let sign = if rising { 1.0 } else { -1.0 };
    // The input is the second of four reads: 0.5 ms into each scan, its middle 0.2 ms later.
    let edge_s = passed_s + late_s;
    let first_new = ((edge_s - 0.7e-3) / 5e-3).ceil() * 5e-3;
    let (earliest_s, latest_s) = (first_new - 5e-3 + 0.5e-3, first_new + 0.9e-3);
    within(found.record.earliest_s, earliest_s, 1e-9);
    within(found.record.latest_s, latest_s, 1e-9);
    let level = |t_s: f64| 60e3 + sign * rate * (t_s - delay_s - 0.002 - passed_s);
    let ends = [level(earliest_s), level(latest_s)];
    within(found.interval.low_pa, ends[0].min(ends[1]), 0.02);
    within(found.interval.high_pa, ends[0].max(ends[1]), 0.02);
    within(found.record.low_pa, found.interval.low_pa, 1e-9);
    within(found.record.high_pa, found.interval.high_pa, 1e-9);
    within(found.record.rate_pa_per_s, sign * rate, 0.1);
    assert!(!found.record.fast && found.record.planned_phase.is_none() && found.record.cycle == 0);
    // Readings every 5 ms with at least the scatter of 6 Pa over √12, 20 to each side: at its middle a curve of second degree is known
    // to about 3/2 σ/√n, its slope to σ/√(n · h²/3).
    let sigma = 6.0 / 12_f64.sqrt();
    within(found.interval.fit_pa, 1.5 * sigma / 41_f64.sqrt(), 0.02);
    within(found.rate_uncertainty_pa_per_s, sigma / (41.0 * 0.1_f64.powi(2) / 3.0).sqrt(), 0.5);
}

// A converter read once per new value: the age of a reading varies by half of its time to both sides.
#[test]
fn the_age_of_a_conversion_widens_a_crossing() {
    let bench = |converter: &str| {
        Bench::new()
            .rig("image_age = \"0 ms\"", &format!("image_age = \"0 ms\"\nconverter = \"{converter}\""))
    };
    let world = || World::new().cycle(1, 1, 2_000.0, 0.013).device(0, [60e3, 55e3], 0.0);
    let width = |converter: &str| {
        let found = placed(bench(converter), &world(), (true, 0.0)).expect("a crossing").interval;
        found.high_pa - found.low_pa
    };
    within(width("0 ms"), 2_000.0 * 5.4e-3, 0.02);
    within(width("4 ms"), 2_000.0 * (5.4e-3 + 4e-3), 0.02);
}

// A level that turns back at the change has no rate in the direction of its ramp.
#[test]
fn a_change_where_the_level_comes_back_is_not_placed() {
    let turned = |rising: bool| {
        let (from, to, back) = if rising { (50e3, 60e3, 52e3) } else { (70e3, 60e3, 68e3) };
        let segment = if rising { Segment::Rising { cycle: 1 } } else { Segment::Falling { cycle: 1 } };
        let mut world = World::new().to(from, 1.0).to(to, 1.0).to(back, 1.0);
        world.marks.push(crate::bench::mark(1, segment, 2.0, 4.0));
        world.toggled(0, if rising { vec![3.3] } else { vec![0.5, 3.3] })
    };
    assert!(placed(Bench::new(), &turned(true), (true, 0.0)).is_none());
    assert!(placed(Bench::new(), &turned(false), (false, 0.0)).is_none());
    // With the delay subtracted the change lies before the turn.
    assert!(placed(Bench::new(), &turned(true), (true, 0.6)).is_some());
    assert!(placed(Bench::new(), &turned(false), (false, 0.6)).is_some());
}

// A hand that turns back 0.05 s after 60 kPa: the way back distorts a parabola through 0.4 s to each side, but not a narrow fit up to
// the turn. Without a turn all readings count: the middle of a parabola through 161 of them has 1.5 / sqrt(161) of their noise.
#[rstest]
#[case::turned(0.05, 0.15)]
#[case::turned_late(0.2, 0.3)]
#[case::straight(1.0, 1.0)]
fn a_hand_that_turns_round_pulls_no_level_off(#[case] turns_s: f64, #[case] back_s: f64) {
    let noise = [3.0, -8.0, 5.0, 0.0, 9.0, -4.0, -7.0, 6.0, -5.0, 1.0];
    let level = |t_s: f64| {
        60e3 + 1_500.0 * (t_s.min(turns_s) - (t_s.min(back_s) - turns_s).max(0.0) + (t_s - back_s).max(0.0))
    };
    let samples: Vec<Sample> = (-80..=80)
        .map(|index: i32| (f64::from(index) * 0.005, noise[index.rem_euclid(10) as usize]))
        .map(|(t_s, noise_pa)| Sample { t_s, level_pa: level(t_s) + noise_pa })
        .collect();
    let straight = turns_s >= 0.4;
    let whole = fit_curve(&samples, 0.0, 6.25).expect("a curve");
    assert_eq!((whole.level_pa(0.0) - 60e3).abs() < 10.0, straight, "{}", whole.level_pa(0.0));
    let curve = widest_that_agrees(&samples, 0.0, 6.25).expect("a curve");
    let (off_pa, uncertainty_pa) = (curve.level_pa(0.0) - 60e3, curve.level_uncertainty_pa(0.0));
    assert!(off_pa.abs() < 2.5 * uncertainty_pa && uncertainty_pa < 6.0, "{off_pa} {uncertainty_pa}");
    assert_eq!(curve == whole, straight);
}

// A new reading every 1/150 s and 20 Pa of noise: 20 Pa · √(1.5/150) / (0.1 · 160 Pa/s) is 0.125, to the power of 2/3 0.25 s. Eight
// counts of 32 Pa are 256 Pa, 0.8 s at 320 Pa/s, half of it to each side. A fifth of 5 kPa over 10 kPa/s is 0.1 s.
#[rstest]
#[case(1e-3, 1.0, 2_000.0, 60e3, 0.08)]
#[case(4e-3, 1.0, 2_000.0, 60e3, 0.08)]
#[case(5e-3, 1.0, 2_000.0, 60e3, 0.1)]
#[case(12e-3, 1.0, 2_000.0, 60e3, 0.24)]
#[case(50e-3, 1.0, 2_000.0, 60e3, 0.4)]
#[case(1.0 / 150.0, 1.0, 160.0, 60e3, 0.25)]
#[case(5e-3, 32.0, 320.0, 60e3, 0.4)]
#[case(5e-3, 32.0, 160.0, 60e3, 0.8)]
#[case(12e-3, 1.0, 10_000.0, 5e3, 0.1)]
#[case(12e-3, 1.0, 10_000.0, -5e3, 0.1)]
#[case(12e-3, 1.0, 10_000.0, 2e3, 0.08)]
fn a_fit_reaches_for_readings_counts_and_noise_within_bounds(
    #[case] period_s: f64,
    #[case] resolution_pa: f64,
    #[case] rate_pa_per_s: f64,
    #[case] level_pa: f64,
    #[case] reach: f64,
) {
    let sight = Sight {
        period_s,
        noise_pa: 20.0,
        resolution_pa,
        rate_pa_per_s,
        level_pa,
        spread_pa: 50.0,
        by_hand: false,
    };
    near(sight.reach_s(), reach);
}

// A third of the spread in the middle of the curve: 5 ms / 2 · (4.5 · noise / spread)², with 100 Pa over 50 Pa 0.2 s. A fifth of 60 kPa
// over 20 kPa/s is 0.6 s. The limit of 500 Pa is 0.5 s at 1 kPa/s. Beyond it only the rate counts, which needs 0.31 s at 1 kPa/s and
// 200 Pa.
#[rstest]
#[case(20.0, 50.0, 1_000.0, 0.1)]
#[case(100.0, 50.0, 1_000.0, 0.2025)]
#[case(200.0, 50.0, 500.0, 0.81)]
#[case(200.0, 50.0, 1_000.0, 0.5)]
#[case(200.0, 5.0, 1_000.0, 0.5)]
#[case(200.0, 100.0, 500.0, 0.493_242_4)]
#[case(200.0, 50.0, 20_000.0, 0.1)]
fn a_fit_through_noise_reaches_until_it_tells_the_level_finer_than_the_spread(
    #[case] noise_pa: f64,
    #[case] spread_pa: f64,
    #[case] rate_pa_per_s: f64,
    #[case] reach: f64,
) {
    let sight = Sight {
        period_s: 5e-3,
        noise_pa,
        resolution_pa: 1.0,
        rate_pa_per_s,
        level_pa: 60e3,
        spread_pa,
        by_hand: false,
    };
    assert!(Sight { by_hand: true, spread_pa: f64::INFINITY, ..sight }.reach_s() <= REACH_S[1], "{sight:?}");
    near(sight.reach_s(), reach);
}

/// Samples of a straight line, one every `period_s`.
fn line(from_s: f64, count: u32, period_s: f64, level: impl Fn(f64) -> f64) -> Vec<Sample> {
    (0..count)
        .map(|index| from_s + f64::from(index) * period_s)
        .map(|t_s| Sample { t_s, level_pa: level(t_s) })
        .collect()
}

/// Reach of the samples of a fit to each side of 1 s, seconds.
fn reached(bench: &Bench, samples: &[Sample], width_s: f64) -> [f64; 2] {
    let played = Played::of(bench, &World::new());
    let found = around(&played.channels(), samples, 1.0, width_s);
    let far = |all: Option<&Sample>| all.map_or(0.0, |sample| (sample.t_s - 1.0).abs());
    [far(found.first()), far(found.last())]
}

// A reading every 4 ms: 20 to a side are 80 ms. Eight steps of 6 Pa are 48 Pa, 0.48 s at 100 Pa/s, half of it to each side. With noise
// of 20 Pa the rate is needed to a tenth: 20 · √(1.5 · 0.004) Pa is 1.549 Pa; over 10 Pa/s it is 0.1549, to the power of 2/3 0.288 s;
// over 40 Pa/s 0.114 s; over 200 Pa/s 0.039 s.
#[rstest]
#[case("20 Pa", 2_000.0, 0.0, 0.08)]
#[case("20 Pa", 2_000.0, 0.06, 0.12)]
#[case("1 Pa", 100.0, 0.0, 0.24)]
#[case("1 Pa", -100.0, 0.0, 0.24)]
#[case("1 Pa", 400.0, 0.0, 0.08)]
#[case("20 Pa", 100.0, 0.0, 0.288)]
#[case("20 Pa", -400.0, 0.0, 0.114)]
fn a_fit_takes_what_tells_the_rate(
    #[case] noise: &str,
    #[case] rate: f64,
    #[case] width_s: f64,
    #[case] half_s: f64,
) {
    let bench = Bench::new().rig("noise = \"20 Pa\"", &format!("noise = \"{noise}\""));
    let samples = line(0.0, 501, 4e-3, |t_s| 60e3 + rate * (t_s - 1.0));
    let found = reached(&bench, &samples, width_s);
    within(found[0], half_s, 4.1e-3);
    within(found[1], half_s, 4.1e-3);
}

// A reading every 10 ms: 20 of them are 0.2 s. Near 1000 Pa at 2000 Pa/s the farthest level within 0.4 s is 1800 Pa: a fifth of
// 1800/2000 s is 0.18 s. Near 0 Pa it is 800 Pa and 0.08 s.
#[rstest]
#[case(1_000.0, 2_000.0, 0.18)]
#[case(60e3, 2_000.0, 0.2)]
#[case(0.0, 2_000.0, 0.08)]
fn a_fit_stays_where_a_curve_follows_the_air(#[case] level: f64, #[case] rate: f64, #[case] half_s: f64) {
    let samples = line(0.0, 201, 10e-3, |t_s| level + rate * (t_s - 1.0));
    let found = reached(&Bench::new(), &samples, 0.0);
    within(found[0], half_s, 10.1e-3);
    within(found[1], half_s, 10.1e-3);
}

// A converter with a new value every 20 ms: 20 new readings take 0.4 s, however often it is read.
#[test]
fn a_slow_converter_makes_a_fit_reach_farther() {
    let bench = Bench::new().rig("image_age = \"0 ms\"", "image_age = \"0 ms\"\nconverter = \"20 ms\"");
    let samples = line(0.0, 501, 4e-3, |t_s| 60e3 + 2_000.0 * ((t_s - 1.0) / 20e-3).floor() * 20e-3);
    let found = reached(&bench, &samples, 0.0);
    within(found[0], 0.4, 25e-3);
    within(found[1], 0.4, 25e-3);
}

// Three samples after the moment and three up to it are needed.
#[rstest]
#[case(3, 3, true)]
#[case(2, 20, false)]
#[case(20, 2, false)]
#[case(0, 20, false)]
fn a_fit_has_samples_on_both_sides(#[case] before: u32, #[case] after: u32, #[case] fits: bool) {
    let from_s = 1.0 - 4e-3 * (f64::from(before) - 0.5);
    let samples = line(from_s, before + after, 4e-3, |t_s| 60e3 + 2_000.0 * t_s);
    let played = Played::of(&Bench::new(), &World::new());
    let found = around(&played.channels(), &samples, 1.0, 0.0);
    assert_eq!(!found.is_empty(), fits, "{}", found.len());
    assert!(around(&played.channels(), &[], 1.0, 0.0).is_empty());
}

/// A level in steps of 500 Pa, half a second each, from 59 kPa, and the result for a change of the output.
fn between_peaks(rising: bool, edge: Bracket, settle_s: f64) -> Option<(CrossingInterval, CrossingRecord)> {
    let played = Played::of(&Bench::new(), &World::new());
    let sign = if rising { 1.0 } else { -1.0 };
    let samples = line(0.0, 800, 5e-3, |t_s| 60e3 + sign * (500.0 * (t_s / 0.5).floor() - 1_000.0));
    place_between_peaks(&played.channels(), (&samples, settle_s), edge, rising)
}

// By 1.959 s, the middle of the last mean that counts, the step of 1.5 s was reached; by 2.07 s the next one. Noise of 20 Pa biases the
// extreme of means of three by 0.75 · 20 Pa, of fifteen by that times √(3/15).
#[rstest]
#[case(true, 0.05, 3.0)]
#[case(false, 0.05, 3.0)]
#[case(true, 1.0, 15.0)]
#[case(false, 0.15, 10.0)]
fn a_change_after_a_pulse_lies_between_the_farthest_before_and_with_it(
    #[case] rising: bool,
    #[case] settle_s: f64,
    #[case] wide: f64,
) {
    let edge = Bracket { earliest_s: 2.05, latest_s: 2.06 };
    // Levels reached by 2.044 s, 6 ms before the edge, already include the step at 2 s, and nothing deeper follows.
    assert!(between_peaks(rising, edge, settle_s).is_none());
    let edge = Bracket { earliest_s: 1.965, latest_s: 2.07 };
    let (interval, record) = between_peaks(rising, edge, settle_s).expect("a crossing");
    let sign = if rising { 1.0 } else { -1.0 };
    let too_far = 0.75 * 20.0 * (3.0 / wide).sqrt();
    let ends = [60e3 + sign * (500.0 - too_far), 60e3 + sign * (1_000.0 - too_far)];
    within(interval.low_pa, ends[0].min(ends[1]), 1e-6);
    within(interval.high_pa, ends[0].max(ends[1]), 1e-6);
    near(interval.fit_pa, 20_f64.hypot(6.0 / 12_f64.sqrt()));
    near(record.rate_pa_per_s, 0.0);
    near(record.earliest_s, 1.965);
    near(record.latest_s, 2.07);
}

// An output that changes long after the farthest point was reached is later than its sheets say.
#[test]
fn a_change_long_after_the_last_pulse_is_not_placed() {
    let played = Played::of(&Bench::new(), &World::new());
    let samples = line(0.0, 800, 5e-3, |t_s| if (1.0..1.2).contains(&t_s) { 61e3 } else { 60e3 });
    let at = |earliest_s: f64| {
        let edge = Bracket { earliest_s, latest_s: earliest_s + 5e-3 };
        place_between_peaks(&played.channels(), (&samples, 0.05), edge, true)
    };
    // The mean of three reaches 61 kPa first at 1.005 s; the change must not come more than 6 ms, the delay, after that.
    assert!(at(0.99).is_some(), "while it rises");
    assert!(at(1.01).is_some() && at(1.012).is_none());
    assert!(at(1.5).is_none() && at(1.0 - 0.1).is_none());
}

// Levels reached up to five times 3 ms of lag and two scans of 5 ms after the change count, or two conversions more. The mean of three
// around 1 s contains two of the three readings after the step, that around 1.005 s all three.
#[rstest]
#[case("0 ms", 0.979, 2.0 / 3.0)]
#[case("0 ms", 0.981, 1.0)]
#[case("4 ms", 0.971, 2.0 / 3.0)]
#[case("4 ms", 0.973, 1.0)]
fn what_is_reached_soon_after_a_change_has_caused_it(
    #[case] converter: &str,
    #[case] latest_s: f64,
    #[case] share: f64,
) {
    let module = format!("image_age = \"0 ms\"\nconverter = \"{converter}\"");
    let bench = Bench::new().rig("image_age = \"0 ms\"", &module);
    let played = Played::of(&bench, &World::new());
    let samples = line(0.0, 400, 5e-3, |t_s| if t_s > 0.999 { 61e3 } else { 60e3 });
    let edge = Bracket { earliest_s: latest_s - 5e-3, latest_s };
    let (interval, _) =
        place_between_peaks(&played.channels(), (&samples, 0.05), edge, true).expect("a crossing");
    // Three quarters of the noise are subtracted from the mean of three.
    within(interval.high_pa, 60e3 + 1e3 * share - 15.0, 1e-6);
    within(interval.low_pa, 60e3 - 15.0, 1e-6);
}

#[test]
fn pulses_are_placed_by_what_was_reached() {
    let bench = Bench::new().step(zero(false)).step(StepTask::SwitchPoints(ramps(1)));
    let world = World::new().to(59e3, 1.0).to(59e3, 0.5).to(61e3, 0.05).to(61e3, 1.0);
    let world = world.toggled(0, vec![2.53]);
    let played = Played::of(&bench, &world);
    let channels = played.channels();
    let mark = crate::bench::mark(1, Segment::Rising { cycle: 1 }, 2.0, 3.4);
    let input = &played.task.sheets.rig.positions[0].switch;
    let change = changes(&channels.bits(&mark, input))[0];
    let pulse =
        Motion::Pulses { air: Air::Evacuate, pulse: TimeSpan::new(0.05), settle: TimeSpan::new(0.05) };
    let sought =
        Sought { input, to: true, rising: true, motion: pulse, slow: Cycles::default(), delay_s: 0.0 };
    let found = place(&channels, &mark, &channels.samples(&mark, ZERO), &change, sought).expect("a crossing");
    near(found.rate_uncertainty_pa_per_s, 0.0);
    near(found.record.rate_pa_per_s, 0.0);
    assert!(found.interval.high_pa - found.interval.low_pa > 500.0, "{found:?}");
}

#[rstest]
#[case(0.01, 3)]
#[case(0.09, 6)]
#[case(0.15, 10)]
#[case(1.0, 15)]
fn a_mean_takes_a_third_of_the_rest(#[case] settle_s: f64, #[case] readings: usize) {
    let played = Played::of(&Bench::new(), &World::new());
    assert_eq!(means_over(&played.channels(), settle_s + 1e-6), readings);
}
