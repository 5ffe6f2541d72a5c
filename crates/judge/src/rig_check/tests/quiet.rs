//! The module in silence, the settling of the gas, and steps without a mark.

use super::*;

/// No requests for `gap_s` after 2 s; the outputs read `before` and then `after`.
fn silent(gap_s: f64, before: [u16; 2], after: [u16; 2]) -> Check {
    let bench = Bench::new().step(StepTask::Silence { time: TimeSpan::new(1.5) });
    let coil = move |index: usize| move |t_s: f64| if t_s < 2.0 { before[index] } else { after[index] };
    let world = World::new().to(0.0, 4.0).signal(Area::Coil, 0, coil(0)).signal(Area::Coil, 1, coil(1));
    let mut played = Played::of(&bench, &world);
    played.marks.push(mark(0, Segment::Silent, 1.0, 4.9));
    let gone = at(2.0)..at(2.0 + gap_s);
    played.trace.scans.retain(|scan| !gone.contains(&scan.start()));
    played.judged(0).remove(0)
}

#[rstest]
#[case(2.0, [1, 0], [0, 1], CheckVerdict::Met)]
#[case(1.5, [1, 0], [0, 1], CheckVerdict::Met)]
#[case(2.0, [1, 0], [1, 0], CheckVerdict::NotMet)]
#[case(2.0, [0, 1], [0, 1], CheckVerdict::Undecided)]
#[case(1.0, [1, 0], [0, 1], CheckVerdict::Undecided)]
fn outputs_are_safe_after_a_silence(
    #[case] gap_s: f64,
    #[case] before: [u16; 2],
    #[case] after: [u16; 2],
    #[case] verdict: CheckVerdict,
) {
    let check = silent(gap_s, before, after);
    assert_eq!(check.verdict, verdict, "{check:?}");
    let remark = check.remark.expect("a remark");
    assert_eq!(
        remark.contains(&format!("{gap_s:.1} s of silence")),
        matches!(verdict, CheckVerdict::Met | CheckVerdict::NotMet)
    );
}

// The sheet: coil 0 evacuates and is safe off, coil 1 vents and is safe on.
#[rstest]
#[case::crossed([0, 0], [1, 0], &["set `evacuate` (coil 0) on and left `vent` (coil 1) off", "crossed"])]
#[case::on([0, 0], [1, 1], &["set `evacuate` (coil 0) on", "correct `at` or `safe`"])]
#[case::off([1, 1], [0, 0], &["set `vent` (coil 1) off", "correct `at` or `safe`"])]
#[case::left([1, 0], [1, 1], &["left `evacuate` (coil 0) on", "correct `at` or `safe`"])]
#[case::both([1, 1], [1, 0], &["left `evacuate` (coil 0) on and set `vent` (coil 1) off", "crossed"])]
#[case::nothing([0, 0], [0, 0], &["the outputs were as before", "take loss_of_master out of the rig sheet"])]
fn what_the_module_did_by_itself_is_said(
    #[case] before: [u16; 2],
    #[case] after: [u16; 2],
    #[case] says: &[&str],
    #[values(1.6, 2.0, 2.4)] gap_s: f64,
) {
    let check = silent(gap_s, before, after);
    let remark = check.remark.expect("a remark");
    assert_eq!(check.verdict, CheckVerdict::NotMet, "{remark}");
    for text in says {
        assert!(remark.contains(text), "{remark}");
    }
    assert_eq!(remark.contains("crossed"), says.contains(&"crossed"), "{remark}");
    assert_eq!(remark.contains("loss_of_master out"), before == after, "{remark}");
}

