use super::*;
use crate::bench::Bench;
use rstest::rstest;
use tripbench_measure::{Contribution, MeasurementResult, combine};
use tripbench_record::QuantityName;

const REQUIRED: &str = "not_checked = \"undecided\"";

fn blank() -> Check {
    Check::empty(QuantityName::SelectedDelay)
}

#[rstest]
#[case("", Role::Informative)]
#[case(REQUIRED, Role::Required)]
fn what_was_not_checked_counts_as_the_site_has_it(#[case] site: &str, #[case] expected: Role) {
    let task = Bench::new().site(site).task();
    assert_eq!(role(&task), expected);
    let open = not_timed(&task, blank());
    assert!(open.role == expected && open.verdict == CheckVerdict::Undecided && open.remark.is_some());
}

/// A delay with its U, milliseconds.
fn result(value_ms: f64, u_ms: f64) -> MeasurementResult {
    let all = Contribution::normal("all", u_ms / 1.96e3);
    combine(value_ms / 1e3, 0.0, vec![all]).expect("a result")
}

// 8 ms with a U of 1 ms is beyond 6 ms; comparator noise can make 5 ms seem 8.
#[rstest]
#[case(0.0, CheckVerdict::Undecided, Role::Screening)]
#[case(3.0, CheckVerdict::Pass, Role::Informative)]
fn what_noise_of_the_comparator_can_do_speaks_against_no_delay(
    #[case] seems_later_ms: f64,
    #[case] verdict: CheckVerdict,
    #[case] role: Role,
) {
    let delay = &result(8.0, 1.0);
    let timed = Timed { delay, seems_later_s: seems_later_ms / 1e3 };
    let check = selected_delay(&Bench::new().task(), blank(), &[(QuantityName::OffDelay, timed)]);
    assert_eq!((check.verdict, check.role), (verdict, role), "{:?}", check.remark);
}

const BOTH: &str = "delays = [\"0 ms\", \"200 ms\"]";
const THREE: &str = "delays = [\"0 ms\", \"10 ms\", \"20 ms\"]";

// A response of 6 ms, with 0 ms selected. On delay, then off delay, each with its U, ms. A delay more than U beyond a selectable one
// and its response does not fit; more than 1.33 U puts it in doubt, more than 1.8 U rules it out.
#[rstest]
#[case("delays = [\"0 ms\"]", &[], CheckVerdict::Pass, Role::Informative, "no other delay")]
#[case(BOTH, &[], CheckVerdict::Undecided, Role::Informative, "nothing timed")]
#[case(
    BOTH, &[(3.0, 1.0)], CheckVerdict::Pass, Role::Informative,
    "no other delay of the type fits; best resolved by the output switching on"
)]
#[case(
    BOTH, &[(3.0, 198.0)], CheckVerdict::Undecided, Role::Informative,
    "each of 0, 200 ms can be the selected delay; best resolved by the output switching on"
)]
#[case(
    BOTH, &[(3.0, 150.0), (3.0, 120.0)], CheckVerdict::Undecided, Role::Informative,
    "each of 0, 200 ms can be the selected delay; best resolved by the output switching off"
)]
#[case(BOTH, &[(100.0, 1.0)], CheckVerdict::Undecided, Role::Screening, "0 ms is set and does not fit the output switching on: no other")]
#[case(BOTH, &[(204.0, 3.0)], CheckVerdict::Undecided, Role::Screening, "0 ms is set and does not fit the output switching on: only 200 ms fits")]
#[case(THREE, &[(3.0, 5.0)], CheckVerdict::Undecided, Role::Informative, "each of 0, 10 ms can be")]
#[case(THREE, &[(18.0, 15.0), (18.0, 13.0)], CheckVerdict::Undecided, Role::Informative, "each of 0, 10, 20 ms can be")]
#[case(THREE, &[(18.0, 15.0), (18.0, 10.0)], CheckVerdict::Undecided, Role::Screening, "0 ms is set and does not fit the output switching off: each of 10, 20 ms fits")]
#[case(BOTH, &[(16.0, 8.0)], CheckVerdict::Undecided, Role::Informative, "0 ms is set and does not fit the output switching on: no other")]
#[case(THREE, &[(18.0, 11.0), (18.0, 7.0)], CheckVerdict::Undecided, Role::Screening, "0 ms is set and does not fit the output switching off: each of 10, 20 ms fits")]
#[case(THREE, &[(24.0, 11.0), (12.0, 7.0)], CheckVerdict::Undecided, Role::Screening, "0 ms is set and does not fit the output switching on: only 10 ms fits")]
#[case(
    THREE, &[(12.0, 1.0), (3.0, 1.0)], CheckVerdict::Undecided, Role::Screening,
    "0 ms is set and does not fit the output switching on: no other"
)]
fn the_selected_delay_is_shown_or_it_is_not(
    #[case] delays: &str,
    #[case] found_ms: &[(f64, f64)],
    #[case] verdict: CheckVerdict,
    #[case] role: Role,
    #[case] words: &str,
) {
    let task = Bench::new().device(BOTH, delays).task();
    let results: Vec<MeasurementResult> = found_ms.iter().map(|(value, u)| result(*value, *u)).collect();
    let timed = results.iter().map(|delay| Timed { delay, seems_later_s: 0.0 });
    let found = [QuantityName::OnDelay, QuantityName::OffDelay].into_iter().zip(timed);
    let check = selected_delay(&task, blank(), &found.collect::<Vec<_>>());
    let remark = check.remark.clone().expect("a remark");
    assert!(check.verdict == verdict && remark.contains(words), "{:?} {remark}", check.verdict);
    assert_eq!(check.role, role);
    if !found_ms.is_empty() {
        // Whether a delay fits is not decided by limits.
        assert!(check.limits.is_none() && check.measured.is_some());
        assert!(check.conformance_probability.is_none() && check.to_decide.is_none());
    }
}

