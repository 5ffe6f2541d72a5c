use super::*;
use crate::bench::{Bench, a_level, near, within};
use crate::level::Crossings;
use rstest::rstest;
use tripbench_measure::{Contribution, MeasurementResult, combine, normal_quantile};
use tripbench_record::{LimitsRecord, Measured, QuantityName};

fn blank() -> Check {
    Check::empty(QuantityName::OnDelay)
}

/// A delay with its U, seconds.
fn a_delay(value: f64, expanded: f64) -> MeasurementResult {
    let part = Contribution::normal("all", expanded / normal_quantile(0.975));
    combine(value, 0.0, vec![part]).expect("a result")
}

/// A delay as crossings showed it, and by how much the output can seem late, seconds.
fn found(delay: Option<MeasurementResult>, seems_later_s: f64) -> Found {
    Found { crossings: Crossings::default(), rates: None, delay, seems_later_s, settled: true }
}

// At most 6 ms is promised. The level has a U of about 300 Pa and moves by 2000 Pa/s: a third of U is 50 ms. Later than promised by
// 3.5/1.96 U is a fail: 8 ms with a U of 1 ms is, with 1.3 ms (2.32 ms) it is not. By 2.6/1.96 U, 1.72 ms, it is in doubt; with 1.6 ms
// (2.12 ms) it is not. Before its level by 3.5/1.96 U: 10 ms with a U of 2 ms (3.6 ms) is, with 6 ms (10.7 ms) is not.
#[rstest]
#[case(0.003, 0.001, 0.0, CheckVerdict::Measured, "nothing against it")]
#[case(0.02, 0.03, 0.0, CheckVerdict::Measured, "not surely later than its sheets say: even")]
#[case(0.008, 0.001, 0.0, CheckVerdict::Fail, "later than its sheets say: is another")]
#[case(0.008, 0.001_3, 0.0, CheckVerdict::Undecided, "noise of the comparator or few ramps")]
#[case(0.008, 0.001_6, 0.0, CheckVerdict::Measured, "not surely later than its sheets say: even")]
#[case(0.03, 0.029, 0.0, CheckVerdict::Undecided, "59 ms")]
#[case(0.03, 0.029, 150.0, CheckVerdict::Measured, "75 ms more")]
#[case(-0.01, 0.002, 0.0, CheckVerdict::Undecided, "before its level")]
#[case(-0.01, 0.006, 0.0, CheckVerdict::Measured, "nothing against it")]
fn a_delay_is_held_against_what_the_sheets_say(
    #[case] value: f64,
    #[case] expanded: f64,
    #[case] slack_pa: f64,
    #[case] verdict: CheckVerdict,
    #[case] words: &str,
) {
    let task = Bench::new().task();
    let mut level = a_level(&task, 0.0, 3).0;
    level.result.expanded_uncertainty = 285.0;
    // A third of U is 95 Pa: 47.5 ms. 150 Pa to spare is 75 ms.
    let found =
        delay_check(&task, blank(), &found(Some(a_delay(value, expanded)), 0.0), Some(&level), slack_pa);
    let remark = found.remark.clone().expect("a remark");
    assert!(found.verdict == verdict && remark.contains(words), "{:?} {remark}", found.verdict);
    if words != "before its level" {
        let limits = found.limits.expect("limits");
        assert_eq!((limits.low, limits.high), (None, Some(0.006)));
    }
    // Only a fail has a conformance probability; elsewhere the limits do not decide.
    assert_eq!(found.conformance_probability.is_some(), verdict == CheckVerdict::Fail);
    // 30 ms is 23.5 ms inside the harmless 53.5 ms: that U would show it.
    let needed = found.to_decide.and_then(|needed| needed.expanded_uncertainty);
    let expected = (words == "59 ms").then_some(0.023_5);
    assert_eq!(needed.map(|u| (u * 1e6).round()), expected.map(|u: f64| (u * 1e6).round()));
}

