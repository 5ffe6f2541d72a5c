use super::*;
use crate::bench::{Bench, Played, World, near, of, ramps, within, zero};
use QuantityName as Q;
use rstest::rstest;
use tripbench_record::Motion;
use tripbench_rig::Area;

const ONE_DELAY: [&str; 2] = ["delays = [\"0 ms\", \"200 ms\"]", "delays = [\"0 ms\"]"];

fn bench(task: SwitchPointsTask) -> Bench {
    Bench::new().device(ONE_DELAY[0], ONE_DELAY[1]).step(zero(false)).step(StepTask::SwitchPoints(task))
}

/// Three cycles at 2 kPa/s at different phases of a scan, with the declared lag of 2 ms.
fn world() -> World {
    let world =
        (1..=3).fold(World::new(), |world, cycle| world.cycle(1, cycle, 2_000.0, 1.7e-3 * f64::from(cycle)));
    World { lag_s: 0.002, ..world }
}

fn three() -> SwitchPointsTask {
    SwitchPointsTask { rising: Motion::Throttled, falling: Motion::Throttled, ..ramps(3) }
}

#[track_caller]
fn says(checks: &[Check], quantity: Q, verdict: CheckVerdict, words: &str) {
    let check = of(checks, quantity);
    assert_eq!(check.verdict, verdict, "{check:?}");
    let remark = check.remark.clone().unwrap_or_default();
    assert!(remark.contains(words), "{quantity:?}: {remark}");
}

#[test]
fn a_good_device_passes_whatever_is_required() {
    let checks = Played::of(&bench(three()), &world().device(0, [60e3, 55e3], 0.003)).judged(1);
    let names: Vec<Q> = checks.iter().map(|check| check.quantity).collect();
    assert_eq!(
        names,
        [
            Q::EvacuationSteady,
            Q::SwitchPoint,
            Q::ResetPoint,
            Q::Hysteresis,
            Q::Repeatability,
            Q::Repeatability,
            Q::Chatter,
            Q::OnDelay,
            Q::OffDelay,
            Q::ResetSpread,
            Q::ResetSpread,
            Q::FirstOperation,
            Q::FirstOperation,
            Q::SelectedDelay,
            Q::Bounce
        ]
    );
    for quantity in [Q::SwitchPoint, Q::ResetPoint, Q::Hysteresis, Q::Chatter, Q::SelectedDelay] {
        says(&checks, quantity, CheckVerdict::Pass, "");
    }
    // Nothing is against its first operation, which was located closely enough.
    let first: Vec<&Check> = checks.iter().filter(|check| check.quantity == Q::FirstOperation).collect();
    assert_eq!((first[0].verdict, first[0].role), (CheckVerdict::Measured, Role::Screening));
    assert_eq!((first[1].verdict, first[1].role), (CheckVerdict::Pass, Role::Informative));
    says(&checks, Q::EvacuationSteady, CheckVerdict::Met, "");
    says(&checks, Q::Chatter, CheckVerdict::Pass, "one change in 6 of 6 ramps, no more");
    says(&checks, Q::Repeatability, CheckVerdict::Measured, "nothing against it");
    says(&checks, Q::OnDelay, CheckVerdict::Undecided, "at about the same rate");
    says(&checks, Q::Bounce, CheckVerdict::Undecided, "no edge counter");
    let value = |quantity| of(&checks, quantity).measured.as_ref().expect("measured").value;
    within(value(Q::SwitchPoint), 60e3, 8.0);
    within(value(Q::ResetPoint), 55e3, 8.0);
    near(value(Q::Hysteresis), value(Q::SwitchPoint) - value(Q::ResetPoint));
    assert_eq!(of(&checks, Q::Hysteresis).limits.expect("limits").low, Some(4_000.0));
    assert!(checks[1..].iter().all(|check| check.position == Some(1)) && checks[0].position.is_none());
    assert!(checks.iter().filter(|check| check.role == Role::Screening).count() == 3);
    assert_eq!((of(&checks, Q::OnDelay).unit.as_str(), of(&checks, Q::Chatter).unit.as_str()), ("s", "1"));
    assert_eq!(of(&checks, Q::SwitchPoint).role, Role::Required);
    assert_eq!(of(&checks, Q::SelectedDelay).unit, "s");
}

