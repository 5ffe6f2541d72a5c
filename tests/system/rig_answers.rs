//! `rig check` and what a person answers: an honest no is a result, not a stop; plugs that are in are named.

use rstest::rstest;
use std::sync::Arc;
use tripbench_record::{Check, CheckVerdict, EventKind, Halt};
use tripbench_report::summary;
use tripbench_tests::ways::{with_hand_over, with_loop};
use tripbench_tests::{Bench, Outcome};

fn bench() -> Bench {
    let mut bench = Bench { rig: with_loop(), ..Bench::demo() };
    bench.truth.devices.clear();
    bench
}

fn questions(outcome: &Outcome) -> Vec<String> {
    let asked = |event: &tripbench_record::Event| {
        if let EventKind::Asked { text, .. } = &event.kind { Some(text.clone()) } else { None }
    };
    outcome.events.iter().filter_map(asked).collect()
}

fn not_met(outcome: &Outcome) -> Vec<&Arc<Check>> {
    outcome.record.rig_checks.iter().filter(|check| check.verdict == CheckVerdict::NotMet).collect()
}

/// An output that the rig cannot see, and the answer that it did not act: not met, the key named, and the check continues. A loop has an
/// input that shows it, so nobody is asked about it.
#[rstest]
#[case(|text: &str| if text.contains("whether `device-power` acted") { "no" } else { "yes" }, "device-power", "")]
#[case(|text: &str| if text.contains("whether `hand-over` of position 1 acted") { "no" } else { "yes" }, "hand-over", "1")]
#[case(|text: &str| if text.contains("whether `hand-over` of position 3 acted") { "no" } else { "yes" }, "hand-over", "3")]
#[case(|text: &str| if text.contains("whether `hand-over` of position 4 acted") { "no" } else { "yes" }, "hand-over", "4")]
fn an_output_that_did_not_act_is_not_met_and_the_check_continues(
    #[case] answer: fn(&str) -> &'static str,
    #[case] output: &str,
    #[case] position: &str,
    #[values(with_loop(), with_hand_over())] rig: String,
    #[values(1, 2)] seed: u64,
) {
    if !rig.contains(&format!("name = \"{output}\"")) {
        return;
    }
    let mut bench = Bench { rig, ..bench() };
    bench.truth.seed = seed;
    let outcome = bench.check_rig(None, answer);
    assert_eq!(outcome.record.halted, None);
    assert!(!questions(&outcome).iter().any(|text| text.contains("whether `loop`")));
    let bad = not_met(&outcome);
    let remark = bad.first().and_then(|check| check.remark.clone()).unwrap_or_default();
    let step = format!("try {output} {position}");
    assert_eq!((bad.len(), bad.first().map(|check| &*check.step_name)), (1, Some(step.trim())));
    let whose = if position.is_empty() { String::new() } else { format!(" of position {position}") };
    let says = format!("the operator saw no effect: correct `at` of the output `{output}`{whose},");
    assert!(remark.contains(&says), "{remark}");
    assert_eq!(outcome.record.steps_done.len(), outcome.task.steps.len());
    assert_eq!(summary(&outcome.record), "1 NOT MET");
}

/// Inputs that are not as the rig is: not met, the keys named, and no output moves with inputs that nobody can trust.
#[test]
fn inputs_that_do_not_agree_are_not_met_and_nothing_moves() {
    fn not_so(text: &str) -> &'static str {
        if text.contains("Does this agree with the rig?") { "no" } else { "yes" }
    }
    let outcome = bench().check_rig(None, not_so);
    assert_eq!(outcome.record.halted, None);
    let bad = not_met(&outcome);
    let remark = bad.first().and_then(|check| check.remark.clone()).unwrap_or_default();
    assert_eq!((bad.len(), bad.first().map(|check| &*check.step_name)), (1, Some("signals")));
    assert!(remark.contains("`reference.input`") && remark.contains("`position.switch`"), "{remark}");
    // A wrong vacuum need not come from the wrong address.
    assert!(
        remark.contains("`at`") && remark.contains("`counts`") && remark.contains("`values`"),
        "{remark}"
    );
    assert!(remark.contains("the rig differs from these readings"), "{remark}");
    assert_eq!(summary(&outcome.record), "1 NOT MET, the rest not checked");
    assert!(!questions(&outcome).iter().any(|text| text.starts_with("Next:")));
    assert!(outcome.record.safe_confirmed);
}

/// Whether hands are clear is no result: a no stops the check, whichever question it answers.
#[rstest]
#[case::ready(|text: &str| if text.contains("Ready?") { "no" } else { "yes" })]
#[case::vent(|text: &str| if text.starts_with("Next: output `vent`") { "no" } else { "yes" })]
#[case::power(|text: &str| if text.starts_with("Next: output `device-power`") { "no" } else { "yes" })]
#[case::silence(|text: &str| if text.contains("nothing is sent for") { "no" } else { "yes" })]
fn a_no_to_hands_clear_stops(#[case] answer: fn(&str) -> &'static str) {
    let outcome = bench().check_rig(None, answer);
    assert_eq!(outcome.record.halted, Some(Halt::Refused));
    assert!(not_met(&outcome).is_empty());
}

/// What was not met before the stop is still not met.
#[rstest]
#[case::silence(|text: &str| if text.contains("`device-power` acted") || text.contains("nothing is sent for") { "no" } else { "yes" })]
#[case::next_output(|text: &str| if text.contains("of position 1 acted") || text.starts_with("Next: output `hand-over` of position 2") { "no" } else { "yes" })]
fn a_stop_does_not_hide_what_is_not_met(#[case] answer: fn(&str) -> &'static str) {
    let outcome = Bench { rig: with_hand_over(), ..bench() }.check_rig(None, answer);
    assert_eq!(outcome.record.halted, Some(Halt::Refused));
    assert_eq!(not_met(&outcome).len(), 1);
    assert_eq!(summary(&outcome.record), "1 NOT MET, stopped");
}

/// The plugs that are in are named in the question that asks for none, and in the result.
#[rstest]
fn plugs_that_are_in_are_named(
    #[values(&[], &[1], &[2, 4], &[1, 3], &[1, 2, 3, 4])] mounted: &[u8],
    #[values(1, 2)] seed: u64,
) {
    let mut bench = Bench { rig: with_loop(), ..Bench::demo() };
    bench.truth.seed = seed;
    bench.truth.devices.retain(|device| mounted.contains(&device.position));
    let outcome = bench.check_rig(None, |_| "yes");
    let numbers: Vec<String> = mounted.iter().map(ToString::to_string).collect();
    let whose = if mounted.len() == 1 { "a plug is in at position" } else { "plugs are in at positions" };
    let said = format!("{whose} {}", numbers.join(", "));
    let ready = questions(&outcome).first().cloned().unwrap_or_default();
    let inputs =
        outcome.record.rig_checks.iter().find(|check| check.quantity.to_string() == "inputs-as-read");
    let remark = inputs.and_then(|check| check.remark.clone()).unwrap_or_default();
    assert!(ready.contains("no device mounted"), "{ready}");
    for (text, begin, end) in [(&ready, "Attention: ", ". "), (&remark, "", ": ")] {
        let tells = if mounted.is_empty() {
            !text.contains("plug")
        } else {
            text.starts_with(&format!("{begin}{said}{end}"))
        };
        assert!(tells, "{mounted:?}: {text}");
    }
}
