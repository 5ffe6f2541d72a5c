#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "computed moments and words of a trace, far within their types"
)]

use super::*;

#[test]
fn a_time_constant_is_found_over_a_leak() {
    for tau_s in [0.4, 1.0, 2.0] {
        let level = |t_s: f64| 60e3 + 2_000.0 * (-t_s / tau_s).exp() - 30.0 * t_s;
        // The time of the pull in the run does not matter.
        let [found, later] = [0.0, 1_000.0].map(|from_s| {
            let times = (0..1_600).map(|i| f64::from(i) * 5e-3);
            let samples: Vec<_> =
                times.map(|t_s| Sample { t_s: from_s + t_s, level_pa: level(t_s) }).collect();
            warming(&samples, 6.0).expect("it settles").value
        });
        assert!((found / tau_s - 1.0).abs() < 0.15, "{found} for {tau_s}");
        assert!((later / found - 1.0).abs() < 1e-6, "{later} instead of {found}");
    }
}

#[test]
fn what_stands_still_does_not_settle() {
    let samples: Vec<_> = (0..800).map(|i| Sample { t_s: f64::from(i) * 5e-3, level_pa: 60e3 }).collect();
    assert!(warming(&samples, 6.0).is_none());
}

use crate::bench::{Bench, Played, SCAN_S, World, at, mark, near, of, part, within};
use rstest::rstest;
use std::sync::Arc;
use tripbench_quantity::TimeSpan;
use tripbench_record::StepTask;
use tripbench_rig::Area;

mod quiet;

const ROOT: f64 = 1.732_050_807_568_877_2;

fn swing(pascal: f64) -> Box<dyn Fn(f64) -> f64> {
    Box::new(move |t_s| if (t_s / SCAN_S).floor() % 2.0 < 1.0 { pascal } else { -pascal })
}

/// The checks of a rig at rest for two seconds, starting at one second.
fn at_rest(bench: Bench, world: World, cut: impl Fn(&mut Played)) -> Vec<Check> {
    let mut world = world.to(0.0, 2.0);
    world.marks.push(mark(0, Segment::AtRest, 1.0, 3.0));
    let mut played = Played::of(&bench.step(StepTask::Signals { watch: TimeSpan::new(2.0) }), &world);
    cut(&mut played);
    played.judged(0)
}

// Scans every 5 ms; a request takes 0.4 ms, and the next starts 0.5 ms after it started. The safe state is one write with a predicted
// 0.7 ms, and the loop sleeps 5 ms.
#[test]
fn scans_and_a_stop_take_what_the_trace_shows() {
    let checks = at_rest(Bench::new(), World { error: Some(swing(20.0)), ..World::new() }, |_| {});
    let measured = |quantity| of(&checks, quantity).measured.clone().expect("measured");
    near(measured(QuantityName::ScanPeriod).value, 5e-3);
    assert_eq!(of(&checks, QuantityName::ScanPeriod).verdict, CheckVerdict::Measured);
    near(measured(QuantityName::ScanGap).value, 5e-3);
    assert_eq!(of(&checks, QuantityName::ScanGap).verdict, CheckVerdict::Met);
    assert_eq!(of(&checks, QuantityName::ScanGap).limits.expect("limits").high, Some(0.25));
    near(measured(QuantityName::StopLatency).value, 0.5e-3 + 0.7e-3 + 5e-3);
    near(part(&measured(QuantityName::StopLatency).contributions, "clock"), 1e-6);
    assert!(checks.iter().all(|check| check.quantity != QuantityName::ClockTick));
    assert_eq!(of(&checks, QuantityName::ScanPeriod).unit, "s");
}

