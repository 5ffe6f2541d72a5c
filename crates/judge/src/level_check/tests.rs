use super::*;
use crate::bench::{Bench, ZERO, crossings_around, near, ramps, zero};
use crate::result::{Basis, Delay, level};
use rstest::rstest;
use tripbench_record::{QuantityName, SwitchPointsTask};

const LIMITS: Limits = Limits { low: Some(58_900.0), high: Some(61_100.0) };

/// Crossings around these levels at 2000 Pa/s, with 1 ms subtracted.
fn crossings(middles: &[f64]) -> Crossings {
    Crossings { taken_off_s: 0.001, ..crossings_around(middles.iter().copied(), -2_000.0) }
}

/// A level that passes with a U of 300 Pa, with single crossings elsewhere.
fn checked(site: &str, single: &[f64]) -> Check {
    let task = Bench::new().site(site).step(zero(false)).task();
    let basis = Basis { task: &task, zero: ZERO, resolution_pa: 6.0 };
    let mut level =
        level(basis, &crossings(&[60e3; 3]), None, Delay::AsPromised { other_s: 0.0 }).expect("a level");
    level.result.expanded_uncertainty = 300.0;
    let check = Check::empty(QuantityName::SwitchPoint);
    let check = Check { role: tripbench_record::Role::Required, ..check };
    level_check(&task, check, (&crossings(single), Some(&level)), Some(LIMITS))
}

// A single crossing may be outside by 3 · 100 Pa and by what its delay leaves open, 2000 Pa/s times (3 + 1) ms; the middle of the prior
// is the delay subtracted. Within U of that bound is too close; beyond U it is outside.
#[rstest]
#[case(60_000.0, CheckVerdict::Pass)]
#[case(59_197.0 - 300.0, CheckVerdict::Pass)]
#[case(58_889.0, CheckVerdict::Undecided)]
#[case(61_107.0, CheckVerdict::Pass)]
#[case(61_109.0, CheckVerdict::Undecided)]
#[case(58_288.0, CheckVerdict::Undecided)]
#[case(58_286.0, CheckVerdict::Fail)]
#[case(61_712.0, CheckVerdict::Undecided)]
#[case(61_714.0, CheckVerdict::Fail)]
fn a_single_crossing_lies_beside_its_level_by_no_more_than_promised(
    #[case] single: f64,
    #[case] verdict: CheckVerdict,
) {
    let found = checked("", &[60e3, single]);
    assert_eq!(found.verdict, verdict, "{:?}", found.remark);
    assert_eq!(found.crossings.len(), 2);
    assert_eq!(found.remark.is_some(), verdict != CheckVerdict::Pass);
    if verdict == CheckVerdict::Undecided {
        assert!(found.remark.expect("one").starts_with("1 of 2 crossings"));
    }
}

#[rstest]
#[case(58_593.0, CheckVerdict::Pass)]
#[case(58_591.0, CheckVerdict::Undecided)]
#[case(58_586.0, CheckVerdict::Fail)]
fn without_a_guard_band_the_limit_itself_counts(#[case] single: f64, #[case] verdict: CheckVerdict) {
    assert_eq!(checked("decision = \"simple\"", &[single]).verdict, verdict);
}

#[test]
fn without_a_level_the_limits_are_shown() {
    let task = Bench::new().task();
    let check = Check::empty(QuantityName::SwitchPoint);
    let found = level_check(&task, check, (&crossings(&[60e3]), None), Some(LIMITS));
    assert!(found.measured.is_none() && found.crossings.len() == 1);
    let limits = found.limits.expect("limits");
    assert_eq!((limits.low, limits.high), (LIMITS.low, LIMITS.high));
}

#[test]
fn limits_are_the_levels_of_the_sheets() {
    let task = Bench::new().task();
    let (settings, device) =
        (task.sheets.settings.as_ref().expect("one"), task.sheets.device.as_ref().expect("one"));
    let found = limits_of(tripbench_device::expected(settings, device).on);
    near(found.low.expect("low"), 58_900.0);
    near(found.high.expect("high"), 61_100.0);
}

// Three ramps leave a U of 392 Pa, all of it random, and 300 Pa to the limit. With a tenth to spare, (392/270)² as many are needed, 7.
// A run of 10 + 10 s takes 10 · (7/3 − 1) s longer.
#[rstest]
#[case(0, Some(7), Some(20.0 + 10.0 * 4.0 / 3.0))]
#[case(1, Some(7), None)]
fn how_many_ramps_would_decide(
    #[case] slow: u16,
    #[case] ramp_count: Option<u16>,
    #[case] takes: Option<f64>,
) {
    let ramped = SwitchPointsTask { slow_rising: slow, ..ramps(3) };
    let task = Bench::new().step(zero(false)).step(StepTask::SwitchPoints(ramped)).task();
    let density = tripbench_measure::Density::normal(200.0, 4.0, 1_600.0).expect("a density");
    let part = tripbench_measure::Contribution::intervals("crossings", &density, 3);
    let result = tripbench_measure::combine(60_800.0, 0.0, vec![part]).expect("a result");
    let check = Check { step: 1, ..Check::empty(QuantityName::SwitchPoint) };
    let mut check = judged(check, &result, Some(LIMITS), Acceptance::GuardBand);
    assert_eq!(check.verdict, CheckVerdict::Undecided);
    more_ramps(&task, &mut check, &result);
    let needed = check.to_decide.clone().expect("open");
    assert_eq!(needed.ramps, ramp_count);
    assert_eq!(needed.takes_s.is_some(), takes.is_some());
    if let (Some(found), Some(expected)) = (needed.takes_s, takes) {
        near(found, expected);
    }
    // Other steps get no such estimate.
    let mut other = Check { step: 0, ..check.clone() };
    other.to_decide.as_mut().expect("open").ramps = None;
    more_ramps(&task, &mut other, &result);
    assert!(other.to_decide.expect("open").ramps.is_none());
}