/// A regulator has words of its own: it was set to one, or left at one, and the sheet says at which it should be.
#[rstest]
#[case::left(500, 500, "left `regulator` (holding-register 0) at 500")]
#[case::left_deep(10_000, 10_000, "left `regulator` (holding-register 0) at 10000")]
#[case::set(500, 700, "set `regulator` (holding-register 0) to 700")]
fn what_the_module_did_with_a_regulator_is_said(#[case] before: u16, #[case] after: u16, #[case] says: &str) {
    let regulator = "[[output]]\nname = \"regulator\"\nat = \"holding-register 0\"\nsafe = false\n\
                     counts = [0, 10000]\nvalues = [\"0 kPa\", \"100 kPa\"]\n[run_limits]";
    let bench =
        Bench::new().step(StepTask::Silence { time: TimeSpan::new(1.5) }).rig("[run_limits]", regulator);
    let word = move |t_s: f64| if t_s < 2.0 { before } else { after };
    let coil = move |safe: u16, other: u16| move |t_s: f64| if t_s < 2.0 { other } else { safe };
    let world = World::new().to(0.0, 4.0).signal(Area::HoldingRegister, 0, word);
    let world = world.signal(Area::Coil, 0, coil(0, 1)).signal(Area::Coil, 1, coil(1, 0));
    let mut played = Played::of(&bench, &world);
    played.marks.push(mark(0, Segment::Silent, 1.0, 4.9));
    let gone = at(2.0)..at(4.0);
    played.trace.scans.retain(|scan| !gone.contains(&scan.start()));
    let check = played.judged(0).remove(0);
    let remark = check.remark.expect("a remark");
    assert_eq!(check.verdict, CheckVerdict::NotMet, "{remark}");
    assert!(remark.contains(says) && remark.contains("the rig sheet says `regulator` at 0:"), "{remark}");
}

/// A level that settles with a time constant, with a leak, after a pull, with noise that swings.
fn settled(tau_s: f64, height: f64) -> Check {
    let bench = Bench::new().step(StepTask::Settling {
        level: tripbench_quantity::VacuumLevel::new(60e3),
        watch: TimeSpan::new(8.0),
    });
    let error = move |t_s: f64| {
        if t_s > 2.0 { height * (-(t_s - 2.0) / tau_s).exp() - 30.0 * (t_s - 2.0) } else { 0.0 }
    };
    let mut world = World::new().to(60e3, 0.9).to(60e3, 8.1);
    world.error = Some(Box::new(error));
    world.marks.push(mark(0, Segment::Settling, 2.0, 10.0));
    Played::of(&bench, &world).judged(0).remove(0)
}

// 1 s is declared; 1.3 times that is still accepted.
#[rstest]
#[case(0.6, CheckVerdict::Met)]
#[case(1.1, CheckVerdict::Met)]
#[case(1.8, CheckVerdict::NotMet)]
fn gas_warms_as_fast_as_declared(#[case] tau_s: f64, #[case] verdict: CheckVerdict) {
    let check = settled(tau_s, 2_000.0);
    assert_eq!(check.verdict, verdict, "{check:?}");
    near(check.limits.expect("limits").high.expect("one"), 1.3);
    let measured = check.measured.expect("measured");
    within(measured.value, tau_s, 0.03 * tau_s);
    near(part(&measured.contributions, "resolution"), measured.value * 0.01 / ROOT);
}

#[test]
fn what_falls_back_by_next_to_nothing_does_not_settle() {
    let check = settled(1.0, 0.5);
    assert!(check.verdict == CheckVerdict::Met && check.measured.is_none());
    assert!(settled(1.0, 100.0).measured.is_some());
}

#[test]
fn steps_without_their_stretch_are_undecided() {
    let of_step = |task: StepTask| {
        let bench = Bench::new().step(task);
        Played::of(&bench, &World::new()).judged(0)
    };
    let seconds = TimeSpan::new(1.0);
    assert!(of_step(StepTask::Signals { watch: seconds }).is_empty());
    let silence = of_step(StepTask::Silence { time: seconds });
    assert!(silence.len() == 1 && silence[0].verdict == CheckVerdict::Undecided);
    let level = tripbench_quantity::VacuumLevel::new(60e3);
    let settling = of_step(StepTask::Settling { level, watch: seconds });
    assert!(settling.len() == 1 && settling[0].verdict == CheckVerdict::Undecided);
}
