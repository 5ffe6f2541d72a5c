use super::*;
use crate::bench::{Bench, within};
use QuantityName as Q;
use rstest::rstest;
use tripbench_measure::{Contribution, combine};
use tripbench_record::{LimitsRecord, Measured};

/// A delay in milliseconds with its U. Later by more than U than the promised 6 ms is a fail.
fn found(quantity: Q, [value, u]: [f64; 2]) -> Check {
    let part = Contribution::normal("all", u / 1e3 / 1.959_963_984_540_054);
    let result = combine(value / 1e3, 0.0, vec![part]).expect("a result");
    let verdict = if value - u > 6.0 { CheckVerdict::Fail } else { CheckVerdict::Measured };
    Check { measured: Some(Measured::from(&result)), verdict, ..Check::empty(quantity) }
}

fn verdicts(positions: &[u8], mut checks: Vec<Check>) -> Vec<CheckVerdict> {
    shared_delays(&Bench::new().positions(positions).task(), &mut checks);
    for check in &checks {
        let open = check.verdict == CheckVerdict::Undecided && check.measured.is_some();
        assert_eq!(check.remark.as_ref().is_some_and(|remark| remark.contains("input filter")), open);
    }
    checks.iter().map(|check| check.verdict).collect()
}

const FAIL: CheckVerdict = CheckVerdict::Fail;
const OPEN: CheckVerdict = CheckVerdict::Undecided;
const FINE: CheckVerdict = CheckVerdict::Measured;

// 30 ms with a U of 3 ms is surely at most 35.4 ms (3.5/1.96 U), and the response lets outputs of one device differ by 6 ms: a delay of
// at least 41.3 ms may share one filter, 41.5 ms may not. An output with a large U does not count as a second one. Selectable delays
// are 0 and 200 ms: 200 to 206 ms is a device that is set wrong.
#[rstest]
#[case([30.0, 3.0], [32.0, 3.0], [OPEN, OPEN])]
#[case([30.0, 3.0], [44.3, 3.0], [OPEN, OPEN])]
#[case([30.0, 3.0], [44.5, 3.0], [FAIL, FAIL])]
#[case([30.0, 3.0], [3.0, 2.0], [FAIL, FINE])]
#[case([30.0, 3.0], [10.0, 20.0], [FAIL, FINE])]
#[case([203.0, 2.0], [205.0, 2.0], [FAIL, FAIL])]
#[case([203.0, 2.0], [210.0, 2.0], [OPEN, OPEN])]
fn outputs_of_one_device_that_are_late_alike_are_the_rigs(
    #[case] on: [f64; 2],
    #[case] off: [f64; 2],
    #[case] expected: [CheckVerdict; 2],
) {
    assert_eq!(verdicts(&[1], vec![found(Q::OnDelay, on), found(Q::OffDelay, off)]), expected);
}

#[test]
fn one_output_alone_is_not_suspected_of_the_rig() {
    let mut checks = vec![found(Q::OnDelay, [30.0, 3.0]), Check::empty(Q::OffDelay)];
    shared_delays(&Bench::new().task(), &mut checks);
    assert_eq!(checks[0].verdict, FAIL);
}

// Levels, and delays that were not found, are not compared.
#[test]
fn only_delays_that_were_found_are_compared() {
    let late = || vec![found(Q::OnDelay, [30.0, 3.0]), found(Q::OffDelay, [32.0, 3.0])];
    let level = Check { verdict: FINE, ..found(Q::SwitchPoint, [60e6, 300e3]) };
    assert_eq!(verdicts(&[1], [late(), vec![level]].concat()), [OPEN, OPEN, FINE]);
    let mut checks = [late(), vec![Check::empty(Q::CutOffDelay)]].concat();
    shared_delays(&Bench::new().task(), &mut checks);
    assert_eq!([checks[0].verdict, checks[1].verdict], [OPEN, OPEN]);
}

