#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "computed moments and words of a trace, far within their types"
)]

use super::*;
use crate::bench::{Bench, Played, SCAN_S, World, near, of, part, within, zero};
use rstest::rstest;
use tripbench_quantity::{LevelRate, TimeSpan, VacuumLevel};
use tripbench_record::StepTask;

/// Two zeros with readings that swing by `swing`, each with its own offset.
fn zeros(bench: Bench, offsets: [f64; 2], swing: f64) -> Played {
    let bench = bench.step(zero(false)).step(zero(true));
    let world = World::new().vented(1, 1.0);
    let again_s = world.marks[1].from.seconds();
    let error = move |t_s: f64| {
        let sign = if (t_s / SCAN_S).floor() % 2.0 < 1.0 { 1.0 } else { -1.0 };
        (if t_s < again_s { offsets[0] } else { offsets[1] }) + sign * swing
    };
    Played::of(&bench, &World { error: Some(Box::new(error)), ..world })
}

// At most 1 kPa, with a guard band of U: the scatter of the readings, 20 Pa over √200, and a count of 6 Pa over √12, twice.
#[rstest]
#[case(300.0, CheckVerdict::Met)]
#[case(-300.0, CheckVerdict::Met)]
#[case(996.0, CheckVerdict::Undecided)]
#[case(1_010.0, CheckVerdict::NotMet)]
#[case(-1_010.0, CheckVerdict::NotMet)]
fn a_zero_is_at_most_the_largest(#[case] offset: f64, #[case] verdict: CheckVerdict) {
    let played = zeros(Bench::new(), [offset, offset], 20.0);
    let checks = played.judged(0);
    assert_eq!(checks.len(), 1);
    assert_eq!(checks[0].verdict, verdict, "{:?}", checks[0]);
    assert!(checks[0].role == Role::Condition && checks[0].unit == "Pa" && checks[0].step_name == "step");
    let measured = checks[0].measured.as_ref().expect("a zero");
    near(measured.value, offset);
    let step = 6.0 / 12_f64.sqrt();
    let scatter = 20.0 * (200.0_f64 / 199.0).sqrt() / 200_f64.sqrt();
    near(part(&measured.contributions, "noise"), scatter.hypot(step));
    near(part(&measured.contributions, "resolution"), step);
    let limits = checks[0].limits.expect("limits");
    assert_eq!((limits.low, limits.high), (Some(-1e3), Some(1e3)));
}

// 60 Pa of drift is declared: a fail needs more, beyond a U of twice √(2·(1.4² + 1.7²) + 1.7²) Pa.
#[rstest]
#[case(0.0, CheckVerdict::Met)]
#[case(55.0, CheckVerdict::Met)]
#[case(66.0, CheckVerdict::Met)]
#[case(75.0, CheckVerdict::NotMet)]
#[case(-75.0, CheckVerdict::NotMet)]
fn a_zero_drifts_by_no_more_than_declared(#[case] drift: f64, #[case] verdict: CheckVerdict) {
    let played = zeros(Bench::new(), [100.0, 100.0 + drift], 20.0);
    let checks = played.judged(1);
    let check = of(&checks, QuantityName::ZeroDrift);
    assert_eq!(check.verdict, verdict, "{check:?}");
    let measured = check.measured.as_ref().expect("a drift");
    within(measured.value, drift, 1e-6);
    let one = (20.0 * (200.0_f64 / 199.0).sqrt() / 200_f64.sqrt()).hypot(6.0 / 12_f64.sqrt());
    near(part(&measured.contributions, "noise"), one * 2_f64.sqrt());
    let first = of(&checks, QuantityName::Zero).measured.as_ref().expect("a zero");
    within(first.value, 100.0 + drift, 1e-6);
}

#[test]
fn without_a_zero_nothing_is_said_of_it() {
    let mut played = zeros(Bench::new(), [0.0, 0.0], 20.0);
    played.marks.remove(0);
    let drift = of(&played.judged(1), QuantityName::ZeroDrift).clone();
    assert!(drift.verdict == CheckVerdict::Undecided && drift.measured.is_none());
    assert_eq!(drift.remark.as_deref(), Some("there was no zero before"));
    played.trace.scans.clear();
    let checks = played.judged(1);
    assert!(checks.len() == 1 && checks[0].measured.is_none() && checks[0].remark.is_some());
}

