use super::*;
use crate::bench::{Bench, Played, World, near, within, zero};
use rstest::rstest;
use tripbench_measure::{Contribution, combine};
use tripbench_quantity::{LevelRate, TimeSpan, VacuumLevel};
use tripbench_record::{LeakTask, QuantityName, Segment};

fn hosed(behind: &str) -> Bench {
    Bench::new().position(&format!("hose = {{ bore = \"1 mm\", length = \"2 m\"{behind} }}"))
}

/// A normally distributed delay with its U.
fn a_delay(value: f64, expanded: f64) -> MeasurementResult {
    let mut result = combine(value, 0.0, vec![Contribution::normal("all", 1e-3)]).expect("a result");
    result.expanded_uncertainty = expanded;
    result
}

const ALL: Leak = Leak { largest: 200.0, mean_square: 100.0 * 100.0 };

// Poiseuille: π · (1 mm)⁴ · p / (128 · 18.2 µPa s · 2 m), where p is the pressure left of 101 325 Pa; 1.2 L lose 200 Pa/s.
#[rstest]
#[case(60e3, 41_325.0)]
#[case(101e3, 1_000.0)]
fn a_leak_drops_pressure_along_the_hose(#[case] level_pa: f64, #[case] pressure: f64) {
    let task = hosed("").task();
    let found = through(&task, &task.sheets.rig.positions[0], ALL, level_pa, &[]);
    let conductance = std::f64::consts::PI * 1e-12 * pressure / (128.0 * 1.82e-5 * 2.0);
    near(found.largest_pa, 200.0 * 1.2e-3 / conductance);
    near(found.root_mean_square_pa, 100.0 * 1.2e-3 / conductance / 3.0);
    let without = Bench::new().task();
    near(through(&without, &without.sheets.rig.positions[0], ALL, level_pa, &[]).largest_pa + 1.0, 1.0);
}

// The device itself may need none of the promised 6 ms, so any delay can be the hose's. Behind it are 5 mL, or the hose's own 1.571 mL.
// Of two delays the smaller excess counts. One with a U above 10 ms shows no pinched hose; where there is no better one, it counts in
// U.
#[rstest]
#[case(", behind = \"5 mL\"", vec![(0.005, 0.002)], 5e-6, 0.007, (0.005, 0.001))]
#[case("", vec![(0.005, 0.002)], 1.570_796_326_8e-6, 0.007, (0.005, 0.001))]
#[case(", behind = \"5 mL\"", vec![(0.009, 0.002), (0.005, 0.004)], 5e-6, 0.009, (0.005, 0.002))]
#[case(", behind = \"5 mL\"", vec![(0.005, 0.011), (0.1, 0.01)], 5e-6, 0.11, (0.1, 0.005))]
#[case(", behind = \"1 mL\"", vec![(0.005, 0.015)], 1e-6, 0.0, (0.005, 0.007_5))]
#[case(", behind = \"1 mL\"", vec![(0.018, 0.02), (0.005, 0.04)], 1e-6, 0.0, (0.018, 0.01))]
fn a_pinched_hose_is_a_late_output(
    #[case] behind: &str,
    #[case] delays: Vec<(f64, f64)>,
    #[case] behind_m3: f64,
    #[case] late_s: f64,
    #[case] (mean, spread): (f64, f64),
) {
    let task = hosed(behind).rig("bore = \"1 mm\"", "bore = \"1 mm\"").task();
    let delays: Vec<MeasurementResult> = delays.into_iter().map(|(value, u)| a_delay(value, u)).collect();
    let found =
        through(&task, &task.sheets.rig.positions[0], ALL, 1_000.0, &delays.iter().collect::<Vec<_>>());
    let conductance = std::f64::consts::PI * 1e-12 * 100_325.0 / (128.0 * 1.82e-5 * 2.0);
    near(found.largest_pa, 200.0 * 1.2e-3 * (1.0 / conductance).max(late_s / behind_m3));
    let rms_s = mean_square_above_zero(mean, spread).sqrt();
    near(found.root_mean_square_pa, 100.0 * 1.2e-3 * (1.0 / conductance).max(rms_s / behind_m3) / 3.0);
}

