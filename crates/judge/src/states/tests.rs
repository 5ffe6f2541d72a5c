#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "computed moments and words of a trace, far within their types"
)]

use super::*;
use crate::bench::{Bench, Played, World, ZERO, near, of, ramps, span, within, zero};
use rstest::rstest;
use tripbench_record::StepTask;
use tripbench_rig::Area;

fn bench() -> Bench {
    Bench::new().step(zero(false)).step(StepTask::SwitchPoints(ramps(1))).step(zero(true))
}

/// A ramp up and down between two zeros: up from 1.7 s to 7.2 s, down from 7.4 s to 12.9 s, at 4 kPa/s.
fn world() -> World {
    World::new().cycle(1, 1, 4_000.0, 0.0).vented(2, 1.0)
}

// Scans every 5 ms, the level read at 1.7 ms. An output may respond to levels from 6 ms and 100 ms before the scan, and one reading
// more, up to 3 ms after its end, and one reading more.
#[rstest]
#[case("0 ms", 0.0, 22, 1)]
#[case("40 ms", 0.04, 30, 1)]
#[case("40 ms\"\nimage_age = \"20 ms", 0.04, 34, 1)]
#[case::a_reading_may_be_a_conversion_old("0 ms\"\nconverter = \"4 ms", 0.0, 22, 2)]
fn a_moment_holds_what_an_output_may_answer_to(
    #[case] filter: &str,
    #[case] filter_s: f64,
    #[case] before: u32,
    #[case] after: u32,
) {
    let bench = bench().rig(
        "image_age = \"0 ms\"",
        &if filter.contains("image_age") {
            format!("input_filter = \"{filter}\"")
        } else {
            format!("image_age = \"0 ms\"\ninput_filter = \"{filter}\"")
        },
    );
    let played = Played::of(&bench, &world());
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    assert_eq!(run.moments.len(), played.trace.scans.len());
    let level = |scan: u32| world().level_pa(f64::from(scan) * 5e-3 + 1.7e-3);
    let moment = &run.moments[600];
    within(moment.level_pa, level(600), 0.02);
    // A reading may stop short of a turn by 2 × 3 ms × 4 kPa/s = 24 Pa.
    within(moment.least_pa, level(600 - before) - 24.0, 2.0);
    within(moment.greatest_pa, level(600 + after) + 24.0, 2.0);
    assert!(moment.powered && filter_s < 1.0);
    // In a fall it is reversed.
    let moment = &run.moments[2_000];
    within(moment.greatest_pa, level(2_000 - before) + 24.0, 2.0);
    within(moment.least_pa, level(2_000 + after) - 24.0, 2.0);
    // At the start there is no earlier level.
    within(run.moments[0].least_pa, 0.0, 0.02);
    let early = Run::up_to(&channels, &played.marks, 1).expect("a run");
    within(f64::from(u32::try_from(early.moments.len()).expect("few")), 12.9 / 5e-3, 1.0);
    assert!(Run::up_to(&channels, &played.marks[1..3], 2).is_none());
}

#[test]
fn a_device_without_power_shows_nothing_for_a_second() {
    let output = "[[output]]\nname = \"device-power\"\nat = \"coil 2\"\nsafe = false\n[run_limits]";
    let bench = bench().rig("[run_limits]", output);
    let world = world().signal(Area::Coil, 2, |t_s| u16::from((2.0..5.0).contains(&t_s) || t_s > 6.0));
    let played = Played::of(&bench, &world);
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    let powered = |t_s: f64| run.moments[(t_s / 5e-3).round() as usize].powered;
    assert!(!powered(1.0) && !powered(2.9) && powered(3.1) && powered(4.9) && !powered(5.5) && !powered(6.9));
    assert!(powered(7.1));
    // Without such an output the devices always have power, but the first second is still left out.
    let played = Played::of(&self::bench(), &self::world());
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    assert!(!run.moments[199].powered && run.moments[200].powered);
}