// With 200 readings the true deviation is at least 0.9106 of the observed one (chi-square, 199 degrees of freedom; computed again with
// another library). The sheet's 20 Pa, plus a fifth for rounding, is surely below 0.9106 times 26.5 Pa.
#[rstest]
#[case(20.0, false)]
#[case(26.1, false)]
#[case(26.8, true)]
fn a_reference_that_is_noisier_than_declared_is_told(#[case] swing: f64, #[case] told: bool) {
    let checks = zeros(Bench::new(), [0.0, 0.0], swing).judged(0);
    assert_eq!(checks[0].verdict, CheckVerdict::Met);
    assert_eq!(checks[0].remark.is_some(), told, "{checks:?}");
}

#[test]
fn a_zero_at_the_end_of_the_converter_is_none() {
    let bench = Bench::new()
        .rig("raw = \"i32\"", "raw = \"u16\"")
        .rig("counts = [0, 10000000]", "counts = [0, 10000]")
        .rig("resolution = \"6 Pa\"\n", "");
    let checks = zeros(bench, [0.0, 0.0], 0.0).judged(0);
    assert_eq!(checks[0].verdict, CheckVerdict::NotMet);
}

#[test]
fn a_correction_that_would_be_taken_off_twice_is_told() {
    let bench = |zero: &str| {
        let line = format!("coverage_factor = 2\ncorrection_pa = -300.0\nzero = \"{zero}\"");
        Bench::new().rig("coverage_factor = 2", &line)
    };
    let verdict = |zero: &str, offset: f64| zeros(bench(zero), [offset, offset], 20.0).judged(0)[0].verdict;
    assert_eq!(verdict("adjusted", 300.0), CheckVerdict::NotMet);
    assert_eq!(verdict("adjusted", 50.0), CheckVerdict::Met);
    assert_eq!(verdict("as-found", 300.0), CheckVerdict::Met);
}

fn leak_task(watch_s: f64) -> LeakTask {
    LeakTask {
        level: VacuumLevel::new(70e3),
        settle: TimeSpan::new(3.0),
        watch: TimeSpan::new(watch_s),
        limit: LevelRate::new(200.0),
    }
}

/// A closed rig watched for 4 s that leaks at a rate, with readings that swing by 20 Pa.
fn leaked(rate: f64) -> Vec<Check> {
    let bench = Bench::new().step(zero(false)).step(StepTask::Leak(leak_task(4.0)));
    let world = World::new().to(70e3, 1.0).over(1, Segment::Closed, 70e3 - 4.0 * rate, 4.0);
    let error = |t_s: f64| if (t_s / SCAN_S).floor() % 2.0 < 1.0 { 20.0 } else { -20.0 };
    Played::of(&bench, &World { error: Some(Box::new(error)), ..world }).judged(1)
}

#[rstest]
#[case(20.0, CheckVerdict::Met)]
#[case(-20.0, CheckVerdict::Met)]
#[case(198.5, CheckVerdict::Undecided)]
#[case(300.0, CheckVerdict::NotMet)]
#[case(-300.0, CheckVerdict::NotMet)]
fn a_leak_is_at_most_what_the_step_allows(#[case] rate: f64, #[case] verdict: CheckVerdict) {
    let checks = leaked(rate);
    let check = &checks[0];
    assert!(checks.len() == 1 && check.role == Role::Condition && check.unit == "Pa/s");
    assert_eq!(check.verdict, verdict, "{check:?}");
    let limits = check.limits.expect("limits");
    assert_eq!((limits.low, limits.high), (Some(-200.0), Some(200.0)));
    assert_eq!(check.remark.is_some(), verdict != CheckVerdict::Met);
    let measured = check.measured.as_ref().expect("a leak");
    within(measured.value, rate, 1.0);
    // Gas warms with 1 s: 0.4 of (95 − 70) kPa / 3 s · 1 s, decayed over 3 s: 166 Pa.
    let samples: Vec<Sample> = (0..800)
        .map(|index| f64::from(index) * SCAN_S)
        .map(|t_s| Sample {
            t_s,
            level_pa: 70e3 - rate * t_s + if (t_s / SCAN_S).round() % 2.0 < 1.0 { 20.0 } else { -20.0 },
        })
        .collect();
    let warming_pa = 0.4 * 25e3 / 3.0 * (-3.0_f64).exp();
    let fit = |tau_s: f64| fit_settling(&samples, tau_s, warming_pa, 6.0 / 12_f64.sqrt()).expect("a fit");
    within(part(&measured.contributions, "scatter"), fit(1.0).slope_uncertainty_pa_per_s, 0.05);
    let away = |tau_s: f64| (fit(tau_s).slope_pa_per_s - fit(1.0).slope_pa_per_s).abs();
    let farthest = away(1.5).max(away(1.0 / 1.5)) / 3_f64.sqrt();
    within(part(&measured.contributions, "time constant"), farthest, 0.05);
    // A count over √12, over the time watched, rectangular once more.
    within(part(&measured.contributions, "resolution"), 6.0 / 12.0 / 4.0, 1e-3);
}

