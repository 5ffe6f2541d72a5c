use super::*;
use crate::bench::{Bench, Played, World, zero};
use tripbench_record::QuantityName as Q;

// A step without a mark was not done: it has no checks, whatever its neighbours have.
#[test]
fn all_steps_that_were_done_are_judged_in_order() {
    let bench = Bench::new().step(zero(false)).step(zero(true));
    let played = Played::of(&bench, &World::new().vented(1, 1.0));
    let of = |marks: &[Mark]| -> Vec<(u16, Q)> {
        let checks = judge_all(&played.task, &played.trace, marks);
        checks.iter().map(|check| (check.step, check.quantity)).collect()
    };
    assert_eq!(of(&played.marks), [(0, Q::Zero), (1, Q::Zero), (1, Q::ZeroDrift)]);
    assert_eq!(of(&played.marks[..1]), [(0, Q::Zero)]);
    assert_eq!(of(&played.marks[1..]), [(1, Q::Zero), (1, Q::ZeroDrift)]);
    assert!(of(&[]).is_empty() && played.judged(2).is_empty());
}
