//! `rig check` and what a person answers: an honest no is a result, not a stop; plugs that are seen are told.

use rstest::rstest;
use std::sync::Arc;
use tripbench_record::{Check, CheckVerdict, EventKind, Halt};
use tripbench_tests::ways::with_loop;
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

/// An output that the rig cannot see, and the answer that it did not act: not met, the key named, and the check goes on.
#[test]
fn an_output_that_did_not_act_is_not_met_and_the_check_goes_on() {
    fn no_power(text: &str) -> &'static str {
        if text.contains("whether `device-power` acted") { "no" } else { "yes" }
    }
    let outcome = bench().check_rig(None, no_power);
    assert_eq!(outcome.record.halted, None);
    let bad = not_met(&outcome);
    let remark = bad.first().and_then(|check| check.remark.clone()).unwrap_or_default();
    assert_eq!((bad.len(), bad.first().map(|check| &*check.step_name)), (1, Some("try device-power")));
    assert!(remark.contains("`at` of the output `device-power`"), "{remark}");
    assert_eq!(outcome.record.steps_done.len(), outcome.task.steps.len());
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

/// The plugs that are seen are told with the question that asks for none, and in the result.
#[rstest]
fn plugs_that_are_seen_are_told(
    #[values(&[], &[1], &[2, 4], &[1, 3], &[1, 2, 3, 4])] mounted: &[u8],
    #[values(1, 2)] seed: u64,
) {
    let mut bench = Bench { rig: with_loop(), ..Bench::demo() };
    bench.truth.seed = seed;
    bench.truth.devices.retain(|device| mounted.contains(&device.position));
    let outcome = bench.check_rig(None, |_| "yes");
    let numbers: Vec<String> = mounted.iter().map(ToString::to_string).collect();
    let said = format!("plugs seen at {}", numbers.join(", "));
    let ready = questions(&outcome).first().cloned().unwrap_or_default();
    let inputs =
        outcome.record.rig_checks.iter().find(|check| check.quantity.to_string() == "inputs-as-read");
    let remark = inputs.and_then(|check| check.remark.clone()).unwrap_or_default();
    assert!(ready.contains("no device mounted"), "{ready}");
    for text in [&ready, &remark] {
        let tells = if mounted.is_empty() { !text.contains("plugs seen") } else { text.contains(&said) };
        assert!(tells, "{mounted:?}: {text}");
    }
}