#[test]
fn a_rig_that_was_not_watched_has_no_leak_rate() {
    let bench = Bench::new().step(zero(false)).step(StepTask::Leak(leak_task(4.0)));
    let mut played = Played::of(&bench, &World::new().to(70e3, 1.0).over(1, Segment::Closed, 70e3, 4.0));
    played.trace.scans.truncate(300);
    let checks = played.judged(1);
    assert!(checks[0].measured.is_none() && checks[0].verdict == CheckVerdict::Undecided);
}

// Predicted samples have no scatter beyond noise and resolution; fewer than six of them give no result.
#[rstest]
#[case(4.0)]
#[case(2.0)]
fn a_leak_is_foreseen_from_predicted_samples(#[case] watch_s: f64) {
    let task = Bench::new().task();
    let warming_pa = 0.4 * 25e3 / 3.0 * (-3.0_f64).exp();
    let samples: Vec<Sample> = (0..(watch_s / SCAN_S).round() as u32)
        .map(|index| f64::from(index) * SCAN_S)
        .map(|t_s| Sample { t_s, level_pa: 70e3 + warming_pa * (-t_s).exp() })
        .collect();
    let floor_pa = 20_f64.hypot(6.0 / 12_f64.sqrt());
    let fit = |tau_s: f64| fit_settling(&samples, tau_s, warming_pa, floor_pa).expect("a fit");
    let away = |tau_s: f64| (fit(tau_s).slope_pa_per_s - fit(1.0).slope_pa_per_s).abs();
    let u = fit(1.0)
        .slope_uncertainty_pa_per_s
        .hypot(away(1.5).max(away(1.0 / 1.5)) / 3_f64.sqrt())
        .hypot(floor_pa / watch_s / 12_f64.sqrt());
    let found = predicted_leak_pa_per_s(&task, &leak_task(watch_s));
    assert!((1.6..2.0).contains(&(found / u)), "{found} for {u}");
    near(predicted_leak_pa_per_s(&task, &leak_task(0.02)), 200.0);
}

// 0.4 of the evacuation rate times 1 s, decayed over the settling time.
#[rstest]
#[case(70e3, 3.0, 0.4 * 25e3 / 3.0 * (-3.0_f64).exp())]
#[case(35e3, 1.0, 0.4 * 60e3 / 3.0 * (-1.0_f64).exp())]
#[case(99e3, 1.0, 0.0)]
fn gas_warms_by_a_share_of_the_rate(#[case] level: f64, #[case] settle_s: f64, #[case] warming: f64) {
    let leak = LeakTask { level: VacuumLevel::new(level), settle: TimeSpan::new(settle_s), ..leak_task(4.0) };
    near(warming_pa(&Bench::new().task(), &leak), warming);
    let slow = Bench::new().rig("thermal = \"1 s\"", "thermal = \"2 s\"").task();
    let expected = 2.0 * warming * (settle_s / 2.0).exp();
    near(warming_pa(&slow, &leak), expected);
}

#[rstest]
#[case("decision = \"guard-band\"", Acceptance::GuardBand)]
#[case("decision = \"simple\"", Acceptance::Simple)]
#[case("decision = \"highest-risk\"\nhighest_risk = 0.1\nprocess_spread = 0.3", Acceptance::HighestRisk { risk: 0.1, process: Some(0.3) })]
fn the_rule_of_the_site_is_the_one_that_decides(#[case] site: &str, #[case] rule: Acceptance) {
    assert_eq!(acceptance(&Bench::new().site(site).task()), rule);
}