// With several devices, the same output of all is compared, whatever the other outputs do.
#[rstest]
#[case([30.0, 3.0], [32.0, 3.0], [OPEN, OPEN])]
#[case([30.0, 3.0], [44.5, 3.0], [FAIL, FAIL])]
#[case([30.0, 3.0], [3.0, 2.0], [FAIL, FINE])]
fn devices_whose_same_output_is_late_alike_are_the_rigs(
    #[case] first: [f64; 2],
    #[case] second: [f64; 2],
    #[case] expected: [CheckVerdict; 2],
) {
    let good = [3.0, 2.0];
    let checks = vec![
        found(Q::OnDelay, first),
        found(Q::OffDelay, good),
        found(Q::OnDelay, second),
        found(Q::OffDelay, good),
    ];
    let all = verdicts(&[1, 2], checks);
    assert_eq!([all[0], all[2]], expected);
    assert_eq!([all[1], all[3]], [FINE, FINE]);
    // One of three devices has no delay: the others are late alike. One of two has none: the outputs of the other are compared.
    let some = vec![found(Q::OnDelay, first), found(Q::OnDelay, second), Check::empty(Q::OnDelay)];
    assert_eq!(verdicts(&[1, 2, 3], some)[..2], [all[0], all[2]]);
    let half = vec![found(Q::OnDelay, [30.0, 3.0]), found(Q::OffDelay, [30.0, 3.0])];
    assert_eq!(verdicts(&[1, 2], half), [OPEN, OPEN]);
}

// A selection error common to all devices: 200 ms can be selected, 30 ms cannot.
#[rstest]
#[case([203.0, 2.0], [205.0, 2.0], true)]
#[case([203.0, 2.0], [209.0, 2.0], false)]
#[case([30.0, 3.0], [32.0, 3.0], false)]
fn a_delay_that_all_devices_may_have_selected_is_named(
    #[case] first: [f64; 2],
    #[case] second: [f64; 2],
    #[case] named: bool,
) {
    let mut checks = vec![found(Q::OnDelay, first), found(Q::OnDelay, second)];
    shared_delays(&Bench::new().positions(&[1, 2]).task(), &mut checks);
    for check in checks {
        let remark = check.remark.expect("why it is open");
        assert_eq!(remark.contains("is a delay of 200 ms selected on every device?"), named, "{remark}");
    }
}

// A filter of the rig delays edges, and following them back adds scatter: checks that fail because of such a delay become undecided
// with it, and so does every spread of the device. A level that was found still fails, and so does an unstated level of another output.
#[rstest]
#[case([30.0, 3.0], OPEN)]
#[case([50.0, 3.0], FAIL)]
fn what_fails_with_a_shared_delay_stays_open_with_it(
    #[case] second: [f64; 2],
    #[case] expected: CheckVerdict,
) {
    let failed = |quantity: Q, is_found: bool| {
        let check = if is_found { found(quantity, [500.0, 3.0]) } else { Check::empty(quantity) };
        Check { verdict: FAIL, ..check }
    };
    let of = |position: u8, delay: [f64; 2]| {
        let all = [
            found(Q::OnDelay, delay),
            failed(Q::Repeatability, true),
            failed(Q::SwitchPoint, false),
            failed(Q::Hysteresis, false),
            failed(Q::ResetSpread, true),
            failed(Q::CutOff, false),
        ];
        all.map(|check| Check { position: Some(position), ..check })
    };
    let mut checks = [of(1, [32.0, 3.0]), of(2, second)].concat();
    shared_delays(&Bench::new().positions(&[1, 2]).task(), &mut checks);
    let verdicts = |checks: &[Check]| checks.iter().map(|check| check.verdict).collect::<Vec<_>>();
    let one = [vec![expected; 5], vec![FAIL]].concat();
    assert_eq!(verdicts(&checks), [one.clone(), one].concat());
    let mut stated = of(1, [32.0, 3.0]).to_vec();
    stated[2] = failed(Q::SwitchPoint, true);
    stated[2].position = Some(1);
    let mut checks = [stated, of(2, second).to_vec()].concat();
    shared_delays(&Bench::new().positions(&[1, 2]).task(), &mut checks);
    assert_eq!(checks[2].verdict, FAIL);
}

