use super::*;
use crate::bench::{Bench, Played, World, near, part, ramps, regulated, within, zero};
use rstest::rstest;
use tripbench_quantity::TimeSpan;
use tripbench_record::StepTask;
use tripbench_rig::Air;

const PULSES: Motion = Motion::Pulses { air: Air::Evacuate, pulse: TimeSpan::ZERO, settle: TimeSpan::ZERO };

// The limits are judgements of this project, listed in docs/figures.md.
#[rstest]
#[case(Motion::FullFlow, true, true, 1.35)]
#[case(Motion::FullFlow, false, true, 1.35)]
#[case(Motion::FullFlow, true, false, 1.10)]
#[case(Motion::Throttled, true, true, 2.0)]
#[case(Motion::Throttled, false, false, 1.10)]
#[case(regulated(500.0), true, false, 2.0)]
#[case(Motion::ByHand { rate: tripbench_quantity::LevelRate::new(1.0) }, false, false, 4.0)]
#[case(PULSES, true, false, f64::INFINITY)]
fn rates_may_differ_by_so_much(
    #[case] motion: Motion,
    #[case] rising: bool,
    #[case] fast: bool,
    #[case] ratio: f64,
) {
    assert!(largest_ratio(motion, rising, fast).total_cmp(&ratio).is_eq());
}

/// The check of ramps at these rates; `slow` cycles in the middle are throttled.
fn checked(rates: &[f64], slow: u16) -> Check {
    let cycles = u16::try_from(rates.len()).expect("few");
    let task = SwitchPointsTask { slow_rising: slow, falling: Motion::Throttled, ..ramps(cycles) };
    let world = (1..).zip(rates).fold(World::new(), |world, (cycle, rate)| world.cycle(1, cycle, *rate, 0.0));
    let bench = Bench::new().step(zero(false)).step(StepTask::SwitchPoints(task));
    let played = Played::of(&bench, &world);
    steady(&played.channels(), &played.marks, 1, &task)
}

#[rstest]
#[case(&[4_000.0, 4_200.0, 4_100.0], 0, 1.05, CheckVerdict::Met)]
#[case(&[4_200.0, 4_000.0, 4_100.0], 0, 1.05, CheckVerdict::Met)]
#[case(&[4_000.0, 4_800.0], 0, 1.2, CheckVerdict::NotMet)]
#[case(&[4_000.0, 1_500.0, 4_000.0], 1, 1.0, CheckVerdict::Met)]
#[case(&[4_000.0, 4_399.0], 0, 1.099_75, CheckVerdict::Undecided)]
fn the_rig_evacuates_as_fast_in_every_ramp(
    #[case] rates: &[f64],
    #[case] slow: u16,
    #[case] ratio: f64,
    #[case] verdict: CheckVerdict,
) {
    let check = checked(rates, slow);
    assert_eq!(check.verdict, verdict, "{check:?}");
    assert_eq!(check.remark.is_some(), verdict != CheckVerdict::Met);
    assert_eq!(check.limits.expect("limits").high, Some(1.10));
    let measured = check.measured.expect("measured");
    within(measured.value, ratio, 1e-4);
    near(part(&measured.contributions, "resolution"), 0.5e-3 / 3_f64.sqrt());
    // The middle half of the ramp from 50 to 72 kPa is fitted: 11 kPa at rate r, every 5 ms, each to 6 Pa over √12. The slope is known
    // to σ/√(n T²/12), with T the time and n = T/5 ms.
    let fitted: Vec<f64> = rates.iter().copied().filter(|rate| slow == 0 || *rate > 2_000.0).collect();
    let relative = |rate: f64| {
        let long_s = 11e3 / rate;
        6.0 / 12_f64.sqrt() / (long_s / 5e-3 * long_s.powi(2) / 12.0).sqrt() / rate
    };
    let most = fitted.iter().copied().fold(0.0, f64::max);
    let least = fitted.iter().copied().fold(f64::INFINITY, f64::min);
    let expected = ratio * relative(most).hypot(relative(least));
    let found = part(&measured.contributions, "scatter");
    assert!((found / expected - 1.0).abs() < 0.02, "{found} instead of {expected}");
}

#[test]
fn a_ramp_that_cannot_be_followed_leaves_it_open() {
    let task = ramps(2);
    let bench = Bench::new().step(zero(false)).step(StepTask::SwitchPoints(task));
    let one = Played::of(&bench, &World::new().cycle(1, 1, 4_000.0, 0.0));
    let check = steady(&one.channels(), &one.marks, 1, &task);
    assert!(check.measured.is_none() && check.verdict == CheckVerdict::Undecided && check.remark.is_some());
    let down =
        World::new().cycle(1, 1, 4_000.0, 0.0).to(72e3, 1.0).over(1, Segment::Rising { cycle: 2 }, 50e3, 5.0);
    let down = Played::of(&bench, &down);
    assert!(steady(&down.channels(), &down.marks, 1, &task).measured.is_none());
}
