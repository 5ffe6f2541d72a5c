use super::*;
use crate::bench::Bench;
use rstest::rstest;
use tripbench_measure::{Contribution, combine};
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

const BOTH: &str = "delays = [\"0 ms\", \"200 ms\"]";

#[rstest]
#[case("delays = [\"0 ms\"]", false, Some(&[] as &[f64]), CheckVerdict::Pass, "no other delay")]
#[case(BOTH, false, None, CheckVerdict::Undecided, "nothing timed")]
#[case(BOTH, true, Some(&[0.0] as &[f64]), CheckVerdict::Pass, "no other delay of the type fits")]
#[case(BOTH, false, Some(&[0.0, 0.2] as &[f64]), CheckVerdict::Undecided, "each of 0, 200 ms fits")]
#[case(BOTH, false, Some(&[0.2] as &[f64]), CheckVerdict::Undecided, "0 ms is set, and only 200 ms fits")]
#[case(BOTH, false, Some(&[] as &[f64]), CheckVerdict::Undecided, "none of 0, 200 ms fits")]
fn the_selected_delay_is_shown_or_it_is_not(
    #[case] delays: &str,
    #[case] shown: bool,
    #[case] fitting_s: Option<&'static [f64]>,
    #[case] verdict: CheckVerdict,
    #[case] words: &str,
) {
    let task = Bench::new().device(BOTH, delays).task();
    let result = combine(0.003, 0.0, vec![Contribution::normal("all", 0.001)]).expect("a result");
    let check =
        selected_delay(&task, blank(), fitting_s.map(|_| &result), (shown, fitting_s.unwrap_or_default()));
    let remark = check.remark.clone().expect("a remark");
    assert!(check.verdict == verdict && remark.contains(words), "{:?} {remark}", check.verdict);
    // 0 ms is set.
    let other_fits = fitting_s.is_some_and(|fitting_s| !fitting_s.is_empty() && !fitting_s.contains(&0.0));
    assert_eq!(check.role == Role::Screening, other_fits, "{:?}", check.role);
    if fitting_s.is_some() && delays.contains("200") {
        // Which delay fits is no question of limits.
        assert!(check.limits.is_none() && check.measured.is_some());
        assert!(check.conformance_probability.is_none() && check.to_decide.is_none());
    }
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