// A device that is even later is late on its own, and the others still share their delay. A device that cannot be as late as the others
// shows that the rig is not the cause. A delay with a large U is no evidence either way.
#[rstest]
#[case([203.0, 5.0], [OPEN, OPEN, FAIL])]
#[case([69.0, 5.0], [OPEN, OPEN, FAIL])]
#[case([68.0, 5.0], [OPEN, OPEN, OPEN])]
#[case([3.0, 2.0], [FAIL, FAIL, FINE])]
#[case([20.0, 8.0], [FAIL, FAIL, FAIL])]
#[case([4.0, 80.0], [OPEN, OPEN, FINE])]
fn a_device_of_its_own_is_left_out(#[case] third: [f64; 2], #[case] expected: [CheckVerdict; 3]) {
    let delays = [[50.0, 4.0], [51.0, 4.0], third].map(|delay| found(Q::OffDelay, delay));
    let mut checks: Vec<Check> =
        (1..).zip(delays).map(|(position, check)| Check { position: Some(position), ..check }).collect();
    shared_delays(&Bench::new().positions(&[1, 2, 3]).task(), &mut checks);
    assert_eq!(checks.iter().map(|check| check.verdict).collect::<Vec<_>>(), expected);
}

// The outputs of one device are compared with each other if its neighbour is late by another time or has no delay; not if its neighbour
// is in time.
#[rstest]
#[case(Some([200.0, 5.0]), [OPEN, OPEN], FAIL)]
#[case(Some([30.0, 5.0]), [FAIL, FAIL], OPEN)]
#[case(Some([3.0, 1.0]), [FAIL, FAIL], FINE)]
#[case(None, [OPEN, OPEN], FINE)]
fn beside_another_the_outputs_of_a_device_are_compared(
    #[case] neighbour: Option<[f64; 2]>,
    #[case] expected: [CheckVerdict; 2],
    #[case] of_neighbour: CheckVerdict,
) {
    let at = |position: u8, check: Check| Check { position: Some(position), ..check };
    let mut checks = vec![at(1, found(Q::OnDelay, [70.0, 10.0])), at(1, found(Q::OffDelay, [68.0, 5.0]))];
    if let Some(delay) = neighbour {
        checks.extend([Q::OnDelay, Q::OffDelay].map(|quantity| at(2, found(quantity, delay))));
    }
    shared_delays(&Bench::new().positions(&[1, 2]).task(), &mut checks);
    let verdicts: Vec<CheckVerdict> = checks.iter().map(|check| check.verdict).collect();
    assert_eq!(verdicts[..2], expected);
    assert!(verdicts[2..].iter().all(|verdict| *verdict == of_neighbour), "{verdicts:?}");
}

// Where a neighbour's switch output is dead, only its valve output is late alike; the good device's switch output is compared with its
// own valve output. Other outputs that are slightly faster, none surely in time, do not excuse the late device.
#[rstest]
#[case(&[(2, Q::ResumeDelay, [52.0, 4.0])], [OPEN; 3])]
#[case(&[(2, Q::ResumeDelay, [52.0, 4.0]), (2, Q::OffDelay, [5.0, 80.0])], [OPEN; 3])]
#[case(&[(2, Q::OffDelay, [44.0, 4.0]), (3, Q::OffDelay, [43.0, 4.0]), (2, Q::ResumeDelay, [52.0, 4.0])], [OPEN; 3])]
#[case(&[(2, Q::OnDelay, [5.0, 4.4]), (2, Q::OffDelay, [5.0, 4.4]), (2, Q::ResumeDelay, [5.0, 4.4])], [FAIL; 3])]
fn an_output_follows_its_siblings_where_no_other_is_faster(
    #[case] others: &[(u8, Q, [f64; 2])],
    #[case] expected: [CheckVerdict; 3],
) {
    let at = |position: u8, check: Check| Check { position: Some(position), ..check };
    let own = [(Q::OnDelay, [45.0, 18.0]), (Q::OffDelay, [52.0, 4.0]), (Q::ResumeDelay, [51.0, 4.0])];
    let own = own.into_iter().map(|(quantity, delay)| at(1, found(quantity, delay)));
    let others = others.iter().map(|(position, quantity, delay)| at(*position, found(*quantity, *delay)));
    let mut checks: Vec<Check> = own.chain(others).collect();
    shared_delays(&Bench::new().positions(&[1, 2, 3]).task(), &mut checks);
    let verdicts: Vec<CheckVerdict> = checks[..3].iter().map(|check| check.verdict).collect();
    assert_eq!(verdicts, expected);
}