// Twice the calibration's 125 Pa with the zero's 4 Pa, the drift of 60, the hysteresis of 30 and three times the spread of 100 Pa.
#[test]
fn a_level_is_surely_beyond_by_so_much() {
    near(surely_pa(&Bench::new().task(), ZERO, 60e3), 2.0 * 125_f64.hypot(4.0) + 60.0 + 30.0 + 300.0);
}

/// The wrong state, if any, at a constant level.
fn wrong(state: bool, before: Option<bool>, [least_pa, greatest_pa]: [f64; 2], deep: bool) -> Option<Wrong> {
    let task = Bench::new().task();
    let input = &task.sheets.rig.positions[0].switch;
    let limits =
        |level: f64| LevelLimits { low: VacuumLevel::new(level - 1e3), high: VacuumLevel::new(level + 1e3) };
    let output = Output { input, deep, rising: limits(60e3), falling: limits(55e3) };
    let scan = Scan::default();
    let moment =
        Moment { scan: &scan, level_pa: least_pa, read_s: 0.0, least_pa, greatest_pa, powered: true };
    Wrong::of(&output, (state, before), &moment, 500.0)
}

// On below 55 − 1 − 0.5 kPa, or turned on below 60 − 1.5; off above 60 + 1.5, or turned off above 55 + 1.5.
#[rstest]
#[case(true, Some(true), [53_000.0, 53_499.0], Some(Wrong::OnTooShallow))]
#[case(true, Some(true), [53_000.0, 53_501.0], None)]
#[case(true, Some(false), [53_000.0, 58_499.0], Some(Wrong::OnTooShallow))]
#[case(true, Some(false), [53_000.0, 58_501.0], None)]
#[case(true, None, [53_000.0, 58_499.0], None)]
#[case(false, Some(false), [61_501.0, 62_000.0], Some(Wrong::OffTooDeep))]
#[case(false, Some(false), [61_499.0, 62_000.0], None)]
#[case(false, Some(true), [56_501.0, 62_000.0], Some(Wrong::OffTooDeep))]
#[case(false, Some(true), [56_499.0, 62_000.0], None)]
#[case(false, None, [56_501.0, 62_000.0], None)]
#[case(true, Some(true), [0.0, 70_000.0], None)]
#[case::on_its_bound(true, Some(true), [53_000.0, 53_500.0], None)]
#[case::turned_on_at_its_bound(true, Some(false), [53_000.0, 58_500.0], None)]
#[case::off_its_bound(false, Some(false), [61_500.0, 62_000.0], None)]
#[case::turned_off_at_its_bound(false, Some(true), [56_500.0, 62_000.0], None)]
fn a_state_is_wrong_where_the_level_does_not_allow_it(
    #[case] state: bool,
    #[case] before: Option<bool>,
    #[case] levels: [f64; 2],
    #[case] expected: Option<Wrong>,
) {
    assert_eq!(wrong(state, before, levels, true), expected);
    // A normally closed output is the reverse.
    assert_eq!(wrong(!state, before.map(|before| !before), levels, false), expected);
}

#[expect(clippy::needless_pass_by_value, reason = "made for one call each")]
fn states(bench: Bench, world: World) -> Vec<Check> {
    let checks = Played::of(&bench, &world).judged(2);
    checks.into_iter().filter(|check| check.quantity == QuantityName::OutputStates).collect()
}

#[rstest]
#[case([60e3, 55e3], CheckVerdict::Pass)]
#[case([58.5e3, 55e3], CheckVerdict::Pass)]
#[case([57.5e3, 55e3], CheckVerdict::Fail)]
#[case([62.4e3, 55e3], CheckVerdict::Fail)]
#[case([60e3, 52.5e3], CheckVerdict::Fail)]
fn what_an_output_does_over_the_run_is_judged(#[case] levels: [f64; 2], #[case] verdict: CheckVerdict) {
    // Another input changes later: nothing is frozen.
    let checks = states(bench(), world().device(0, levels, 0.003).toggled(1, vec![13.5]));
    assert_eq!(checks.len(), 1);
    assert_eq!(checks[0].verdict, verdict, "{:?}", checks[0].remark);
    assert!(checks[0].position == Some(1) && checks[0].unit == "1" && checks[0].role == Role::Required);
    let allowed = checks[0].remark.as_ref().is_some_and(|remark| remark.ends_with("as the level allowed"));
    assert_eq!(allowed, verdict == CheckVerdict::Pass, "{checks:?}");
}

