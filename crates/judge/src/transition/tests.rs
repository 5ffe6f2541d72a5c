use super::*;
use crate::bench::{Bench, Played, World, ZERO, near, ramps, within, zero};
use QuantityName as Q;
use rstest::rstest;
use tripbench_measure::{Contribution, combine};
use tripbench_record::{Segment, StepTask};

fn a_delay(value: f64, expanded: f64) -> MeasurementResult {
    let part = Contribution::normal("all", expanded / 1.959_963_984_540_054);
    combine(value, 0.0, vec![part]).expect("a result")
}

// 0 ms is selected and the response is 6 ms: 0 to 6 ms; the other delay is 200 to 206 ms.
#[rstest]
#[case("0 ms", 0.003, 0.001, true)]
#[case("0 ms", 0.010, 0.003, false)]
#[case("0 ms", 0.010, 0.005, true)]
#[case("0 ms", -0.003, 0.002, true)]
#[case("200 ms", 0.197, 0.002, false)]
#[case("0 ms", 0.003, 0.112, false)]
#[case("0 ms", 0.003, 0.108, true)]
#[case("0 ms", 0.203, 0.001, false)]
#[case("200 ms", 0.203, 0.001, true)]
#[case("200 ms", 0.203, 0.112, false)]
#[case("200 ms", 0.203, 0.108, true)]
#[case("200 ms", 0.003, 0.001, false)]
fn a_delay_shows_the_selected_one_and_no_other(
    #[case] selected: &str,
    #[case] value: f64,
    #[case] u: f64,
    #[case] shown: bool,
) {
    let task = Bench::new().settings("delay = \"0 ms\"", &format!("delay = \"{selected}\"")).task();
    let delay = a_delay(value, u);
    assert_eq!(shows_selected(&task, &[Timed { delay: &delay, seems_later_s: 0.0 }]), shown);
}

// Types with delays of 0, 20 and 200 ms and a response of 6 ms, 20 ms selected. A delay more than 2.6/1.96 U from each of the others,
// 17 ms from the response of the first, leaves no other delay; more than 3.5/1.96 U shows the selected one.
#[rstest]
#[case(&[], 0.18, false)]
#[case(&[(0.023, 0.002)], 0.0, true)]
#[case(&[(0.023, 0.0132)], 0.02, false)]
#[case(&[(0.023, 0.0125)], 0.0, false)]
#[case(&[(0.023, 0.0098)], 0.0, false)]
#[case(&[(0.023, 0.0092)], 0.0, true)]
#[case(&[(0.023, 0.178)], 0.18, false)]
#[case(&[(0.023, 0.178), (0.023, 0.0132)], 0.02, false)]
#[case(&[(0.023, 0.178), (0.023, 0.0125)], 0.0, false)]
#[case(&[(0.023, 0.178), (0.023, 0.0092)], 0.0, true)]
fn another_delay_is_left_where_it_fits_all_that_were_found(
    #[case] delays: &[(f64, f64)],
    #[case] left_s: f64,
    #[case] shown: bool,
) {
    let bench = Bench::new().device("\"0 ms\", \"200 ms\"", "\"0 ms\", \"20 ms\", \"200 ms\"");
    let task = bench.settings("delay = \"0 ms\"", "delay = \"20 ms\"").task();
    let all: Vec<MeasurementResult> = delays.iter().map(|(value, u)| a_delay(*value, *u)).collect();
    let all: Vec<Timed<'_>> = all.iter().map(|delay| Timed { delay, seems_later_s: 0.0 }).collect();
    within(other_left_s(&task, &all), left_s, 1e-9);
    assert_eq!(shows_selected(&task, &all), shown);
}

// 3.5/1.96 of a U of 1 ms is 1.786 ms.
#[rstest]
#[case("0 ms", None, 0.006)]
#[case("200 ms", Some(0.2), 0.206)]
fn a_delay_is_ruled_out_surely_beyond_its_limits(
    #[case] selected: &str,
    #[case] low: Option<f64>,
    #[case] high: f64,
) {
    let task = Bench::new().settings("delay = \"0 ms\"", &format!("delay = \"{selected}\"")).task();
    let found = |seems_later_s| Found {
        crossings: Crossings::default(),
        rates: None,
        delay: None,
        seems_later_s,
        settled: true,
    };
    near(found(0.004).promised_delay(&task).high.expect("one"), high + 0.004);
    let limits = found(0.0).promised_delay(&task);
    assert_eq!(limits.low, low);
    near(limits.high.expect("one"), high);
    assert!(ruled_out(&a_delay(high + 0.001_8, 0.001), limits));
    assert!(!ruled_out(&a_delay(high + 0.001_77, 0.001), limits));
    assert!(!ruled_out(&a_delay(high - 0.003, 0.001), limits));
    let early = low.unwrap_or(0.0);
    assert_eq!(ruled_out(&a_delay(early - 0.001_8, 0.001), limits), low.is_some());
    assert!(!ruled_out(&a_delay(early - 0.001_77, 0.001), limits));
}

#[test]
fn outputs_have_names_in_each_direction() {
    let task = Bench::new().task();
    let input = &task.sheets.rig.positions[0].switch;
    let names = |one: Transition<'_>| [one.level, one.spread, one.delay];
    assert_eq!(
        names(Transition::of_switch(input, true, true)),
        [Q::SwitchPoint, Q::Repeatability, Q::OnDelay]
    );
    assert_eq!(
        names(Transition::of_switch(input, true, false)),
        [Q::ResetPoint, Q::ResetSpread, Q::OffDelay]
    );
    assert_eq!(names(Transition::of_valve(input, true, true)), [Q::CutOff, Q::CutOffSpread, Q::CutOffDelay]);
    assert_eq!(names(Transition::of_valve(input, true, false)), [Q::Resume, Q::ResumeSpread, Q::ResumeDelay]);
}

