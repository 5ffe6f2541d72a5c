#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "computed moments and words of a trace, far within their types"
)]

use super::*;
use crate::bench::{Bench, Played, World, ZERO, near, part, within};
use rstest::rstest;

const AROUND: Around = Around {
    lag_s: 0.002,
    valve_s: 0.05,
    scan_s: 0.005,
    noise_pa: 20.0,
    resolution_pa: 6.0,
    rate_pa_per_s: 10e3,
    bends_per_s: 1.0 / 3.0,
};

const TURN_S: f64 = 2.03;

/// From 1 s down from 70 kPa at 2 kPa/s, from 2.03 s and 67.94 kPa up at 10 kPa/s, as a first-order reference shows it, whose lag
/// delays and rounds the turn.
fn shown(t_s: f64, lag_s: f64) -> f64 {
    let behind = t_s - lag_s;
    let after = (t_s - TURN_S).max(0.0);
    let rounded = if lag_s > 0.0 { 12e3 * lag_s * (-after / lag_s).exp() } else { 0.0 };
    let rises = 67_940.0 + 10e3 * (behind - TURN_S) + rounded;
    if t_s < TURN_S { 70e3 - 2e3 * (behind - 1.0) } else { rises }
}

fn samples(to_s: f64, lag_s: f64) -> Vec<Sample> {
    let times = (200_u32..).map(|scan| f64::from(scan) * 5e-3 + 1.7e-3).take_while(|t_s| *t_s < to_s);
    times.map(|t_s| Sample { t_s, level_pa: shown(t_s, lag_s) }).collect()
}

fn valve(feeds: bool, at_s: f64) -> ValveEdge {
    ValveEdge { feeds, between_s: [at_s - 0.003, at_s + 0.003] }
}

// Cut-off at 1 s, resume at 2 s, cut-off again at 2.4 s.
#[rstest]
#[case(0.0, 1.0)]
#[case(0.002, 2.0)]
#[case(0.01, 5.0)]
fn a_turn_is_where_two_curves_meet_whatever_the_lag(#[case] lag_s: f64, #[case] off_pa: f64) {
    let edges = [valve(false, 1.0), valve(true, 2.0), valve(false, 2.4)];
    let around = Around { lag_s, ..AROUND };
    let found = least_deep(&samples(2.402, lag_s), &edges, 0.9, around).expect("a level");
    within(found.level.value, 67_940.0, off_pa);
    within(found.bend_pa_per_s, 12e3, 60.0);
    assert_eq!(found.turns, 1);
    // The least reading differs from the turn only by the rounding of the lag.
    let least = samples(2.402, lag_s).iter().map(|one| one.level_pa).fold(f64::INFINITY, f64::min);
    assert!(least > 67_940.0 - 1e-6, "{least}");
}

// It resumes at 2 s; the level has turned three scans of 5 ms, twice the 50 ms of the valve and 2 ms of lag later. The next 0.3 s of
// readings belong to the rise. From 2.45 s the level is constant. Of the fall 0.3 s count; earlier readings may bend freely.
#[test]
fn a_turn_is_told_by_the_readings_near_it() {
    let level = |t_s: f64| match t_s {
        ..1.6 => shown(1.6, 0.0) + 20e3 * (1.6 - t_s),
        ..2.45 => shown(t_s, 0.0),
        _ => shown(2.45, 0.0),
    };
    let times = (200_u32..800).map(|scan| f64::from(scan) * 5e-3 + 1.7e-3);
    let samples: Vec<Sample> = times.map(|t_s| Sample { t_s, level_pa: level(t_s) }).collect();
    let around = Around { lag_s: 0.0, ..AROUND };
    let found = least_deep(&samples, &[valve(false, 1.0), valve(true, 2.0)], 0.9, around).expect("a level");
    within(found.level.value, 67_940.0, 1.0);
    within(found.bend_pa_per_s, 12e3, 60.0);
}

// It falls until the end, at 67 kPa: the reference, 2 ms late, still reads 4 Pa deeper. More than 0.3 s earlier it fell faster.
#[test]
fn a_level_that_still_falls_is_least_deep_at_its_end() {
    let falls = |t_s: f64| 70e3 - 2e3 * (t_s - 0.002 - 1.0) + 5e3 * (2.15 - t_s).max(0.0);
    let times = (200_u32..500).map(|scan| f64::from(scan) * 5e-3);
    let samples: Vec<Sample> = times.map(|t_s| Sample { t_s, level_pa: falls(t_s) }).collect();
    let found = least_deep(&samples, &[valve(false, 1.0)], 0.9, AROUND).expect("a level");
    within(found.level.value, 70e3 - 2e3 * (499.0 * 5e-3 - 1.0), 0.1);
    assert_eq!(found.turns, 1);
}

// Noise of 20 Pa does not explain a reading half a kilopascal less deep than the turn.
#[test]
fn a_drop_that_noise_does_not_explain_counts() {
    let edges = [valve(false, 1.0), valve(true, 2.0), valve(false, 2.4)];
    let mut samples = samples(2.402, 0.002);
    samples[100].level_pa = 67_400.0;
    let found = least_deep(&samples, &edges, 0.9, AROUND).expect("a level");
    within(found.level.value, 67_400.0, 1.0);
}

// The readings end at the edge: the level turned, but between which readings is unknown.
#[test]
fn a_turn_without_readings_after_it_is_known_to_a_scan() {
    let edges = [valve(false, 1.0), valve(true, 2.0), valve(false, 2.02)];
    let found = least_deep(&samples(2.001, 0.0), &edges, 0.9, AROUND).expect("a level");
    // The last reading is at 1.9967 s: 70 kPa less 2 kPa/s. 10 kPa/s · 5 ms/√12 beside 20 Pa of noise.
    within(found.level.value, 70e3 - 2e3 * 0.996_7, 1e-6);
    within(found.level.uncertainty, 20_f64.hypot(50.0 / 12_f64.sqrt()), 1e-9);
}