#[rstest]
#[case([61.5e3, 55e3], Q::SwitchPoint, CheckVerdict::Fail)]
#[case([61e3, 55e3], Q::SwitchPoint, CheckVerdict::Undecided)]
#[case([58.5e3, 55e3], Q::SwitchPoint, CheckVerdict::Fail)]
#[case([60e3, 53e3], Q::ResetPoint, CheckVerdict::Fail)]
#[case([60.7e3, 54.3e3], Q::Hysteresis, CheckVerdict::Fail)]
fn levels_are_judged(#[case] levels: [f64; 2], #[case] quantity: Q, #[case] verdict: CheckVerdict) {
    let checks = Played::of(&bench(three()), &world().device(0, levels, 0.003)).judged(1);
    says(&checks, quantity, verdict, "");
}

#[rstest]
#[case([60e3, 55e3], "60.0 kPa", "55.0 kPa")]
#[case([60.3e3, 54.7e3], "60.3 kPa", "54.7 kPa")]
#[case([65e3, 52e3], "65.0 kPa", "52.0 kPa")]
fn a_closed_output_is_found_the_other_way_round(
    #[case] levels: [f64; 2],
    #[case] on: &str,
    #[case] off: &str,
) {
    let world = world();
    let toggled = crate::bench::toggle(world.changes(levels, [0.003, 0.003]));
    let world = world.signal(Area::DiscreteInput, 0, move |t_s| 1 - toggled(t_s));
    let closed = bench(three()).settings("delay = \"0 ms\"", "delay = \"0 ms\"\nlogic = \"normally-closed\"");
    if on == "60.0 kPa" {
        says(&Played::of(&closed, &world).judged(1), Q::SwitchPoint, CheckVerdict::Pass, "");
    }
    let inverted = Played::of(&bench(three()), &world).judged(1);
    let words = format!("changes from on to off at about {on} in 3 of 3 ramps, where off to on is expected");
    says(&inverted, Q::SwitchPoint, CheckVerdict::Fail, &words);
    let words = format!("changes from off to on at about {off} in 3 of 3 ramps, where on to off is expected");
    says(&inverted, Q::ResetPoint, CheckVerdict::Fail, &words);
    says(&inverted, Q::Chatter, CheckVerdict::Undecided, "in the opposite sense in 6 of 6 ramps");
}

// The ramps go up to 72 kPa, far beyond 61.1 kPa, and down to 50 kPa: a live device missed its limits.
#[test]
fn an_output_that_does_not_change_is_told_apart_from_one_that_is_not_there() {
    let world = || world().device(0, [60e3, 55e3], 0.003);
    let changes = self::world().changes([60e3, 55e3], [0.003, 0.003]);
    let dead = Played::of(&bench(three()), &self::world()).judged(1);
    says(&dead, Q::SwitchPoint, CheckVerdict::Undecided, "no change seen up to 72.0 kPa: is it connected");
    says(&dead, Q::Hysteresis, CheckVerdict::Undecided, "needs both levels");
    // One change in the last ramps, none in the others.
    let one = Played::of(&bench(three()), &self::world().toggled(0, changes[4..].to_vec())).judged(1);
    says(&one, Q::SwitchPoint, CheckVerdict::Fail, "no change in 2 of 3 ramps, which reached 72.0 kPa");
    says(&one, Q::ResetPoint, CheckVerdict::Fail, "no change in 2 of 3 ramps");
    // Its plug is in place and another input changes: the device is there.
    let plugged = bench(three()).position("present = { at = \"discrete-input 8\" }");
    let alive = self::world().signal(Area::DiscreteInput, 8, |_| 1).toggled(1, changes.clone());
    says(&Played::of(&plugged, &alive).judged(1), Q::SwitchPoint, CheckVerdict::Fail, "no change in 3 of 3");
    let out = self::world().signal(Area::DiscreteInput, 8, |_| 0).toggled(1, changes.clone());
    says(&Played::of(&plugged, &out).judged(1), Q::SwitchPoint, CheckVerdict::Undecided, "no change seen");
    let frozen = self::world().signal(Area::DiscreteInput, 8, |_| 1);
    says(&Played::of(&plugged, &frozen).judged(1), Q::SwitchPoint, CheckVerdict::Undecided, "no change seen");
    // A device whose limit lies beyond the level reached has shown nothing.
    let deep = bench(three()).settings("60 kPa", "71 kPa");
    let seldom = Played::of(&deep, &self::world().toggled(0, changes[4..].to_vec())).judged(1);
    says(&seldom, Q::SwitchPoint, CheckVerdict::Undecided, "no change in 2 of 3");
    let shallow = bench(three()).settings("55 kPa", "50.9 kPa");
    let seldom = Played::of(&shallow, &self::world().toggled(0, changes[4..].to_vec())).judged(1);
    says(&seldom, Q::ResetPoint, CheckVerdict::Undecided, "no change in 2 of 3");
    assert!(world().signals.len() == 1);
}

