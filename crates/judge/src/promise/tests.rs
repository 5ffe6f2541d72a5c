use super::*;
use crate::bench::{Bench, ramps, regulated, zero};
use QuantityName as Q;
use rstest::rstest;
use tripbench_quantity::{LevelRate, TimeSpan, VacuumLevel};
use tripbench_record::{
    AirSavingTask, CheckVerdict, Drive, LeakTask, Motion, ResponseTask, SetAsideReason, SwitchPointsTask,
};
use tripbench_rig::Air;

fn leak() -> StepTask {
    StepTask::Leak(LeakTask {
        level: VacuumLevel::new(70e3),
        settle: TimeSpan::ZERO,
        watch: TimeSpan::ZERO,
        limit: LevelRate::new(1.0),
    })
}

fn saving() -> StepTask {
    StepTask::AirSaving(AirSavingTask {
        cycles: 1,
        bottom: VacuumLevel::ZERO,
        top: VacuumLevel::new(1.0),
        drive: Drive::ByWire,
        falling: Air::Bleed,
        feeding: true,
        within: TimeSpan::ZERO,
    })
}

fn response() -> StepTask {
    let top = VacuumLevel::new(1.0);
    StepTask::Response(ResponseTask { operations: 1, top, levels_of: 2, limit: TimeSpan::ZERO })
}

fn of_role(bench: &Bench, step: u16, role: Role) -> Vec<Q> {
    let all = promised(&bench.task());
    all.into_iter()
        .filter(|(of, _, is)| *of == step && *is == role)
        .map(|(_, quantity, _)| quantity)
        .collect()
}

fn whole(task: SwitchPointsTask) -> Bench {
    Bench::new()
        .step(zero(false))
        .step(leak())
        .step(StepTask::SwitchPoints(task))
        .step(response())
        .step(saving())
        .step(zero(true))
        .step(StepTask::SwitchPoints(task))
}

#[test]
fn a_whole_run_promises_what_its_steps_find() {
    let bench = whole(SwitchPointsTask { rising: Motion::Throttled, fast_shows: [true; 2], ..ramps(3) });
    assert_eq!(of_role(&bench, 0, Role::Condition), [Q::Zero]);
    assert_eq!(of_role(&bench, 1, Role::Condition), [Q::LeakRate]);
    assert_eq!(of_role(&bench, 2, Role::Condition), [Q::EvacuationSteady]);
    let levels = [Q::SwitchPoint, Q::ResetPoint, Q::Chatter, Q::Hysteresis];
    assert_eq!(of_role(&bench, 2, Role::Required), levels);
    // Rising ramps are throttled beside a fast pair; falling ones are as fast as the pair. The first operation can only count against a
    // device; whether it was located closely enough is a check of its own.
    assert_eq!(
        of_role(&bench, 2, Role::Screening),
        [Q::Repeatability, Q::ResetSpread, Q::OnDelay, Q::FirstOperation]
    );
    let open =
        [Q::SelectedDelay, Q::Bounce, Q::Repeatability, Q::ResetSpread, Q::OffDelay, Q::FirstOperation];
    assert_eq!(of_role(&bench, 2, Role::Informative), open);
    // Where the site requires full coverage, a pass needs all of these.
    let strict = bench.clone().site("not_checked = \"undecided\"");
    assert_eq!(of_role(&strict, 2, Role::Required), [levels.as_slice(), &open].concat());
    assert_eq!(of_role(&bench, 3, Role::Required), [Q::ResponseOn, Q::ResponseOff]);
    assert_eq!(of_role(&bench, 4, Role::Required), [Q::CutOff, Q::Resume, Q::LeastDeepLevel]);
    assert_eq!(of_role(&bench, 5, Role::Condition), [Q::Zero, Q::ZeroDrift]);
    assert_eq!(of_role(&bench, 5, Role::Required), [Q::OutputStates]);
    assert_eq!(of_role(&bench, 5, Role::Screening), [Q::OwnEdges]);
    assert_eq!(of_role(&bench, 5, Role::Informative), [Q::OwnEdges]);
    assert_eq!(of_role(&bench, 6, Role::Required), levels);
}