// A slower module: 3 ms per request, so the write takes that too.
#[test]
fn a_slow_answer_makes_a_stop_slower() {
    let checks = at_rest(Bench::new(), World::new(), |played| {
        let blocks = Arc::make_mut(&mut played.trace.scans[400].blocks);
        blocks[3].span.after = blocks[3].span.before + Duration::from_millis(3);
    });
    near(of(&checks, QuantityName::StopLatency).measured.as_ref().expect("one").value, 3e-3 + 3e-3 + 5e-3);
    let checks = at_rest(Bench::new(), World::new(), |played| {
        for block in &mut Arc::make_mut(&mut played.trace.scans[400].blocks)[2..=3] {
            block.span.before = block.span.before + Duration::from_millis(1);
            block.span.after = block.span.after + Duration::from_millis(1);
        }
    });
    near(of(&checks, QuantityName::StopLatency).measured.as_ref().expect("one").value, 1.5e-3 * 2.0 + 5e-3);
}

#[rstest]
#[case(40, CheckVerdict::Met)]
#[case(60, CheckVerdict::NotMet)]
fn a_gap_between_two_scans_is_told(#[case] missing: usize, #[case] verdict: CheckVerdict) {
    let checks = at_rest(Bench::new(), World::new(), |played| {
        played.trace.scans.drain(300..300 + missing);
    });
    let gap = of(&checks, QuantityName::ScanGap);
    assert_eq!(gap.verdict, verdict);
    let missing = u32::try_from(missing).expect("few");
    near(gap.measured.as_ref().expect("one").value, 5e-3 * f64::from(missing + 1));
    let period = of(&checks, QuantityName::ScanPeriod).measured.as_ref().expect("one");
    // 401 scans less the missing ones, over the same time.
    let intervals = f64::from(399 - missing);
    within(period.value, 5e-3 * 399.0 / intervals, 1e-5);
    within(part(&period.contributions, "spread"), 5e-3 * f64::from(missing) / intervals.sqrt(), 3e-5);
}

// Limits: 20 Pa, a quarter more for chance, and a count of 6 Pa: 25.7 Pa. The spread of ± s is s √(n/(n−1)).
#[rstest]
#[case(20.0, CheckVerdict::Met)]
#[case(25.6, CheckVerdict::Met)]
#[case(26.0, CheckVerdict::NotMet)]
fn a_reference_is_as_quiet_as_declared(#[case] pascal: f64, #[case] verdict: CheckVerdict) {
    let checks = at_rest(Bench::new(), World { error: Some(swing(pascal)), ..World::new() }, |_| {});
    let check = of(&checks, QuantityName::Noise);
    assert_eq!(check.verdict, verdict);
    near(check.limits.expect("limits").high.expect("one"), 25_f64.hypot(6.0));
    let measured = check.measured.as_ref().expect("measured");
    within(measured.value, pascal, 0.05);
    near(part(&measured.contributions, "number"), measured.value / (2.0 * 399.0_f64).sqrt());
    near(part(&measured.contributions, "resolution"), 3.0 / ROOT);
    let told = check.remark.as_ref().is_some_and(|remark| remark.contains("`reference.noise`"));
    assert_eq!(told, verdict == CheckVerdict::NotMet);
}

#[rstest]
#[case(0.005, CheckVerdict::NotMet)]
#[case(0.058, CheckVerdict::Met)]
#[case(0.04, CheckVerdict::NotMet)]
fn a_reference_that_does_not_move_is_dead(#[case] moves_s: f64, #[case] verdict: CheckVerdict) {
    let error =
        move |t_s: f64| if t_s < 2.0 || t_s > 2.0 + moves_s { 0.0 } else { (t_s / SCAN_S).floor() % 2.0 };
    // Eleven values that differ from the one before are enough: the first, and those while it moves.
    let checks = at_rest(Bench::new(), World { error: Some(Box::new(error)), ..World::new() }, |_| {});
    let check = of(&checks, QuantityName::Noise);
    assert_eq!(check.verdict, verdict);
    let dead = check.remark.as_ref().is_some_and(|remark| remark.contains("is it alive"));
    assert_eq!(dead, verdict == CheckVerdict::NotMet);
}

