use super::*;
use crate::bench::{Bench, Played, World, mark};
use CheckVerdict as V;
use DeviceOutput::{Switch, Valve};
use rstest::rstest;
use tripbench_quantity::TimeSpan;
use tripbench_record::StepTask;

/// Position 1 has its switch output at input 0, its valve output at 4 and its plug at 8; position 2 has 1 and 5; the loop is at 9.
fn bench(output: DeviceOutput) -> Bench {
    let step = StepTask::OwnInput { position: 1, output, within: TimeSpan::new(2.0) };
    Bench::new()
        .position("present = { at = \"discrete-input 8\" }")
        .rig("image_age = \"0 ms\"", "image_age = \"0 ms\"\nlooped = { at = \"discrete-input 9\" }")
        .rig("[run_limits]", "[[output]]\nname = \"loop\"\nat = \"coil 2\"\nsafe = false\n[run_limits]")
        .step(step)
}

/// Watched from 1 to 3 s; these inputs change at 2 s.
fn world(inputs: &[u16]) -> World {
    let mut world = World::new().to(0.0, 3.0);
    world.marks = vec![mark(0, Segment::Operated, 1.0, 3.0)];
    inputs.iter().fold(world, |world, input| world.toggled(*input, vec![2.0]))
}

// A plug that was pulled to operate the output does not count, whatever else changed.
#[rstest]
#[case::its_own(Switch, &[0], V::Met, "its own input changed, and no other")]
#[case::its_own_valve(Valve, &[4], V::Met, "its own input changed, and no other")]
#[case::with_its_plug(Switch, &[0, 8], V::Met, "its own input changed, and no other")]
#[case::nothing(Switch, &[], V::Undecided, "no input changed")]
#[case::only_its_plug(Switch, &[8], V::Undecided, "no input changed")]
#[case::both_outputs(Switch, &[0, 4], V::Undecided, "both outputs changed")]
#[case::both_outputs_by_the_valve(Valve, &[0, 4], V::Undecided, "both outputs changed")]
#[case::a_neighbour_too(Switch, &[0, 1], V::NotMet, "and that of the switch output of position 2 too: are they wired")]
#[case::a_neighbours_valve_too(Valve, &[4, 5], V::NotMet, "and that of the valve output of position 2 too")]
#[case::both_outputs_and_a_neighbour(
    Switch, &[0, 1, 4], V::NotMet, "that of the valve output of position 1, the switch output of position 2 too"
)]
#[case::crossed_wires(Switch, &[1], V::NotMet, "did not change, but that of the switch output of position 2 did: are the wires crossed")]
#[case::crossed_outputs(Switch, &[4], V::NotMet, "did not change, but that of the valve output of position 1")]
#[case::no_position(Switch, &[9], V::NotMet, "did not change, but that of `discrete-input 9`")]
fn an_output_is_shown_by_its_own_input_alone(
    #[case] output: DeviceOutput,
    #[case] inputs: &[u16],
    #[case] verdict: CheckVerdict,
    #[case] words: &str,
) {
    let checks = Played::of(&bench(output), &world(inputs)).judged(0);
    let [check] = checks.as_slice() else { panic!("one check, not {checks:?}") };
    assert_eq!(
        (check.quantity, check.role, check.unit.as_str()),
        (QuantityName::OwnInput, Role::Condition, "1")
    );
    let remark = check.remark.as_ref().expect("a remark");
    assert_eq!(check.verdict, verdict, "{remark}");
    assert!(remark.starts_with(&format!("the {output} output of position 1: ")), "{remark}");
    assert!(remark.contains(words), "{remark}");
}

// A valve output without an input of its own cannot be shown.
#[test]
fn an_output_without_an_input_is_never_its_own() {
    let bench = bench(Valve).rig("valve = { at = \"discrete-input 4\" }\n", "");
    let checks = Played::of(&bench, &world(&[0])).judged(0);
    assert_eq!(checks[0].verdict, V::NotMet);
    assert_eq!(Played::of(&bench, &world(&[])).judged(0)[0].verdict, V::Undecided);
}

// Changes before or after the operation are ignored, and the last repetition counts.
#[test]
fn only_the_last_stretch_in_which_the_output_was_operated_counts() {
    let mut world = world(&[]).toggled(1, vec![0.5]).toggled(0, vec![2.5]);
    world.marks = vec![mark(0, Segment::AtRest, 0.0, 0.9), mark(0, Segment::Operated, 1.0, 2.0)];
    assert_eq!(Played::of(&bench(Switch), &world).judged(0)[0].verdict, V::Undecided);
    world.marks.push(mark(0, Segment::Operated, 2.1, 3.0));
    assert_eq!(Played::of(&bench(Switch), &world).judged(0)[0].verdict, V::Met);
    world.marks = vec![mark(0, Segment::AtRest, 1.0, 3.0)];
    let checks = Played::of(&bench(Switch), &world).judged(0);
    assert!(checks.len() == 1 && checks[0].verdict == V::Undecided && checks[0].remark.is_none());
}