// A rig without edge counters. Ramps at one rate do not show a delay, two ramps do not show a spread, and neither shows the selected
// delay.
#[rstest]
#[case::all_but_counters(3, 1, false, &[Q::Bounce])]
#[case::counted(3, 1, true, &[])]
#[case::one_rate(3, 0, true, &[Q::SelectedDelay, Q::OnDelay, Q::OffDelay])]
#[case::two_ramps(2, 1, true, &[Q::Repeatability, Q::ResetSpread])]
#[case::next_to_nothing(1, 0, false, &[Q::SelectedDelay, Q::Bounce, Q::Repeatability, Q::ResetSpread, Q::OnDelay, Q::OffDelay])]
fn what_sheets_and_steps_alone_leave_open(
    #[case] cycles: u16,
    #[case] slow: u16,
    #[case] counted: bool,
    #[case] expected: &[Q],
) {
    let both = SwitchPointsTask { slow_rising: slow, slow_falling: slow, ..ramps(cycles) };
    let mut bench = Bench::new();
    for input in if counted { 0..2 } else { 0..0 } {
        let line = format!("switch = {{ at = \"discrete-input {input}\" }}");
        let counter =
            format!(", counter = {{ at = \"input-register {}\", edges = \"both\" }} }}", 20 + input);
        bench = bench.rig(&line, &line.replace(" }", &counter));
    }
    let bench = bench.step(zero(false)).step(StepTask::SwitchPoints(both)).step(zero(true));
    assert_eq!(left_open(&bench.task(), OfDevices::Every), expected);
    assert_eq!(left_open(&bench.task(), OfDevices::Any), expected);
    // With a hose, a delay in either direction shows whether it is pinched.
    let hosed = bench.clone().position("hose = { bore = \"4 mm\", length = \"1 m\" }").task();
    let hose = if slow == 0 { vec![Q::Hose] } else { Vec::new() };
    assert_eq!(
        left_open(&hosed, OfDevices::Any).into_iter().filter(|open| *open == Q::Hose).collect::<Vec<_>>(),
        hose
    );
    assert!(promised(&hosed).iter().any(|(_, quantity, _)| *quantity == Q::Hose));
    // Nothing is left open where nothing is judged.
    assert!(left_open(&bench.unknown_device().task(), OfDevices::Any).is_empty());
}

#[test]
fn the_valve_output_has_levels_of_its_own() {
    let task = SwitchPointsTask { valve: true, slow_rising: 1, slow_falling: 1, ..ramps(3) };
    let bench = whole(task).saving();
    let required = of_role(&bench, 2, Role::Required);
    assert_eq!(required[4..], [Q::CutOff, Q::Resume]);
    let screened = of_role(&bench, 2, Role::Screening);
    assert_eq!(
        screened,
        [
            Q::Repeatability,
            Q::ResetSpread,
            Q::CutOffSpread,
            Q::ResumeSpread,
            Q::OnDelay,
            Q::OffDelay,
            Q::CutOffDelay,
            Q::ResumeDelay,
            Q::FirstOperation
        ]
    );
    // Valve levels are promised only if the settings have air saving and the ramps judge the valve output.
    assert!(!of_role(&whole(task), 2, Role::Required).contains(&Q::CutOff));
    let without = SwitchPointsTask { valve: false, ..task };
    assert!(!of_role(&whole(without).saving(), 2, Role::Required).contains(&Q::CutOff));
    // They are reported as unchecked only where no step covers them; here the step `air-saving` does.
    assert!(!of_role(&whole(without).saving(), 2, Role::Informative).contains(&Q::CutOff));
    let blind = |task| Bench::new().saving().step(StepTask::SwitchPoints(task));
    let informative = of_role(&blind(without), 0, Role::Informative);
    assert!(informative.contains(&Q::CutOff) && informative.contains(&Q::Resume));
    assert!(!of_role(&blind(task), 0, Role::Informative).contains(&Q::CutOff));
}