// With 200 ms selected the delay is at least that: 200 to 206 ms.
#[rstest]
#[case(0.203, 0.001, CheckVerdict::Measured, "nothing against it")]
#[case(0.19, 0.002, CheckVerdict::Fail, "earlier than the delay that is set")]
#[case(0.22, 0.002, CheckVerdict::Fail, "later than its sheets say")]
#[case(0.2, 0.03, CheckVerdict::Measured, "nothing against it")]
#[case(0.2, 0.06, CheckVerdict::Undecided, "260 ms; more than 256 ms")]
#[case(0.18, 0.09, CheckVerdict::Undecided, "270 ms; more than 256 ms")]
#[case(0.16, 0.08, CheckVerdict::Undecided, "as early as 80 ms; less than 150 ms")]
// By 2.6/1.96 U, 26.5 ms, it is in doubt; by 3.5/1.96 U, 35.7 ms, it is ruled out.
#[case(0.175, 0.02, CheckVerdict::Measured, "not surely earlier than the delay that is set: even")]
#[case(0.172, 0.02, CheckVerdict::Undecided, "earlier than the delay that is set, though few ramps")]
#[case(0.165, 0.02, CheckVerdict::Undecided, "earlier than the delay that is set, though few ramps")]
#[case(0.163, 0.02, CheckVerdict::Fail, "earlier than the delay that is set: is it selected?")]
fn a_selected_delay_is_neither_shorter_nor_longer(
    #[case] value: f64,
    #[case] expanded: f64,
    #[case] verdict: CheckVerdict,
    #[case] words: &str,
) {
    let task = Bench::new().settings("delay = \"0 ms\"", "delay = \"200 ms\"").task();
    let mut level = a_level(&task, 0.0, 3).0;
    level.result.expanded_uncertainty = 300.0;
    let found = delay_check(&task, blank(), &found(Some(a_delay(value, expanded)), 0.0), Some(&level), 0.0);
    let remark = found.remark.clone().expect("a remark");
    assert!(found.verdict == verdict && remark.contains(words), "{:?} {remark}", found.verdict);
    assert_eq!(found.limits.expect("limits").low, Some(0.2));
}

// An output that can seem 3 ms late fails only beyond 9 ms: 12 ms less 1.79 ms does, 10 ms less 1.79 ms does not.
#[rstest]
#[case(0.010, CheckVerdict::Undecided)]
#[case(0.012, CheckVerdict::Fail)]
fn noise_of_the_comparator_fails_nobody(#[case] value: f64, #[case] verdict: CheckVerdict) {
    let task = Bench::new().task();
    let checked = delay_check(&task, blank(), &found(Some(a_delay(value, 0.001)), 0.003), None, 0.0);
    assert_eq!(checked.verdict, verdict, "{:?}", checked.remark);
}

#[test]
fn a_delay_that_was_not_seen_is_undecided() {
    let task = Bench::new().task();
    let unseen = delay_check(&task, blank(), &found(None, 0.0), None, 0.0);
    assert!(unseen.verdict == CheckVerdict::Undecided && unseen.remark.is_some());
    // Without a level nothing is to spare.
    let seen = delay_check(&task, blank(), &found(Some(a_delay(0.005, 0.004)), 0.0), None, 1e9);
    assert_eq!(seen.verdict, CheckVerdict::Undecided);
}

#[rstest]
#[case(300.0, 0.0, 2_000.0, 0.05)]
#[case(300.0, 160.0, 2_000.0, 0.08)]
#[case(300.0, 900.0, -2_000.0, 0.1)]
#[case(3.0, 0.01, 0.0, 0.1)]
#[case(0.03, 0.02, 0.5, 0.02)]
fn what_is_to_spare_is_the_larger_over_the_rate(
    #[case] expanded: f64,
    #[case] slack_pa: f64,
    #[case] rate: f64,
    #[case] expected: f64,
) {
    let mut level = a_level(&Bench::new().task(), 0.0, 3).0;
    (level.result.expanded_uncertainty, level.per_delay_pa_per_s) = (expanded, rate);
    near(spare_s(&level, slack_pa), expected);
}

fn checked(verdict: CheckVerdict, value: f64) -> Check {
    let measured = Some(Measured::from(&a_delay(value, 3.0)));
    let limits = Some(LimitsRecord { low: Some(100.0), high: Some(200.0) });
    Check { verdict, measured, limits, ..blank() }
}

#[rstest]
#[case(CheckVerdict::Pass, 150.0, 47.0)]
#[case(CheckVerdict::Pass, 110.0, 7.0)]
#[case(CheckVerdict::Pass, 180.0, 17.0)]
#[case(CheckVerdict::Pass, 199.0, 0.0)]
#[case(CheckVerdict::Undecided, 150.0, 0.0)]
#[case(CheckVerdict::Measured, 150.0, 0.0)]
#[case(CheckVerdict::Fail, 150.0, f64::INFINITY)]
fn what_a_pass_has_to_spare(#[case] verdict: CheckVerdict, #[case] value: f64, #[case] expected: f64) {
    let found = slack_pa(&checked(verdict, value));
    assert!((found - expected).abs() < 0.01 || found.total_cmp(&expected).is_eq(), "{found}");
    let high = Some(LimitsRecord { low: None, high: Some(200.0) });
    within(slack_pa(&Check { limits: high, ..checked(CheckVerdict::Pass, 110.0) }), 87.0, 0.01);
    let low = Some(LimitsRecord { low: Some(100.0), high: None });
    within(slack_pa(&Check { limits: low, ..checked(CheckVerdict::Pass, 180.0) }), 77.0, 0.01);
    assert!(slack_pa(&Check { limits: None, ..checked(CheckVerdict::Undecided, 1.0) }).is_infinite());
    near(slack_pa(&Check { measured: None, ..checked(CheckVerdict::Pass, 1.0) }) + 1.0, 1.0);
}
