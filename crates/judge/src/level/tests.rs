use super::*;
use crate::bench::{Bench, Played, World, ZERO, near, ramps, within, zero};
use rstest::rstest;
use tripbench_record::StepTask;
use tripbench_rig::Area;

/// A crossing of a cycle at a rate and a moment.
fn crossed(cycle: u16, rate: f64, at_s: f64, fast: bool) -> Placed {
    let record = CrossingRecord {
        cycle,
        earliest_s: at_s - 0.002,
        latest_s: at_s + 0.004,
        low_pa: 60e3,
        high_pa: 60e3 + 10.0 * f64::from(cycle),
        rate_pa_per_s: rate,
        planned_phase: None,
        fast,
    };
    let interval = CrossingInterval { low_pa: record.low_pa, high_pa: record.high_pa, fit_pa: 1.0 };
    Placed { interval, record, rate_uncertainty_pa_per_s: 10.0 * f64::from(cycle) }
}

/// Crossings of cycles 1, 2 and so on at these rates, and of a fast pair; `slow` cycles in the middle are throttled.
fn all(rates: &[f64], fast: &[f64], slow: u16) -> Crossings {
    let cycles = u16::try_from(rates.len()).expect("few");
    let task = tripbench_record::SwitchPointsTask { slow_rising: slow, ..ramps(cycles) };
    let mut found = Crossings { rising: true, slow: task.slow(true), ..Crossings::default() };
    for (cycle, rate) in (1..).zip(rates) {
        found.push(crossed(cycle, *rate, f64::from(cycle), false));
    }
    for (cycle, rate) in (1..).zip(fast) {
        found.push(crossed(cycle, *rate, 10.0 * f64::from(cycle), true));
    }
    found
}

// Slopes of the groups with their numbers of crossings: throttled first, then as planned, then the fast pair.
#[rstest]
#[case(&[6e3, 6.2e3], &[], 0, &[(6.1e3, 2)])]
#[case(&[6e3, 1e3, 6.2e3], &[], 1, &[(1e3, 1), (6.1e3, 2)])]
#[case(&[-6e3, -1e3, -6.2e3], &[], 1, &[(-1e3, 1), (-6.1e3, 2)])]
#[case(&[6e3, 4.2e3, 6.2e3], &[], 1, &[(16.4e3 / 3.0, 3)])]
#[case(&[6e3, 1e3, 6e3], &[], 0, &[(13e3 / 3.0, 3)])]
#[case(&[1e3, 1e3], &[6e3], 0, &[(1e3, 2), (6e3, 1)])]
#[case(&[1e3, 1e3], &[1.4e3], 0, &[(3.4e3 / 3.0, 3)])]
#[case(&[1e3, 1e3], &[1.6e3], 0, &[(1e3, 2), (1.6e3, 1)])]
#[case(&[6e3, 1e3, 6e3], &[6e3], 1, &[(1e3, 1), (6e3, 3)])]
fn crossings_are_grouped_by_how_the_air_moved(
    #[case] rates: &[f64],
    #[case] fast: &[f64],
    #[case] slow: u16,
    #[case] expected: &[(f64, usize)],
) {
    let groups = all(rates, fast, slow).groups();
    assert_eq!(groups.len(), expected.len(), "{groups:?}");
    for (group, (slope, count)) in groups.iter().zip(expected) {
        near(group.slope_pa_per_s, *slope);
        assert_eq!(group.crossings.len(), *count);
    }
}

#[test]
fn crossings_are_counted_and_timed() {
    let found = all(&[6e3, 1e3, 6.2e3], &[6e3], 1);
    assert_eq!(found.placed(), 3);
    // The middles are a millisecond after 1, 2, 3 and 10 s.
    near(found.mean_time_s().expect("some"), 4.001);
    let [slow, fast] = found.mean_times_s().expect("two");
    near(slow, 2.001);
    near(fast, 14.0 / 3.0 + 1e-3);
    assert!(all(&[], &[], 0).mean_time_s().is_none());
    assert!(all(&[6e3, 6e3], &[], 0).mean_times_s().is_none());
    near(found.rate_uncertainties[2], 30.0);
}