// The ramps reach 72 kPa, and 71.98 kPa long enough before their end for a good output. The distance from there to the limit, 1.1 kPa
// beyond the switch point, must exceed twice the calibration's 125 Pa and a drift of 60 Pa.
#[rstest]
#[case("70.5 kPa", CheckVerdict::Fail)]
#[case("70.6 kPa", CheckVerdict::Undecided)]
fn a_missed_change_fails_surely_beyond_its_limit(#[case] switch_point: &str, #[case] verdict: CheckVerdict) {
    let world = world();
    let changes = world.changes([60e3, 55e3], [0.003, 0.003])[4..].to_vec();
    let bench = bench(three()).settings("60 kPa", switch_point);
    let checks = Played::of(&bench, &world.toggled(0, changes)).judged(1);
    says(&checks, Q::SwitchPoint, verdict, "no change in 2 of 3");
}

#[test]
fn an_output_that_changes_more_than_once_chatters() {
    let changes = world().changes([60e3, 55e3], [0.003, 0.003]);
    let mut rising = changes.clone();
    rising.splice(1..1, [changes[0] + 0.1, changes[0] + 0.2]);
    let checks = Played::of(&bench(three()), &world().toggled(0, rising)).judged(1);
    says(&checks, Q::SwitchPoint, CheckVerdict::Undecided, "changed 2 times more than expected");
    says(&checks, Q::ResetPoint, CheckVerdict::Pass, "");
    says(
        &checks,
        Q::Chatter,
        CheckVerdict::Fail,
        "2 changes more than expected were read and 0 more counted in 6 ramps, rising",
    );
    let mut falling = changes.clone();
    falling.splice(2..2, [changes[1] + 0.1, changes[1] + 0.2]);
    let checks = Played::of(&bench(three()), &world().toggled(0, falling)).judged(1);
    says(&checks, Q::Chatter, CheckVerdict::Fail, "in 6 ramps, falling");
    let checks = Played::of(&bench(three()).unknown_device(), &world().toggled(0, changes)).judged(1);
    says(&checks, Q::Chatter, CheckVerdict::Measured, "");
    assert_eq!(of(&checks, Q::Chatter).role, Role::Informative);
    assert_eq!(of(&checks, Q::SwitchPoint).role, Role::Informative);
    assert!(checks.iter().all(|check| check.quantity != Q::FirstOperation && check.quantity != Q::Bounce));
}

// The counter of the input counts changes that no read sees.
#[rstest]
#[case(
    2,
    CheckVerdict::Undecided,
    "2 more changes between two reads",
    "0 changes more than expected were read and 2 more counted in 6 ramps, rising"
)]
#[case(0, CheckVerdict::Pass, "", "one change in 6 of 6 ramps, no more")]
fn a_counter_sees_what_no_read_does(
    #[case] more: u16,
    #[case] verdict: CheckVerdict,
    #[case] words: &str,
    #[case] chatter: &str,
) {
    let changes = world().changes([60e3, 55e3], [0.003, 0.003]);
    let (first, counted) = (changes[0], changes.clone());
    let count = move |t_s: f64| {
        let seen = counted.iter().filter(|time| **time <= t_s).count();
        u16::try_from(seen).expect("few") + if t_s > first { more } else { 0 }
    };
    let line = "switch = { at = \"discrete-input 0\" }";
    let bench = bench(three())
        .rig(line, "switch = { at = \"discrete-input 0\", counter = { at = \"input-register 7\" } }");
    let checks =
        Played::of(&bench, &world().toggled(0, changes).signal(Area::InputRegister, 7, count)).judged(1);
    says(&checks, Q::SwitchPoint, verdict, words);
    says(&checks, Q::Chatter, verdict, chatter);
    says(&checks, Q::Bounce, CheckVerdict::Pass, "counts the edges");
}

#[test]
fn a_counter_of_another_input_is_told() {
    assert!(between_reads_remark(crate::level::Counted { more: 3, less: 1 }).contains("counted less"));
    assert!(
        between_reads_remark(crate::level::Counted { more: 3, less: 0 }).contains("counted 3 more changes")
    );
}