// 17.5 ± 4.6 ms beside 5 ± 4.4 ms, which is surely at most 12.9 ms: all are members, and the others are faster.
#[rstest]
#[case([5.0, 4.4], FAIL)]
#[case([9.0, 4.4], OPEN)]
fn a_device_that_is_a_little_late_alone_fails(#[case] others: [f64; 2], #[case] expected: CheckVerdict) {
    let of = |position: u8, delay: [f64; 2]| {
        [Q::OffDelay, Q::ResumeDelay]
            .map(|quantity| Check { position: Some(position), ..found(quantity, delay) })
    };
    let mut checks = [of(1, [17.5, 4.6]), of(2, others), of(3, others)].concat();
    shared_delays(&Bench::new().positions(&[1, 2, 3]).task(), &mut checks);
    assert_eq!([checks[0].verdict, checks[1].verdict], [expected; 2]);
}

// One late output among others in time is late on its own even if another seems slightly late: 8 ± 4.4 ms may be 4 ms.
#[rstest]
#[case([8.0, 4.4], FAIL)]
#[case([11.0, 4.4], OPEN)]
fn one_that_may_be_in_time_is_no_second_late_one(#[case] second: [f64; 2], #[case] expected: CheckVerdict) {
    let delays = [[18.0, 4.4], second, [6.5, 4.4], [7.0, 4.4]];
    let all = (1..).zip(delays).map(|(position, delay)| {
        let check = found(Q::OffDelay, delay);
        let verdict = if delay[0] > 15.0 { FAIL } else { FINE };
        Check { position: Some(position), verdict, ..check }
    });
    let mut checks: Vec<Check> = all.collect();
    shared_delays(&Bench::new().positions(&[1, 2, 3, 4]).task(), &mut checks);
    assert_eq!(checks[0].verdict, expected);
}

// The shared delay is at most 205 ms: a response that is surely longer is the device's own.
#[rstest]
#[case([203.0, 4.0], FAIL, OPEN)]
#[case([209.0, 4.0], FAIL, OPEN)]
#[case([210.0, 4.0], FAIL, FAIL)]
#[case([203.0, 4.0], FINE, FINE)]
fn a_response_no_longer_than_what_is_shared_stays_open(
    #[case] response: [f64; 2],
    #[case] verdict: CheckVerdict,
    #[case] expected: CheckVerdict,
) {
    let mut check = Check { verdict, ..found(Q::ResponseOff, response) };
    late_response(&mut check, 0.205_5);
    assert_eq!(check.verdict, expected);
    assert_eq!(check.remark.is_some(), expected == OPEN);
}

// Wrong output states are not held against a device whose output is late like all others if they disappear when judged with that delay.
#[rstest]
#[case(1, CheckVerdict::Pass, OPEN)]
#[case(1, OPEN, OPEN)]
#[case(1, FAIL, FAIL)]
#[case(2, CheckVerdict::Pass, FAIL)]
fn states_of_an_output_that_is_late_as_all_are_stay_open(
    #[case] position: u8,
    #[case] when_late: CheckVerdict,
    #[case] expected: CheckVerdict,
) {
    let states = |position: u8, verdict: CheckVerdict| {
        let remark = Some(String::from("an output showed no vacuum"));
        Check { position: Some(position), verdict, remark, ..Check::empty(Q::OutputStates) }
    };
    let mut state = states(1, FAIL);
    late_states(&mut state, &[states(position, when_late)]);
    assert_eq!(state.verdict, expected);
    let remark = state.remark.as_deref().expect("a remark");
    assert!(remark.starts_with("an output showed no vacuum"), "{remark}");
    assert_eq!(remark.contains("late like every other"), expected == OPEN, "{remark}");
}