// The ratio less two of its standard deviations; the uncertainties are 10 Pa/s times the cycle.
#[rstest]
#[case(&[2_000.0, 2_400.0], 0, 1.2 * (1.0 - 2.0 * (20.0_f64 / 2_400.0).hypot(10.0 / 2_000.0)))]
#[case(&[2_400.0, 2_000.0], 0, 1.2 * (1.0 - 2.0 * (20.0_f64 / 2_000.0).hypot(10.0 / 2_400.0)))]
#[case(&[-2_400.0, -2_000.0], 0, 1.2 * (1.0 - 2.0 * (20.0_f64 / 2_000.0).hypot(10.0 / 2_400.0)))]
#[case(&[2_000.0, 2_010.0], 0, 1.0)]
#[case(&[2_000.0], 0, 1.0)]
#[case(&[], 0, 1.0)]
#[case(&[6e3, 1e3, 1.3e3, 6e3], 2, 1.3 * (1.0 - 2.0 * (30.0_f64 / 1_300.0).hypot(20.0 / 1_000.0)))]
#[case(&[6e3, 1e3, 9e3], 1, 1.5 * (1.0 - 2.0 * (30.0_f64 / 9_000.0).hypot(10.0 / 6_000.0)))]
fn the_ratio_of_rates_is_what_is_surely_left(
    #[case] rates: &[f64],
    #[case] slow: u16,
    #[case] expected: f64,
) {
    near(all(rates, &[], slow).rate_ratio(), expected);
}

// A throttled ramp that crossed the level beyond its throttled part is not compared, nor is the fast pair.
#[test]
fn rates_of_another_kind_are_not_compared() {
    near(all(&[6e3, 8e3, 6e3], &[], 1).rate_ratio(), 1.0);
    near(all(&[1e3, 1e3], &[9e3], 0).rate_ratio(), 1.0);
    let falling = Crossings { rising: false, ..all(&[-6e3, -8e3, -6e3], &[], 1) };
    assert!(falling.rate_ratio() > 1.3);
}

fn two_cycles() -> World {
    World::new().cycle(1, 1, 4_000.0, 0.0).cycle(1, 2, 4_000.0, 0.0)
}

fn found(bench: Bench, world: &World, rising: bool, slow: Cycles) -> Crossings {
    let played = Played::of(&bench.step(zero(false)).step(StepTask::SwitchPoints(ramps(2))), world);
    let input = &played.task.sheets.rig.positions[0].switch;
    let sought = Sought { input, to: rising, rising, motion: Motion::FullFlow, slow, delay_s: 0.001 };
    crossings(&played.channels(), &played.marks, 1, ZERO, sought)
}

#[rstest]
fn every_ramp_with_its_change_counts(#[values(true, false)] rising: bool) {
    let world = two_cycles();
    let world = world.device(0, [60e3, 55e3], 0.003);
    let all = found(Bench::new(), &world, rising, Cycles::default());
    assert_eq!((all.placed(), all.extra, all.missing, all.early, all.unplaced), (2, 0, 0, 0, 0));
    assert!(all.alive && all.counted.agrees() && all.rising == rising);
    near(all.taken_off_s, 0.001);
    assert_eq!(all.records.iter().map(|record| record.cycle).collect::<Vec<_>>(), [1, 2]);
    // Ramps go from 50 to 72 kPa; a reading is at most a scan away from their ends.
    within(all.least_top_pa, 72e3, 20.0);
    within(all.greatest_bottom_pa, 50e3, 20.0);
}

// A good output needs 6 ms, its filter 100 ms and a scan 5 ms before the end of a ramp: 444 Pa at 4 kPa/s, plus an answer and a
// reading.
#[test]
fn the_level_at_which_an_output_was_asked_is_before_the_end() {
    let bench =
        || Bench::new().rig("image_age = \"0 ms\"", "image_age = \"0 ms\"\ninput_filter = \"100 ms\"");
    let [rising, falling] =
        [true, false].map(|rising| found(bench(), &two_cycles(), rising, Cycles::default()));
    within(rising.answered_pa[0], 72e3 - 460.0, 25.0);
    within(falling.answered_pa[1], 50e3 + 460.0, 25.0);
}