// The module's clock counts milliseconds: a tick may be a thousandth longer or shorter. Two readings and a tick are uncertain.
#[rstest]
#[case(1e-3, CheckVerdict::Met)]
#[case(1.000_5e-3, CheckVerdict::Met)]
#[case(0.999_5e-3, CheckVerdict::Met)]
#[case(1.001_5e-3, CheckVerdict::NotMet)]
#[case(0.998_5e-3, CheckVerdict::NotMet)]
#[case(1e9, CheckVerdict::NotMet)]
fn a_module_counts_as_fast_as_declared(#[case] tick_s: f64, #[case] verdict: CheckVerdict) {
    let bench = Bench::new().rig(
        "image_age = \"0 ms\"",
        "image_age = \"0 ms\"\nclock = { at = \"input-register 9\", tick = \"1 ms\" }",
    );
    let count = move |t_s: f64| (64_000.0 + (t_s / tick_s).floor()) as u32 as u16;
    let world = World::new().signal(Area::InputRegister, 9, count);
    let checks = at_rest(bench, world, |_| {});
    let check = of(&checks, QuantityName::ClockTick);
    assert_eq!(check.verdict, verdict, "{check:?}");
    if tick_s < 1.0 {
        let measured = check.measured.as_ref().expect("measured");
        within(measured.value, tick_s, 2e-6);
        within(part(&measured.contributions, "two readings"), 1.4e-3 / (1.995 / tick_s) / ROOT, 1e-9);
        let limits = check.limits.expect("limits");
        near(limits.low.expect("low"), 0.999e-3);
        near(limits.high.expect("high"), 1.001e-3);
    } else {
        assert_eq!(check.remark.as_deref(), Some("the module's clock stands still"));
    }
}

// Every read takes 11 ms: two reads and a tick leave 12 ms open, 95 % of which is 11.4 ms. In 2 s that is more than a thousandth; in
// 11.4 s it is exactly that.
#[test]
fn a_clock_that_is_read_too_slowly_is_told_how_long_it_would_take() {
    let bench = Bench::new().rig(
        "image_age = \"0 ms\"",
        "image_age = \"0 ms\"\nclock = { at = \"input-register 9\", tick = \"1 ms\" }",
    );
    let world = World::new().signal(Area::InputRegister, 9, |t_s| (t_s * 1e3).floor() as u32 as u16);
    let checks = at_rest(bench, world, |played| {
        for block in played.trace.scans.iter_mut().flat_map(|scan| Arc::make_mut(&mut scan.blocks)) {
            block.span.after = block.span.before + Duration::from_millis(11);
        }
    });
    let check = of(&checks, QuantityName::ClockTick);
    assert_eq!(check.verdict, CheckVerdict::Undecided, "{check:?}");
    let remark = check.remark.as_ref().expect("a remark");
    assert_eq!(remark, "the reads take too long to check it in 2 s; 11 s would do");
}

/// A level that leaves 40 kPa some time after the command at 2 s, and the resulting check.
fn tried_at(output: OutputName, (leak, rate): (f64, f64), began_s: f64) -> Vec<Check> {
    let bench = Bench::new().step(StepTask::TryOutput { output, position: None });
    let after = 0.6;
    let start = 40e3 + leak * (began_s - 1.2);
    let world = World::new().to(40e3, 0.2).to(start, began_s - 1.2).to(start + (rate + leak) * after, after);
    let mut world = world;
    world.marks.push(mark(0, Segment::Tried, 2.0, 2.6));
    Played::of(&bench, &world).judged(0)
}