// The spread of devices says nothing about the rig: a leak of 132 ± 637 Pa/s is not shown to be at most 200 Pa/s.
#[rstest]
#[case("decision = \"highest-risk\"\nhighest_risk = 0.1\nprocess_spread = 0.1", Acceptance::HighestRisk { risk: 0.1, process: None })]
#[case("decision = \"simple\"", Acceptance::Simple)]
#[case("decision = \"guard-band\"", Acceptance::GuardBand)]
fn a_condition_of_the_rig_is_held_without_what_is_known_of_the_devices(
    #[case] site: &str,
    #[case] expected: Acceptance,
) {
    assert_eq!(acceptance_of_rig(&Bench::new().site(site).task()), expected);
}

fn result(value: f64) -> MeasurementResult {
    combine(value, 0.0, vec![Contribution::normal("all", 1.0)]).expect("a result")
}

#[rstest]
#[case(5.0, Role::Required, CheckVerdict::Pass)]
#[case(5.0, Role::Condition, CheckVerdict::Met)]
#[case(5.0, Role::Screening, CheckVerdict::Pass)]
#[case(12.0, Role::Condition, CheckVerdict::NotMet)]
#[case(12.5, Role::Required, CheckVerdict::Fail)]
#[case(12.5, Role::Informative, CheckVerdict::Fail)]
#[case(9.5, Role::Condition, CheckVerdict::Undecided)]
#[case(9.5, Role::Required, CheckVerdict::Undecided)]
fn a_result_is_judged_by_its_role(#[case] value: f64, #[case] role: Role, #[case] verdict: CheckVerdict) {
    let limits = Limits { low: None, high: Some(10.0) };
    let blank = Check { role, ..Check::empty(QuantityName::SwitchPoint) };
    let found = judged(blank.clone(), &result(value), Some(limits), Acceptance::GuardBand);
    assert_eq!(found.verdict, verdict);
    assert_eq!(found.to_decide.is_some(), verdict == CheckVerdict::Undecided);
    let probability = found.conformance_probability.expect("a probability");
    within(probability, conformance_probability(&result(value), limits), 1e-12);
    let free = judged(blank, &result(value), None, Acceptance::GuardBand);
    assert!(free.verdict == CheckVerdict::Measured && free.conformance_probability.is_none());
}

// Gas that still warms by 2 kPa: another time constant, longer by half or shorter by a third, changes the slope.
#[test]
fn the_time_constant_of_the_gas_counts_both_ways() {
    let task = Bench::new().task();
    let leak = LeakTask { settle: TimeSpan::new(0.5), ..leak_task(4.0) };
    let warming_pa = 0.4 * 25e3 / 3.0 * (-0.5_f64).exp();
    let samples: Vec<Sample> = (0..800)
        .map(|index| f64::from(index) * SCAN_S)
        .map(|t_s| Sample { t_s, level_pa: 70e3 - 20.0 * t_s + warming_pa * (-t_s).exp() })
        .collect();
    let fit = |tau_s: f64| fit_settling(&samples, tau_s, warming_pa, 2.0).expect("a fit").slope_pa_per_s;
    let [short, long] = [1.0 / 1.5, 1.5].map(|tau_s| (fit(tau_s) - fit(1.0)).abs());
    assert!((short - long).abs() > 1.0);
    let found = leak_result(&task, &leak, (&samples, 2.0)).expect("a leak");
    near(part(&found.contributions, "time constant"), short.max(long) / 3_f64.sqrt());
    near(part(&found.contributions, "resolution"), 2.0 / 4.0 / 12_f64.sqrt() * (4.0 / samples[799].t_s));
}

#[test]
fn a_quiet_reference_is_foreseen_by_its_steps() {
    let task = Bench::new().rig("noise = \"20 Pa\"", "noise = \"1 Pa\"").task();
    let warming_pa = 0.4 * 25e3 / 3.0 * (-3.0_f64).exp();
    let samples: Vec<Sample> = (0..800)
        .map(|index| f64::from(index) * SCAN_S)
        .map(|t_s| Sample { t_s, level_pa: 70e3 + warming_pa * (-t_s).exp() })
        .collect();
    let expected = leak_result(&task, &leak_task(4.0), (&samples, 2.0)).expect("a leak");
    near(predicted_leak_pa_per_s(&task, &leak_task(4.0)), expected.expanded_uncertainty);
}