// It turns off at 57.4 kPa, above 55 + 1.1 + 0.64 kPa, as its last change: the plug may have come out at that moment, unless its input
// shows it in place.
#[rstest]
#[case(false, CheckVerdict::Undecided)]
#[case(true, CheckVerdict::Fail)]
fn a_last_change_may_be_a_plug_that_came_out(#[case] seen: bool, #[case] verdict: CheckVerdict) {
    let plugged = bench().position("present = { at = \"discrete-input 8\" }");
    let world = world().device(0, [60e3, 57.4e3], 0.003).toggled(1, vec![13.5]);
    let checks = states(if seen { plugged } else { bench() }, world.signal(Area::DiscreteInput, 8, |_| 1));
    assert_eq!(checks[0].verdict, verdict, "{:?}", checks[0].remark);
}

// It turns on at 3 s, at 55.2 kPa, and again at 5 s: twice in the run.
#[test]
fn a_fail_says_when_and_how_often() {
    let world = world();
    let mut times = world.changes([60e3, 55e3], [0.0, 0.0]);
    times.splice(0..0, [2.0, 2.1, 2.5, 2.6]);
    let checks = states(bench(), world.toggled(0, times));
    let remark = checks[0].remark.clone().expect("a remark");
    assert!(remark.starts_with("an output showed deep vacuum at 51.2"), "{remark}");
    assert!(remark.contains("2.0 s after the start; 2 times in the run"), "{remark}");
}

#[test]
fn what_all_devices_do_at_once_is_the_rigs() {
    let both = |second: [f64; 2]| {
        let world = world().device(0, [57e3, 55e3], 0.0).device(1, second, 0.0);
        states(bench().positions(&[1, 2]), world)
    };
    let alike = both([57e3, 55e3]);
    assert!(alike.len() == 2 && alike.iter().all(|check| check.verdict == CheckVerdict::Undecided));
    assert!(alike[0].remark.as_ref().expect("one").contains("every device did so"));
    let apart = both([60e3, 55e3]);
    assert_eq!(apart[0].verdict, CheckVerdict::Fail);
    assert_eq!(apart[1].verdict, CheckVerdict::Pass);
}

#[test]
fn inputs_that_stand_still_say_nothing() {
    // Nothing ever changes: the input may be frozen, or the device not there.
    let still = states(bench(), world());
    assert_eq!(still[0].verdict, CheckVerdict::Undecided);
    // Another device still changes, but this position never did.
    let other = states(bench(), world().device(1, [60e3, 55e3], 0.0));
    assert_eq!(other[0].verdict, CheckVerdict::Undecided);
    // With its plug in place, it is this device.
    let plugged = bench().position("present = { at = \"discrete-input 8\" }");
    let other =
        states(plugged.clone(), world().device(1, [60e3, 55e3], 0.0).signal(Area::DiscreteInput, 8, |_| 1));
    assert_eq!(other[0].verdict, CheckVerdict::Fail);
    // While the plug is out, states do not count.
    let out = states(plugged, world().device(0, [57e3, 55e3], 0.0).signal(Area::DiscreteInput, 8, |_| 0));
    assert_eq!(out[0].verdict, CheckVerdict::Pass);
    // It stays on from 3 s, and nothing changes after that.
    let frozen = states(bench(), world().toggled(0, world().changes([60e3, 55e3], [0.0, 0.0])[..1].to_vec()));
    assert_eq!(frozen[0].verdict, CheckVerdict::Undecided);
}