#[test]
fn only_what_comes_after_the_first_cut_counts() {
    let edges = [valve(false, 1.0), valve(true, 2.0), valve(false, 2.4)];
    assert!(least_deep(&samples(2.402, 0.0), &edges, 2.5, AROUND).is_none());
    assert!(least_deep(&samples(2.402, 0.0), &[valve(true, 1.0)], 0.9, AROUND).is_none());
    assert!(least_deep(&samples(2.402, 0.0), &[], 0.9, AROUND).is_none());
    // Before the first cut-off the level does not matter.
    let mut early = samples(2.402, 0.0);
    early.insert(0, Sample { t_s: 0.5, level_pa: 10e3 });
    let found = least_deep(&early, &edges, 0.9, AROUND).expect("a level");
    within(found.level.value, 67_940.0, 1.0);
}

// A bend of 12 kPa/s and a lag known to 1 ms: half of 12 Pa to each side.
#[test]
fn a_least_deep_level_has_the_budget_of_the_sheets() {
    let task = Bench::new().task();
    let level = Noisy { value: 64e3, uncertainty: 7.0 };
    let parts = LeastDeep { level, turns: 3, bend_pa_per_s: 12e3 }.contributions(&task, ZERO);
    let root = 3_f64.sqrt();
    near(part(&parts, "noise of the turns, the least of 3"), 7.0);
    near(part(&parts, "lag"), 6.0 / root);
    near(part(&parts, "calibration"), 125.0);
    near(part(&parts, "zero drift"), 60.0 / root);
    near(part(&parts, "hysteresis"), 30.0 / root);
    near(part(&parts, "zero reading"), 4.0);
    assert_eq!(parts.len(), 6);
}

// Time constants of 1 s and 3 s; rates of ± 4 kPa/s, and never below 100 Pa/s.
#[test]
fn a_rig_is_as_its_sheet_says() {
    let played = Played::of(&Bench::new(), &World::new());
    let around = Around::of(&played.channels(), [-4e3, 2e3].into_iter());
    near(around.rate_pa_per_s, 4e3);
    near(around.bends_per_s, 4.0 / 3.0);
    near(around.lag_s, 0.002);
    near(around.valve_s, 0.05);
    near(around.scan_s, 0.005);
    near(around.noise_pa, 20.0);
    near(around.resolution_pa, 6.0);
    near(Around::of(&played.channels(), std::iter::empty()).rate_pa_per_s, 100.0);
    near(longest_s(around), 0.3);
    near(longest_s(Around { scan_s: 0.1, ..around }), 0.6);
    near(longest_s(Around { scan_s: 1.0, ..around }), 1.0);
}

/// Seconds from one cut-off to the next: down for 1.03 s at 2 kPa/s, up again at 10 kPa/s.
const PERIOD_S: f64 = 1.03 + 0.206;

/// Turns at 67.94 kPa, one in each period from 1 s, with readings that swing by ± 20 Pa.
fn saving(periods: u32) -> (Vec<Sample>, Vec<ValveEdge>) {
    let level = |t_s: f64| {
        let since_s = (t_s - 1.0) % PERIOD_S;
        if since_s < 1.03 { 70e3 - 2e3 * since_s } else { 67_940.0 + 10e3 * (since_s - 1.03) }
    };
    let scans = 200..200 + (f64::from(periods) * PERIOD_S / 5e-3).ceil() as u32;
    let sample = |scan: u32| {
        let t_s = f64::from(scan) * 5e-3;
        Sample { t_s, level_pa: level(t_s) + if scan.is_multiple_of(2) { 20.0 } else { -20.0 } }
    };
    let edges = (0..=periods).flat_map(|period| {
        let cut_s = 1.0 + PERIOD_S * f64::from(period);
        [valve(false, cut_s), valve(true, cut_s + 1.0)]
    });
    (scans.map(sample).collect(), edges.collect())
}

// The least readings are some 15 to 20 Pa below the turns because of noise, and the least of several turns is not biased. Turns differ
// at least by what a fall of 2 kPa/s moves in a scan of 5 ms: 10 Pa/√12. The noise is pooled over all turns.
#[test]
fn noise_makes_no_turn_less_deep() {
    let (samples, edges) = saving(4);
    let around = Around { lag_s: 0.0, ..AROUND };
    let found = least_deep(&samples, &edges[..9], 0.9, around).expect("a level");
    assert_eq!(found.turns, 4);
    within(found.level.value, 67_940.0, 8.0);
    let stretches: Vec<Stretch<'_>> = (0..4).map(|turn| Stretch::of(&samples, &edges[2 * turn..9])).collect();
    let turns: Vec<Turn> = stretches.iter().filter_map(|stretch| stretch.turn(around, None)).collect();
    let squares: f64 = turns.iter().map(|turn| turn.freedom * turn.residual_pa.powi(2)).sum();
    let noise_pa = (squares / turns.iter().map(|turn| turn.freedom).sum::<f64>()).sqrt();
    within(noise_pa, 20.0, 1.0);
    let each: Vec<Noisy> = stretches.iter().flat_map(|stretch| stretch.lowest(around, noise_pa)).collect();
    for turn in &each {
        within(turn.value, 67_940.0, 12.0);
        assert!((2.0..15.0).contains(&turn.uncertainty), "{turn:?}");
    }
    let expected = least_of(&each, Some(10.0 / 12_f64.sqrt())).expect("a level");
    within(found.level.value, expected.value, 0.2);
    within(found.level.uncertainty, expected.uncertainty, 0.2);
}