// 203 ms with a U of 2 ms: an output may be 205 ms late. Outputs that are not late alike, and delays that did not fail, share none.
#[rstest]
#[case([203.0, 2.0], FAIL, Some(0.205))]
#[case([203.0, 2.0], OPEN, None)]
#[case([500.0, 2.0], FAIL, None)]
fn the_longest_delay_that_is_shared_holds_its_u(
    #[case] on: [f64; 2],
    #[case] verdict: CheckVerdict,
    #[case] expected: Option<f64>,
) {
    let of = |position: u8, quantity, delay: [f64; 2]| Check {
        position: Some(position),
        verdict,
        ..found(quantity, delay)
    };
    let found = [of(1, Q::OnDelay, on), of(2, Q::OnDelay, [201.0, 2.0]), of(1, Q::OffDelay, [190.0, 4.0])];
    let task = Bench::new().positions(&[1, 2]).task();
    let late_s = shared_delay_s(&task, &found, Some(1), &DELAYS);
    assert_eq!(late_s.is_some(), expected.is_some());
    for (late_s, expected_s) in late_s.into_iter().zip(expected) {
        within(late_s, expected_s, 1e-6);
    }
}

// Devices that scatter alike; one or two that scatter more than twice as much as the others; and all of them just beyond, or within,
// three times the promise.
#[rstest]
#[case([150.0, 150.0, 150.0], 100.0, [OPEN; 3])]
#[case([310.0, 150.0, 150.0], 200.0, [FAIL, OPEN, OPEN])]
#[case([290.0, 150.0, 150.0], 200.0, [OPEN; 3])]
#[case([310.0, 310.0, 150.0], 200.0, [OPEN, OPEN, OPEN])]
#[case([310.0, 310.0, 310.0], 100.0, [FAIL; 3])]
#[case([290.0, 290.0, 310.0], 100.0, [OPEN, OPEN, FAIL])]
fn a_scatter_of_its_own_stays_a_fail(
    #[case] own: [f64; 3],
    #[case] promised: f64,
    #[case] expected: [CheckVerdict; 3],
) {
    let of = |(position, spread): (u8, f64)| {
        let late = found(Q::OnDelay, [32.0, 3.0]);
        let limits = Some(LimitsRecord { low: None, high: Some(promised / 1e3) });
        let spread = Check { verdict: FAIL, limits, ..found(Q::Repeatability, [spread, 3.0]) };
        [late, spread].map(|check| Check { position: Some(position), ..check })
    };
    let mut checks: Vec<Check> = (1..).zip(own).flat_map(of).collect();
    shared_delays(&Bench::new().positions(&[1, 2, 3]).task(), &mut checks);
    assert_eq!([checks[1].verdict, checks[3].verdict, checks[5].verdict], expected);
}

// After the delays that several devices share were left open, each of these devices is suspected with the rig; not the one that is in time
// beside them, and none where there is no other.
#[rstest]
#[case::shared([[20.0, 3.0], [23.0, 3.0], [25.0, 3.0]], [true; 3])]
#[case::one_may_be([[20.0, 3.0], [23.0, 3.0], [8.0, 20.0]], [true; 3])]
#[case::one_is_later([[20.0, 3.0], [23.0, 3.0], [60.0, 3.0]], [true, true, false])]
#[case::one_is_in_time([[20.0, 3.0], [23.0, 3.0], [3.0, 2.0]], [false; 3])]
#[case::in_time([[3.0, 2.0], [4.0, 2.0], [5.0, 2.0]], [false; 3])]
fn the_rig_is_suspected_where_devices_are_late_alike(
    #[case] delays: [[f64; 2]; 3],
    #[case] suspected: [bool; 3],
    #[values(Q::OnDelay, Q::ResumeDelay)] quantity: Q,
) {
    let task = Bench::new().positions(&[1, 2, 3]).task();
    let of = |(number, delay): (u8, [f64; 2])| Check { position: Some(number), ..found(quantity, delay) };
    let mut checks: Vec<Check> = (1..).zip(delays).map(of).collect();
    shared_delays(&task, &mut checks);
    let told = |position| rig_is_suspected(&task, &checks, position);
    assert_eq!([1, 2, 3].map(told), suspected);
    // The same delay in another step, or at this position alone, is not shared.
    let alone = [checks[0].clone()];
    assert!(!rig_is_suspected(&task, &alone, 1));
    let apart: Vec<Check> = (0..).zip(&checks).map(|(step, check)| Check { step, ..check.clone() }).collect();
    assert!(!rig_is_suspected(&task, &apart, 1));
}