#[test]
fn where_the_site_wants_it_a_wrong_delay_is_no_less_required() {
    let task = Bench::new().site(REQUIRED).task();
    let delay = &result(204.0, 1.96);
    let check =
        selected_delay(&task, blank(), &[(QuantityName::OnDelay, Timed { delay, seems_later_s: 0.0 })]);
    assert_eq!((check.role, check.verdict), (Role::Required, CheckVerdict::Undecided));
}

#[rstest]
#[case("\"0 ms\"", "0 ms", false)]
#[case("\"200 ms\"", "200 ms", false)]
#[case("\"0 ms\", \"200 ms\"", "0 ms", true)]
#[case("\"0 ms\", \"200 ms\"", "200 ms", true)]
fn a_type_with_one_delay_lets_nobody_select(
    #[case] delays: &str,
    #[case] selected: &str,
    #[case] other: bool,
) {
    let bench = Bench::new().device("\"0 ms\", \"200 ms\"", delays);
    let task = bench.settings("delay = \"0 ms\"", &format!("delay = \"{selected}\"")).task();
    assert_eq!(selects(&task), other);
}

#[rstest]
#[case("", false, CheckVerdict::Undecided)]
#[case("switch", false, CheckVerdict::Pass)]
#[case("switch", true, CheckVerdict::Undecided)]
#[case("both", true, CheckVerdict::Pass)]
fn only_counters_show_bounce(#[case] counted: &str, #[case] valve: bool, #[case] verdict: CheckVerdict) {
    let mut bench = Bench::new();
    if !counted.is_empty() {
        bench = bench.rig(
            "{ at = \"discrete-input 0\" }",
            "{ at = \"discrete-input 0\", counter = { at = \"input-register 7\" } }",
        );
    }
    if counted == "both" {
        bench = bench.rig(
            "{ at = \"discrete-input 4\" }",
            "{ at = \"discrete-input 4\", counter = { at = \"input-register 8\" } }",
        );
    }
    let task = bench.task();
    let found = bounce(blank(), &task, &task.sheets.rig.positions[0], valve);
    assert!(found.verdict == verdict && found.unit == "1" && found.remark.is_some());
}

#[test]
fn a_level_that_no_step_looks_at_is_said_not_to_be_seen() {
    for (site, expected) in [("", Role::Informative), (REQUIRED, Role::Required)] {
        let found = not_seen(&Bench::new().site(site).task(), blank());
        assert!(found.role == expected && found.verdict == CheckVerdict::Undecided && found.remark.is_some());
    }
}