// Changes of the output in the two rising ramps, which begin at 2.2 s and 14.1 s and last 5.5 s.
#[rstest]
#[case(vec![], (0, 0, 2, 0, 0), false)]
#[case(vec![5.0], (1, 0, 0, 1, 0), false)]
#[case(vec![5.0, 5.1, 5.2, 9.0, 17.0], (2, 2, 0, 0, 0), true)]
#[case(vec![1.5, 12.0, 17.0], (1, 0, 0, 1, 0), true)]
#[case(vec![5.0, 9.0, 13.0], (1, 0, 0, 1, 0), false)]
#[case(vec![1.5, 5.0, 5.5, 12.0, 17.0], (1, 1, 1, 0, 0), true)]
#[case(vec![2.206, 9.0, 17.0], (1, 0, 0, 0, 1), true)]
fn what_a_ramp_does_not_show_is_told_apart(
    #[case] changes: Vec<f64>,
    #[case] expected: (u32, u32, u32, u32, u32),
    #[case] alive: bool,
) {
    let world = two_cycles();
    assert!((world.marks[1].from.seconds() - 1.7).abs() < 1e-9, "{:?}", world.marks);
    let starts: Vec<f64> = world.marks.iter().map(|mark| mark.from.seconds()).collect();
    // Moments are given for ramps that begin at 2.2 and 14.1 s.
    let moved = |t_s: f64| if t_s < 12.5 { t_s - 2.2 + starts[1] } else { t_s - 14.1 + starts[3] };
    let world = world.toggled(0, changes.into_iter().map(moved).collect());
    let slow = tripbench_record::SwitchPointsTask { slow_rising: 2, ..ramps(2) }.slow(true);
    let all = found(Bench::new(), &world, true, slow);
    assert_eq!((all.placed(), all.extra, all.missing, all.early, all.unplaced), expected);
    assert_eq!(all.alive, alive);
    // Without a throttle, a ramp that began after the change counts as one without it.
    let all = found(Bench::new(), &world, true, Cycles::default());
    assert_eq!((all.placed(), all.missing, all.early), (expected.0, expected.2 + expected.3, 0));
}

/// A fast pull that starts 0.2 s after its mark, and a fast fall.
fn fast_pair() -> World {
    let world = World::new().to(20e3, 0.5).to(20e3, 0.3);
    world.over(1, Segment::FastRising { cycle: 1 }, 80e3, 6.0).over(
        1,
        Segment::FastFalling { cycle: 1 },
        20e3,
        6.0,
    )
}

#[rstest]
#[case(true, 60e3)]
#[case(false, 55e3)]
fn a_fast_crossing_counts_where_the_output_changed_once(#[case] rising: bool, #[case] level: f64) {
    let world = fast_pair().device(0, [60e3, 55e3], 0.0);
    let all = found(Bench::new(), &world, rising, Cycles::default());
    assert_eq!((all.placed(), all.records.len()), (0, 1));
    assert!(all.records[0].fast && all.records[0].cycle == 1);
    within(all.records[0].rate_pa_per_s, if rising { 10e3 } else { -10e3 }, 1.0);
    // The reading has no lag, and a delay of 1 ms is subtracted.
    let middle = f64::midpoint(all.records[0].low_pa, all.records[0].high_pa);
    within(middle, level, 50.0);
    let passed_s = world.passes(level, rising)[0];
    let twice = fast_pair().toggled(0, vec![1.0, passed_s, passed_s + 0.1, passed_s + 0.2]);
    assert!(found(Bench::new(), &twice, rising, Cycles::default()).records.is_empty());
    let wrong = fast_pair().toggled(0, if rising { vec![1.0, passed_s] } else { vec![passed_s] });
    assert!(found(Bench::new(), &wrong, rising, Cycles::default()).records.is_empty());
}