// Valve levels are left open where the type and settings have them and neither these ramps nor any other step checks them.
#[test]
fn a_valve_output_is_left_open_where_a_device_has_it_and_no_ramp_looks() {
    let looks = SwitchPointsTask { valve: true, ..ramps(3) };
    let task = Bench::new().saving().step(StepTask::SwitchPoints(ramps(3))).task();
    assert_eq!(valve_left_open(&task, &ramps(3)), [Q::CutOff, Q::Resume]);
    assert!(valve_left_open(&task, &looks).is_empty());
    let sheets = tripbench_record::LoadedSheets { device: None, ..(*task.sheets).clone() };
    let untyped = Task { sheets: std::sync::Arc::new(sheets), ..task };
    assert!(valve_left_open(&untyped, &ramps(3)).is_empty());
    assert!(left_open(&untyped, OfDevices::Any).is_empty());
    let other = Bench::new().saving().step(StepTask::SwitchPoints(looks)).task();
    assert!(valve_left_open(&other, &ramps(3)).is_empty());
    let without = Bench::new().step(StepTask::SwitchPoints(ramps(3))).task();
    assert!(valve_left_open(&without, &ramps(3)).is_empty());
    let itself = Bench::new().saving().step(StepTask::SwitchPoints(ramps(3))).step(saving()).task();
    let left = [Q::CutOffSpread, Q::ResumeSpread, Q::CutOffDelay, Q::ResumeDelay];
    assert_eq!(valve_left_open(&itself, &ramps(3)), left);
}

#[rstest]
#[case(2, false)]
#[case(3, true)]
fn a_spread_takes_three_ramps(#[case] cycles: u16, #[case] judged: bool) {
    assert_eq!(spread_judged(&Bench::new().task(), cycles), judged);
    assert!(!spread_judged(&Bench::new().unknown_device().task(), cycles));
    let screened = of_role(&whole(ramps(cycles)), 2, Role::Screening);
    assert_eq!(screened.contains(&Q::Repeatability), judged);
}

#[test]
fn of_an_unknown_device_nothing_is_promised() {
    let bench = whole(ramps(3)).unknown_device();
    assert!(of_role(&bench, 2, Role::Required).is_empty() && of_role(&bench, 5, Role::Required).is_empty());
    assert!(!is_first(&bench.task(), 2) && !is_last(&bench.task(), 5));
    let regulated = whole(SwitchPointsTask { rising: regulated(1.0), ..ramps(3) });
    assert!(of_role(&regulated, 2, Role::Condition).is_empty());
    let no_ramps = Bench::new().step(zero(false)).step(zero(true));
    assert!(!is_last(&no_ramps.task(), 1) && of_role(&no_ramps, 1, Role::Required).is_empty());
    let no_hysteresis = whole(ramps(3)).device("hysteresis = \"1 %FS\"\n", "");
    assert!(!of_role(&no_hysteresis, 2, Role::Required).contains(&Q::Hysteresis));
    let first = whole(ramps(3)).task();
    assert!(is_first(&first, 2) && !is_first(&first, 6) && is_last(&first, 5) && !is_last(&first, 0));
}

#[rstest]
#[case(Q::OnDelay, Some(true))]
#[case(Q::CutOffDelay, Some(true))]
#[case(Q::OffDelay, Some(false))]
#[case(Q::ResumeDelay, Some(false))]
#[case(Q::SwitchPoint, None)]
fn a_delay_shows_in_one_direction(#[case] quantity: Q, #[case] rising: Option<bool>) {
    assert_eq!(delay_direction(quantity), rising);
}

#[test]
fn a_verdict_is_that_of_the_positions_own_checks() {
    let bench = Bench::new().step(response());
    let task = bench.task();
    let check = |quantity, position, verdict| Check {
        position,
        role: Role::Required,
        verdict,
        ..Check::empty(quantity)
    };
    let all = [
        check(Q::ResponseOn, Some(1), CheckVerdict::Pass),
        check(Q::ResponseOff, None, CheckVerdict::Pass),
        check(Q::ResponseOn, Some(2), CheckVerdict::Fail),
    ];
    assert_eq!(verdict(&task, 1, &all, &[], None), Verdict::Pass);
    assert_eq!(verdict(&task, 2, &all, &[], None), Verdict::Fail);
    assert_eq!(verdict(&task, 3, &all, &[], None), Verdict::Undecided);
    assert_eq!(verdict(&task, 1, &all, &[], Some(&Halt::Signal)), Verdict::Aborted);
    let aside = |position| SetAside {
        position,
        why: SetAsideReason::Unplugged,
        at: tripbench_quantity::Mono::START,
        level: VacuumLevel::ZERO,
    };
    assert_eq!(verdict(&task, 1, &all, &[aside(1)], None), Verdict::Aborted);
    assert_eq!(verdict(&task, 1, &all, &[aside(2)], None), Verdict::Pass);
}