/// Three cycles, the middle one at 1 kPa/s and the others at 6 kPa/s, with a device that is `delay_s` late.
fn played(bench: Bench, delay_s: f64) -> (Played, SwitchPointsTask) {
    let task = SwitchPointsTask { slow_rising: 1, slow_falling: 1, ..ramps(3) };
    let world = [(1, 6_000.0), (2, 1_000.0), (3, 6_000.0)]
        .into_iter()
        .fold(World::new(), |world, (cycle, rate)| world.cycle(1, cycle, rate, 1e-3 * f64::from(cycle)));
    let world = World { lag_s: 0.002, ..world };
    let world = world.device(0, [60e3, 55e3], delay_s);
    (Played::of(&bench.step(zero(false)).step(StepTask::SwitchPoints(task)), &world), task)
}

// 1 ms is subtracted as promised (3 ms of mean response less 2 ms of lag); where the rates show more than 10 ms beyond, that is
// subtracted too.
#[rstest]
#[case(0.003, true)]
#[case(0.003, false)]
#[case(0.03, true)]
#[case(0.2, false)]
fn crossings_are_followed_to_the_delay_that_they_show(#[case] delay_s: f64, #[case] rising: bool) {
    let (played, task) = played(Bench::new(), delay_s);
    let channels = played.channels();
    let ramps = Ramps { channels: &channels, marks: &played.marks, step: 1, task: &task, zero: ZERO };
    let input = &played.task.sheets.rig.positions[0].switch;
    let found = ramps.find(Transition::of_switch(input, rising, rising));
    assert!(found.settled && found.crossings.placed() == 3);
    let delay = found.delay.clone().expect("a delay");
    within(delay.value, delay_s, 0.002);
    let level = if rising { 60e3 } else { 55e3 };
    if delay_s > 0.01 {
        assert!((found.crossings.taken_off_s - (delay_s - 0.002)).abs() < 0.01);
        // Crossings that scatter by 100 Pa show a delay to √(100²/2 + 100²) Pa / 5 kPa/s = 24 ms: 3.5 times that is 86 ms, and
        // comparator noise can make an output seem 3 · 100 Pa / 5 kPa/s = 60 ms late. With the promised 6 ms this is 0.15 s.
        assert_eq!(found.believed(&played.task, 0.0) == Delay::AsFound, delay_s > 0.15);
    } else {
        near(found.crossings.taken_off_s, 0.001);
        assert_eq!(found.believed(&played.task, 0.0), Delay::AsPromised { other_s: 0.0 });
        assert_eq!(found.believed(&played.task, 0.2), Delay::AsPromised { other_s: 0.2 });
    }
    // The other direction can be as late as the amount by which this one exceeds the promise.
    let beyond_s = found.beyond_s(&played.task);
    let expected_s = delay.value + delay.expanded_uncertainty - 0.006;
    near(beyond_s, if delay_s > 0.15 { expected_s } else { 0.0 });
    let shown = found.level(ramps.basis(), 0.0).expect("a level");
    // The prior of 0 to 6 ms still limits the level of an output that is 30 ms late.
    within(shown.result.value, level, if (delay_s - 0.03).abs() < 1e-3 { 150.0 } else { 40.0 });
    // Where nothing shows the delay, U allows for another one.
    let open = found.level(ramps.basis(), 0.2).expect("a level");
    assert!(delay_s > 0.01 || open.result.standard_uncertainty >= shown.result.standard_uncertainty);
    let believed = found.believed(&played.task, 0.2);
    if believed != Delay::AsFound {
        let rates = at_rates(&played.task, &found.crossings, 0.2);
        let expected =
            crate::result::level(ramps.basis(), &found.crossings, rates, believed).expect("a level");
        near(open.result.value, expected.result.value);
        near(open.result.standard_uncertainty, expected.result.standard_uncertainty);
    }
    let unsettled = Found { settled: false, ..found.clone() };
    assert_eq!(unsettled.level(ramps.basis(), 0.0).is_some(), delay_s < 0.05);
    // Phases are planned for ramps that run at their own rate: cycles 1 and 3 are alike.
    let phases: Vec<_> = found.crossings.records.iter().map(|record| record.planned_phase).collect();
    assert_eq!(phases, [Some(0.0), Some(0.0), Some(0.5)]);
    let valve = ramps.crossings(Transition::of_valve(input, rising, rising), 0.0);
    assert!(valve.records.iter().all(|record| record.planned_phase.is_none()));
    near(ramps.basis().resolution_pa, 6.0);
    assert!(matches!(played.marks[1].segment, Segment::Rising { cycle: 1 }));
}

// A response of 100 ms: 50 ms on average less 2 ms of lag is subtracted. A remaining delay up to half of the response is covered by the
// rate at the level; beyond it the edges are placed again.
#[rstest]
#[case(0.03, 0.048)]
#[case(0.08, 0.048)]
#[case(0.2, 0.198)]
fn edges_are_placed_anew_beyond_half_of_the_response(#[case] delay_s: f64, #[case] taken_off_s: f64) {
    let bench = Bench::new().device("response_time = \"6 ms\"", "response_time = \"100 ms\"");
    let (played, task) = played(bench, delay_s);
    let channels = played.channels();
    let ramps = Ramps { channels: &channels, marks: &played.marks, step: 1, task: &task, zero: ZERO };
    let found = ramps.find(Transition::of_switch(&played.task.sheets.rig.positions[0].switch, true, true));
    assert!(found.settled);
    within(found.crossings.taken_off_s, taken_off_s, if taken_off_s > 0.1 { 0.05 } else { 1e-9 });
}