// The level must move by 500 Pa, or by six times the noise of 20 or 100 Pa. At 7 Pa per millisecond this takes 72 ms or 86 ms; three
// lags of 2.4 ms later the lag is constant: from 79.2 ms, or from 93.2 ms.
#[rstest]
#[case("20 Pa", 80)]
#[case("100 Pa", 94)]
fn samples_before_the_air_moves_are_left_out(#[case] noise: &str, #[case] first: usize) {
    let bench = Bench::new().rig("noise = \"20 Pa\"", &format!("noise = \"{noise}\""));
    let bench = bench.rig("value = \"2 ms\"", "value = \"2.4 ms\"");
    let played = Played::of(&bench, &World::new());
    let sample =
        |index: u32| Sample { t_s: 1e-3 * f64::from(index), level_pa: 60e3 - 7.0 * f64::from(index) };
    let samples: Vec<Sample> = (0..100).map(sample).collect();
    let found = moving(&samples, &played.channels());
    assert_eq!(found, &samples[first..]);
    assert!(moving(&samples[..50], &played.channels()).is_empty());
    assert!(moving(&[], &played.channels()).is_empty());
}

/// A counter in an input register, which starts at a value, advances at these moments and overflows to 0.
fn counted(edges: &'static str, active: &'static str, times: &[f64], seen: &[f64]) -> Counted {
    let line = "switch = { at = \"discrete-input 0\" }";
    let counter = format!(
        "switch = {{ at = \"discrete-input 0\", active = \"{active}\", counter = {{ at = \"input-register 7\", edges = \"{edges}\" }} }}"
    );
    let bench = Bench::new().rig(line, &counter);
    let times = times.to_vec();
    let count = move |t_s: f64| {
        let so_far = times.iter().filter(|time| **time <= t_s).count();
        65_534_u16.wrapping_add(u16::try_from(so_far).expect("few"))
    };
    let world = World::new().to(0.0, 3.0).toggled(0, seen.to_vec());
    let played = Played::of(&bench, &world.signal(Area::InputRegister, 7, count));
    let mark = crate::bench::mark(0, Segment::Vented, 0.5, 3.5);
    let input = &played.task.sheets.rig.positions[0].switch;
    let channels = played.channels();
    between_reads(&channels, &mark, input, &changes(&channels.bits(&mark, input)))
}

#[rstest]
#[case("both", "high", &[1.0, 2.0], &[1.0, 2.0], (0, 0))]
#[case("both", "high", &[1.0, 1.001, 1.002, 2.0], &[1.0, 2.0], (2, 0))]
#[case("both", "high", &[1.0], &[1.0, 2.0], (0, 1))]
#[case("both", "high", &[], &[1.0, 2.0], (0, 2))]
#[case("both", "high", &[1.0, 3.0], &[1.0, 2.0], (0, 1))]
#[case("both", "high", &[1.4, 2.4], &[1.0, 2.0], (0, 2))]
#[case("rising", "high", &[1.0, 3.0], &[1.0, 2.0, 3.0], (0, 0))]
#[case("rising", "high", &[1.0, 2.0, 3.0], &[1.0, 2.0, 3.0], (1, 0))]
#[case("rising", "low", &[1.0, 3.0], &[1.0, 2.0, 3.0], (0, 0))]
#[case("rising", "low", &[2.0], &[1.0, 2.0, 3.0], (0, 2))]
fn a_counter_and_the_reads_are_compared(
    #[case] edges: &'static str,
    #[case] active: &'static str,
    #[case] times: &[f64],
    #[case] seen: &[f64],
    #[case] (more, less): (u64, u64),
) {
    let found = counted(edges, active, times, seen);
    assert_eq!(found, Counted { more, less });
    assert_eq!(found.agrees(), more == 0 && less == 0);
    let mut sum = Counted { more: 3, less: 4 };
    sum.add(found);
    assert_eq!(sum, Counted { more: more + 3, less: less + 4 });
}