// The valve output feeds up to 70 kPa and again below 64 kPa: closed without power it is on while it feeds.
#[rstest]
#[case("closed-without-power", true, CheckVerdict::Pass)]
#[case("closed-without-power", false, CheckVerdict::Fail)]
#[case("open-without-power", false, CheckVerdict::Pass)]
fn the_valve_output_is_judged_where_it_saves_air(
    #[case] valve: &str,
    #[case] feeding: bool,
    #[case] verdict: CheckVerdict,
) {
    let world = world().device(0, [60e3, 55e3], 0.0);
    let times = world.changes([70e3, 64e3], [0.0, 0.0]);
    let toggled = crate::bench::toggle(times);
    let world = world.signal(Area::DiscreteInput, 4, move |t_s| toggled(t_s) ^ u16::from(feeding));
    let bench = bench().saving().settings("closed-without-power", valve);
    assert_eq!(states(bench, world)[0].verdict, verdict);
}

#[test]
fn without_power_or_a_zero_nothing_is_judged() {
    let output = "[[output]]\nname = \"device-power\"\nat = \"coil 2\"\nsafe = false\n[run_limits]";
    let dark = states(bench().rig("[run_limits]", output), world().device(0, [60e3, 55e3], 0.0));
    assert_eq!(dark[0].verdict, CheckVerdict::Undecided);
    assert!(dark[0].remark.as_ref().expect("one").contains("not powered"));
    let mut played = Played::of(&bench(), &world().device(0, [60e3, 55e3], 0.0));
    played.marks.remove(0);
    let checks = played.judged(2);
    assert_eq!(of(&checks, QuantityName::OutputStates).verdict, CheckVerdict::Undecided);
}

// The change lies between 3.0 and 3.01 s, so the level from 6 ms earlier counts, which the reference shows 1 to 3 ms later. A filter
// moves both bounds earlier, an image age the first. With a converter of 4 ms a reading is 2 ms old on average, which is subtracted,
// and really 0 to 4 ms: 2 ms to both sides. With one of 20 ms, which is read several times, it is up to 20 ms old. The trace has no
// such age: where one is subtracted, the trace shows the level of 2 ms later.
#[rstest]
#[case("image_age = \"0 ms\"", 2.995, 3.013)]
#[case("image_age = \"20 ms\"", 2.975, 3.013)]
#[case("input_filter = \"20 ms\"", 2.975, 2.993)]
#[case("converter = \"4 ms\"", 2.993 + 2e-3, 3.015 + 2e-3)]
#[case("converter = \"20 ms\"", 2.995, 3.033)]
fn the_level_around_a_change_has_bounds(#[case] module: &str, #[case] from_s: f64, #[case] to_s: f64) {
    let bench = bench().rig("image_age = \"0 ms\"", module);
    let played = Played::of(&bench, &world());
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    let change = (span(3.0, 3.001), span(3.009, 3.01));
    let found = level_around(&run, change, [0.0, 6e-3]).expect("a level");
    let level = |t_s: f64| world().level_pa(t_s);
    within(found[0], level(from_s), 0.5);
    within(found[1], level(to_s), 0.5);
    assert!(level_around(&run, (span(90.0, 90.1), span(90.2, 90.3)), [0.0, 6e-3]).is_none());
}

// The counter is 2 higher after 7.3 s, between the ramps: the output changed twice without a read seeing it.
#[rstest]
#[case(0, CheckVerdict::Pass)]
#[case(2, CheckVerdict::Undecided)]
fn what_the_module_counts_between_the_ramps_counts(#[case] more: u16, #[case] verdict: CheckVerdict) {
    let line = "switch = { at = \"discrete-input 0\" }";
    let counter = "switch = { at = \"discrete-input 0\", counter = { at = \"input-register 7\" } }";
    let changes = world().changes([60e3, 55e3], [0.0, 0.0]);
    let count = move |t_s: f64| {
        let seen = changes.iter().filter(|time| **time <= t_s).count();
        u16::try_from(seen).expect("few") + if t_s > 7.3 { more } else { 0 }
    };
    let world = world().device(0, [60e3, 55e3], 0.0).signal(Area::InputRegister, 7, count);
    let checks = states(bench().rig(line, counter), world);
    assert_eq!(checks[0].verdict, verdict, "{:?}", checks[0].remark);
    let told = checks[0].remark.as_ref().expect("a remark").contains("2 more changes between two reads");
    assert_eq!(told, more > 0);
}