// A command takes a write and a read, 1.4 ms, and counts as written in the middle.
#[rstest]
#[case(OutputName::Evacuate, (0.0, 4_000.0), 0.03, CheckVerdict::Met)]
#[case(OutputName::EvacuateFine, (-50.0, 3_000.0), 0.02, CheckVerdict::Met)]
#[case(OutputName::Regulator, (0.0, 4_000.0), 0.08, CheckVerdict::NotMet)]
#[case(OutputName::Vent, (0.0, -4_000.0), 0.03, CheckVerdict::Met)]
#[case(OutputName::Bleed, (-50.0, -4_000.0), 0.08, CheckVerdict::NotMet)]
#[case(OutputName::Evacuate, (0.0, 4_000.0), 0.05, CheckVerdict::Undecided)]
fn a_valve_acts_when_the_level_leaves_its_line(
    #[case] output: OutputName,
    #[case] (leak, rate): (f64, f64),
    #[case] delay_s: f64,
    #[case] verdict: CheckVerdict,
) {
    let checks = tried_at(output, (leak, rate), 2.0 + delay_s);
    assert_eq!((checks.len(), checks[0].verdict), (1, verdict), "{checks:?}");
    let measured = checks[0].measured.as_ref().expect("measured");
    within(measured.value, delay_s - 0.7e-3, 2e-5);
    near(part(&measured.contributions, "between two reads"), 2.5e-3 / ROOT);
    near(part(&measured.contributions, "moment of the write"), 0.7e-3 / ROOT);
    near(part(&measured.contributions, "lag"), 2e-3 / ROOT);
    within(part(&measured.contributions, "noise over rate"), 20.0 / rate.abs(), 1e-5);
    assert_eq!(checks[0].limits.expect("limits").high, Some(0.05));
}

#[rstest]
#[case(OutputName::Evacuate, -4_000.0)]
#[case(OutputName::Vent, 4_000.0)]
#[case(OutputName::Evacuate, 0.0)]
fn a_level_that_goes_the_other_way_does_not_answer(#[case] output: OutputName, #[case] rate: f64) {
    let checks = tried_at(output, (0.0, rate), 2.03);
    assert!(checks[0].verdict == CheckVerdict::NotMet && checks[0].measured.is_none());
    assert_eq!(checks[0].limits.expect("limits").high, Some(0.05));
}

#[rstest]
#[case(OutputName::HandOver)]
#[case(OutputName::Loop)]
#[case(OutputName::DevicePower)]
fn an_output_that_moves_no_air_has_no_valve_delay(#[case] output: OutputName) {
    assert!(tried_at(output, (0.0, 4_000.0), 2.03).is_empty());
}

// 200 Pa/ms: between two reads the level moves too far for a line. It left 40 kPa at 2.0305 s; reads are 1.7 ms into each scan, so
// 2.0267 s shows nothing and 2.0317 s shows 240 Pa.
#[test]
fn a_level_that_leaps_left_between_two_reads() {
    let checks = tried_at(OutputName::Evacuate, (0.0, 200e3), 2.030_5);
    let measured = checks[0].measured.as_ref().expect("measured");
    within(measured.value, 2.029_2 - 2.0 - 0.7e-3, 1e-6);
    within(part(&measured.contributions, "noise over rate"), 5e-3 / 12_f64.sqrt(), 1e-6);
}

fn looped_bench(filter: &str, age: &str) -> Bench {
    Bench::new()
        .rig(
            "image_age = \"0 ms\"",
            &format!(
                "image_age = \"{age}\"\ninput_filter = \"{filter}\"\nlooped = {{ at = \"discrete-input 9\" }}"
            ),
        )
        .rig("[run_limits]", "[[output]]\nname = \"loop\"\nat = \"coil 2\"\nsafe = false\n[run_limits]")
}

/// An input that shows changes of the output at 2 s, 3 s and 4 s with these delays; a write takes 2 ms.
fn path(filter: &str, age: &str, late_s: [f64; 3]) -> Vec<Check> {
    let bench = looped_bench(filter, age).step(StepTask::PathLag { times: 3 });
    let times = [2.0, 3.0, 4.0];
    let shown = times.iter().zip(late_s).map(|(at_s, late)| at_s + late).collect();
    let mut world = World::new().to(0.0, 5.0).toggled(9, shown);
    for (time, on) in times.into_iter().zip([true, false, true]) {
        world.marks.push(mark(0, Segment::Looped { on }, time, time + 2e-3));
    }
    Played::of(&bench, &world).judged(0)
}