// One ramp is twice as fast as another at the level: a hose came off.
#[test]
fn a_ramp_at_another_rate_leaves_the_level_open() {
    let world = [(1, 2_000.0), (2, 5_000.0), (3, 2_000.0)]
        .into_iter()
        .fold(World::new(), |world, (cycle, rate)| world.cycle(1, cycle, rate, 1.7e-3 * f64::from(cycle)));
    let world = World { lag_s: 0.002, ..world }.device(0, [60e3, 55e3], 0.003);
    let checks = Played::of(&bench(three()), &world).judged(1);
    says(&checks, Q::SwitchPoint, CheckVerdict::Undecided, "2.5 times as fast");
    says(&checks, Q::EvacuationSteady, CheckVerdict::NotMet, "evacuation rate changed");
}

// 200 Pa/s of 1.2 L through 1 m of 0.8 mm: 0.2 kPa/s · 1.2 L / C, C = π d⁴ p/(128 η l): 13.6 kPa; far more than a quarter of 1100 Pa.
#[rstest]
#[case("0.8 mm", CheckVerdict::Undecided, "a leak behind the hose could shift it by up to")]
#[case("1.75 mm", CheckVerdict::Undecided, "a leak behind the hose could shift it by up to 0.")]
#[case("6 mm", CheckVerdict::Pass, "")]
fn a_leak_behind_a_thin_hose_leaves_the_level_open(
    #[case] bore: &str,
    #[case] verdict: CheckVerdict,
    #[case] words: &str,
) {
    let bench = bench(three()).position(&format!("hose = {{ bore = \"{bore}\", length = \"1 m\" }}"));
    let checks = Played::of(&bench, &world().device(0, [60e3, 55e3], 0.003)).judged(1);
    says(&checks, Q::SwitchPoint, verdict, words);
}

#[test]
fn ramps_whose_change_cannot_be_placed_are_missed() {
    let changes = world().changes([60e3, 55e3], [0.003, 0.003]);
    let mut early = changes;
    early[0] = world().marks[1].from.seconds() + 0.006;
    let checks = Played::of(&bench(three()), &world().toggled(0, early)).judged(1);
    says(&checks, Q::SwitchPoint, CheckVerdict::Undecided, "only 2 of 3 ramps could be used");
    says(&checks, Q::Chatter, CheckVerdict::Pass, "one change in 6 of 6 ramps");
}

// Two rates show the delay: 3 ms of 0 to 6 ms.
#[test]
fn ramps_at_two_rates_show_the_delay() {
    let task = SwitchPointsTask { slow_rising: 1, slow_falling: 1, valve: true, ..ramps(3) };
    let world = [(1, 6_000.0), (2, 500.0), (3, 6_000.0)]
        .into_iter()
        .fold(World::new(), |world, (cycle, rate)| world.cycle(1, cycle, rate, 1.7e-3 * f64::from(cycle)));
    let world = World { lag_s: 0.002, ..world }.device(0, [60e3, 55e3], 0.003);
    let times = world.changes([70e3, 64e3], [0.003, 0.003]);
    let feeds = crate::bench::toggle(times);
    let world = world.signal(Area::DiscreteInput, 4, move |t_s| 1 - feeds(t_s));
    let bench = Bench::new().saving().step(zero(false)).step(StepTask::SwitchPoints(task));
    let played = Played::of(&bench, &world);
    let checks = played.judged(1);
    for quantity in [Q::OnDelay, Q::OffDelay, Q::CutOffDelay, Q::ResumeDelay] {
        let check = of(&checks, quantity);
        let measured = check.measured.as_ref().expect("measured");
        within(measured.value, 0.003, 0.004_f64.min(measured.expanded_uncertainty));
        assert_eq!((check.verdict, check.role), (CheckVerdict::Measured, Role::Screening));
    }
    says(&checks, Q::SelectedDelay, CheckVerdict::Pass, "no other delay of the type fits");
    for (quantity, level) in
        [(Q::CutOff, 70e3), (Q::Resume, 64e3), (Q::SwitchPoint, 60e3), (Q::ResetPoint, 55e3)]
    {
        says(&checks, quantity, CheckVerdict::Pass, "");
        within(of(&checks, quantity).measured.as_ref().expect("measured").value, level, 25.0);
    }
    let channels = played.channels();
    let position = &played.task.sheets.rig.positions[0];
    near(other_before_s(&channels, (&played.marks, 2), position), 0.0);
    near(other_before_s(&channels, (&played.marks, 1), position), 0.2);
}

#[test]
fn without_a_zero_only_the_rig_is_judged() {
    let mut played = Played::of(&bench(three()), &world().device(0, [60e3, 55e3], 0.003));
    played.marks.remove(0);
    assert_eq!(played.judged(1).len(), 1);
    let pulled = SwitchPointsTask { rising: crate::bench::regulated(2_000.0), ..three() };
    let checks = Played::of(&bench(pulled), &world().device(0, [60e3, 55e3], 0.003)).judged(1);
    assert!(checks.iter().all(|check| check.quantity != Q::EvacuationSteady));
}

