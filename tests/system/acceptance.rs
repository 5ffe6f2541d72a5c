//! The demo's run in virtual time, and what becomes of it when things go wrong.

use tripbench_record::Verdict;
use tripbench_tests::{Bench, Outcome};

fn verdicts(outcome: &Outcome) -> Vec<Verdict> {
    outcome.record.positions.iter().map(|position| position.verdict).collect()
}

#[test]
fn three_good_devices_pass_and_the_one_that_is_off_fails() {
    let outcome = Bench::demo().run();
    for check in outcome.record.checks() {
        println!(
            "{:?} {} {} {:?} {:?} {:?}",
            check.position,
            check.quantity,
            check.verdict,
            check.measured.as_ref().map(|m| (m.value, m.expanded_uncertainty)),
            check.limits,
            check.remark
        );
    }
    println!(
        "{:?} {:?} lasted {}",
        outcome.record.halted,
        outcome.record.marks.len(),
        outcome.lasted.seconds()
    );
    assert_eq!(verdicts(&outcome), [Verdict::Pass, Verdict::Pass, Verdict::Fail, Verdict::Pass]);
}
