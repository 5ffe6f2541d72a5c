//! Judging a stored run again: the same bytes from the same trace, other figures from another trace.

use std::sync::Arc;
use tripbench_judge::rejudge;
use tripbench_record::{Record, Trace, canonical_json};
use tripbench_tests::Bench;

fn bytes(record: &Record) -> String {
    String::from_utf8(canonical_json(record).expect("json")).expect("utf-8")
}

/// A record as a person could have left it: read back from JSON, its checks deleted.
fn stripped(record: &Record) -> Record {
    let mut copy: Record = serde_json::from_str(&bytes(record)).expect("a record");
    copy.rig_checks.clear();
    copy.positions.iter_mut().for_each(|position| position.checks.clear());
    copy
}

#[test]
fn a_copy_whose_checks_were_deleted_gives_the_same_bytes() {
    let outcome = Bench::demo().run();
    let trace = Trace::from_csv(outcome.trace.plan.clone(), &outcome.trace.to_csv()).expect("a trace");
    let again = rejudge(&stripped(&outcome.record), &outcome.task, &trace);
    assert!(outcome.record.checks().count() > 20);
    assert_eq!(bytes(&again), bytes(&outcome.record));
}

#[test]
fn one_sample_moved_at_an_edge_gives_other_figures() {
    let outcome = Bench::demo().run();
    let mut trace = outcome.trace.clone();
    let crossing = &outcome.record.positions[0].checks[0].crossings[0];
    let near =
        trace.scans.iter().position(|scan| scan.end().seconds() >= crossing.earliest_s).expect("a scan");
    let register = trace
        .plan
        .reads
        .iter()
        .position(|read| read.area == tripbench_rig::Area::InputRegister)
        .expect("a read");
    Arc::make_mut(&mut trace.scans[near].blocks)[register].words[0] += 40;
    let again = rejudge(&stripped(&outcome.record), &outcome.task, &trace);
    let value = |record: &Record| record.positions[0].checks[0].measured.as_ref().expect("measured").value;
    assert!((value(&again) - value(&outcome.record)).abs() > 0.1);
    assert_ne!(bytes(&again), bytes(&outcome.record));
    assert_ne!(again.trace.sha256, outcome.record.trace.sha256);
}

#[test]
fn a_stopped_run_is_judged_again_as_it_was() {
    let outcome = tripbench_tests::run_stopped(&Bench::demo(), 4_000);
    assert!(outcome.record.halted.is_some());
    let again = rejudge(&stripped(&outcome.record), &outcome.task, &outcome.trace);
    assert_eq!(bytes(&again), bytes(&outcome.record));
}