#[rstest]
#[case(Some(10.0), Some(30.0), 10.0)]
#[case(None, Some(30.0), f64::INFINITY)]
fn half_a_tolerance(#[case] low: Option<f64>, #[case] high: Option<f64>, #[case] half: f64) {
    assert!(half_tolerance(Limits { low, high }).total_cmp(&half).is_eq());
}

#[test]
fn levels_of_a_valve_output_that_no_step_looks_at_are_said_not_to_be_seen() {
    let played = Played::of(&bench(three()).saving(), &world().device(0, [60e3, 55e3], 0.003));
    let checks = played.judged(1);
    for quantity in [Q::CutOff, Q::Resume] {
        says(&checks, quantity, CheckVerdict::Undecided, "no step of this run checks");
        assert_eq!(of(&checks, quantity).role, Role::Informative);
    }
    let set = Played::of(&bench(three()), &world().device(0, [60e3, 55e3], 0.003)).judged(1);
    assert!(set.iter().all(|check| check.quantity != Q::CutOff));
}

// 0 to 6 ms is promised, and up to 206 ms where another delay 200 ms away is left open. A measured delay counts where it overlaps the
// promise; one that contradicts the promise counts as measured, and none is below 0.
#[rstest]
#[case(None, 0.0, [0.0, 0.006])]
#[case(None, 0.2, [0.0, 0.206])]
#[case(Some((0.003, 0.001)), 0.0, [0.002, 0.004])]
#[case(Some((0.003, 0.010)), 0.0, [0.0, 0.006])]
#[case(Some((0.003, 0.010)), 0.2, [0.0, 0.013])]
#[case(Some((0.030, 0.005)), 0.0, [0.025, 0.035])]
fn a_delay_lies_where_promise_and_ramps_allow_it(
    #[case] delay: Option<(f64, f64)>,
    #[case] other_s: f64,
    #[case] expected: [f64; 2],
) {
    let task = three();
    let played = Played::of(&bench(task), &world());
    let (channels, marks) = (played.channels(), played.marks.as_slice());
    let ramps = Ramps { channels: &channels, marks, step: 1, task: &task, zero: crate::bench::ZERO };
    let position = &played.task.sheets.rig.positions[0];
    let delay = delay.map(|(value, u)| {
        let part = tripbench_measure::Contribution::normal("all", u / 1.959_963_984_540_054);
        tripbench_measure::combine(value, 0.0, vec![part]).expect("a result")
    });
    let transition = Transition::of_switch(&position.switch, true, true);
    let found = Found { delay, ..ramps.find(transition) };
    let found = found.delay_bounds_s(&played.task, other_s);
    within(found[0], expected[0], 1e-6);
    within(found[1], expected[1], 1e-6);
}

// An output that surely (3.5 standard uncertainties, 1.79 U) answered before its level gets no level: its edges are not of these ramps.
#[rstest]
#[case(None, None)]
#[case(Some((0.003, 0.010)), None)]
#[case(Some((-0.017, 0.010)), None)]
#[case(Some((-0.018, 0.010)), Some("seems to have answered before its level"))]
#[case(Some((-0.070, 0.032)), Some("seems to have answered before its level"))]
fn an_output_that_answered_before_its_level_has_none(
    #[case] delay: Option<(f64, f64)>,
    #[case] why: Option<&str>,
    #[values(true, false)] rising: bool,
) {
    let task = three();
    let played = Played::of(&bench(task), &world().device(0, [60e3, 55e3], 0.003));
    let (channels, marks) = (played.channels(), played.marks.as_slice());
    let zero = channels.zero(&played.marks[0]).expect("a zero");
    let ramps = Ramps { channels: &channels, marks, step: 1, task: &task, zero };
    let transition = Transition::of_switch(&played.task.sheets.rig.positions[0].switch, rising, rising);
    let delay = delay.map(|(value, u)| {
        let part = tripbench_measure::Contribution::normal("all", u / 1.959_963_984_540_054);
        tripbench_measure::combine(value, 0.0, vec![part]).expect("a result")
    });
    let found = Found { delay, ..ramps.find(transition) };
    assert_eq!(found.level(ramps.basis(), 0.0).is_none(), why.is_some());
    assert!(why.is_none_or(|why| found.no_level().contains(why)), "{}", found.no_level());
}