/// Bounds of the delay from one change: the input is the fourth read of a scan, from 1.5 to 1.9 ms, its middle at 1.7 ms.
fn shows(late_s: f64) -> [f64; 2] {
    let first_new = ((late_s - 1.7e-3) / 5e-3).ceil() * 5e-3;
    [(first_new - 5e-3 + 1.5e-3 - 2e-3).max(0.0), first_new + 1.9e-3]
}

#[rstest]
#[case("10 ms", "8 ms", [0.012, 0.014, 0.013], [CheckVerdict::Met, CheckVerdict::Met])]
#[case("0 ms", "0 ms", [0.001, 0.0012, 0.0015], [CheckVerdict::Met, CheckVerdict::Met])]
#[case("10 ms", "3 ms", [0.012, 0.031, 0.013], [CheckVerdict::NotMet, CheckVerdict::NotMet])]
#[case("30 ms", "20 ms", [0.012, 0.031, 0.013], [CheckVerdict::NotMet, CheckVerdict::Met])]
#[case("10 ms", "30 ms", [0.012, 0.031, 0.013], [CheckVerdict::Met, CheckVerdict::Met])]
fn a_wired_input_shows_filter_and_age(
    #[case] filter: &str,
    #[case] age: &str,
    #[case] late_s: [f64; 3],
    #[case] verdicts: [CheckVerdict; 2],
) {
    let checks = path(filter, age, late_s);
    let (lag, varies) = (of(&checks, QuantityName::PathLag), of(&checks, QuantityName::ImageAge));
    assert_eq!([lag.verdict, varies.verdict], verdicts, "{checks:?}");
    let all = late_s.map(shows);
    let longest = all.into_iter().max_by(|a, b| (a[0] + a[1]).total_cmp(&(b[0] + b[1]))).expect("three");
    let measured = lag.measured.as_ref().expect("measured");
    within(measured.value, f64::midpoint(longest[0], longest[1]), 1e-9);
    within(part(&measured.contributions, "between two reads"), (longest[1] - longest[0]) / 2.0 / ROOT, 1e-9);
    let least = all.iter().map(|one| one[1]).fold(1.0, f64::min);
    let most = all.iter().map(|one| one[0]).fold(0.0, f64::max);
    within(varies.measured.as_ref().expect("measured").value, (most - least).max(0.0), 1e-9);
    let seconds = |text: &str| text.trim_end_matches(" ms").parse::<f64>().expect("a number") / 1e3;
    near(lag.limits.expect("limits").high.expect("one"), seconds(filter) + seconds(age));
    near(varies.limits.expect("limits").high.expect("one") + 1.0, seconds(age) + 1.0);
    if verdicts[0] == CheckVerdict::NotMet {
        let words = format!(
            "once it was {:.0} ms or more, once {:.0} ms or less, never more than {:.0} ms",
            most * 1e3,
            least * 1e3,
            all.iter().map(|one| one[1]).fold(0.0, f64::max) * 1e3
        );
        let remark = lag.remark.clone().expect("a remark");
        assert!(remark.starts_with(&words), "{remark} instead of {words}");
    }
}

#[test]
fn a_switching_that_no_input_shows_is_told() {
    // The search covers 200 ms and twice the declared times.
    let checks = path("0 ms", "0 ms", [0.01, 0.01, 0.3]);
    assert!(checks.len() == 2 && checks.iter().all(|check| check.verdict == CheckVerdict::NotMet));
    assert!(checks[0].remark.as_ref().expect("one").contains("2 of 3"));
    assert!(path("60 ms", "0 ms", [0.01, 0.01, 0.3]).iter().all(|check| check.measured.is_some()));
    assert!(path("0 ms", "60 ms", [0.01, 0.01, 0.3]).iter().all(|check| check.measured.is_some()));
}