// With 200 ms selected, 206 ms is promised; the device may be 6 ms faster, but not faster than the selected delay.
#[test]
fn a_selected_delay_is_the_devices_own() {
    let task = hosed(", behind = \"1 mL\"").settings("delay = \"0 ms\"", "delay = \"200 ms\"").task();
    let position = &task.sheets.rig.positions[0];
    let largest = |value: f64| through(&task, position, ALL, 1_000.0, &[&a_delay(value, 0.05)]).largest_pa;
    near(largest(0.2), 200.0 * 1.2e-3 * 0.05 / 1e-6);
    near(largest(0.3), 200.0 * 1.2e-3 * 0.15 / 1e-6);
}

#[rstest]
#[case(20.0, 10.0, 200.0, 30.0)]
#[case(195.0, 10.0, 200.0, 200.0)]
#[case(-20.0, 10.0, 200.0, 0.0)]
fn a_leak_is_known_up_to_its_u(
    #[case] value: f64,
    #[case] u: f64,
    #[case] allowed: f64,
    #[case] largest: f64,
) {
    let leak = Leak::known(value, u, allowed);
    near(leak.largest + 1.0, largest + 1.0);
    near(leak.mean_square + 1.0, mean_square_above_zero(value, u / 2.0).min(largest.powi(2)) + 1.0);
}

// An earlier leak step gives 50 Pa/s; without one the limit on the rig sheet applies.
#[test]
fn the_leak_is_that_of_the_step_before() {
    let leak = LeakTask {
        level: VacuumLevel::new(70e3),
        settle: TimeSpan::new(3.0),
        watch: TimeSpan::new(4.0),
        limit: LevelRate::new(200.0),
    };
    let bench = hosed("").step(zero(false)).step(StepTask::Leak(leak));
    let world = World::new().to(70e3, 1.0).over(1, Segment::Closed, 70e3 - 200.0, 4.0);
    let played = Played::of(&bench, &world);
    let channels = played.channels();
    let position = &played.task.sheets.rig.positions[0];
    let after = drop(&channels, (&played.marks, 2), position, 60e3, &[]);
    let before = drop(&channels, (&played.marks, 1), position, 60e3, &[]);
    let per_leak = before.largest_pa / 200.0;
    within(after.largest_pa / per_leak, 50.0, 5.0);
    assert!(after.largest_pa / per_leak > 50.0);
    near(before.root_mean_square_pa, before.largest_pa / 3.0);
}

// A delay with a U of at most 10 ms, or of the promised 6 or 206 ms if that is longer, says something about the hose.
#[rstest]
#[case("0 ms", &[], false)]
#[case("0 ms", &[0.0101], false)]
#[case("0 ms", &[0.0099], true)]
#[case("0 ms", &[0.05, 0.003, 0.2], true)]
#[case("200 ms", &[0.207, 0.3], false)]
#[case("200 ms", &[0.205], true)]
fn only_a_delay_that_is_known_shows_that_a_hose_lets_through(
    #[case] selected: &str,
    #[case] us: &[f64],
    #[case] shown: bool,
) {
    let task = hosed("").settings("delay = \"0 ms\"", &format!("delay = \"{selected}\"")).task();
    let delays: Vec<MeasurementResult> = us.iter().map(|u| a_delay(0.003, *u)).collect();
    let told =
        |position| lets_through(&task, Check::empty(QuantityName::Hose), position, delays.iter().cloned());
    let check = told(&task.sheets.rig.positions[0]);
    let verdict = if shown { CheckVerdict::Pass } else { CheckVerdict::Undecided };
    assert_eq!((check.verdict, check.not_checked()), (verdict, !shown), "{check:?}");
    assert!(has_hoses(&task) && !has_hoses(&Bench::new().task()));
    let without = Bench::new().task();
    let check = lets_through(
        &without,
        Check::empty(QuantityName::Hose),
        &without.sheets.rig.positions[0],
        delays.into_iter(),
    );
    assert_eq!(check.verdict, CheckVerdict::Pass);
}
