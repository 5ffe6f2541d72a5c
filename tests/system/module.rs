//! Properties of modules: an aged image, counters, stamped edges, many positions, several units, gaps between addresses.

use rstest::rstest;
use std::fmt::Write;
use tripbench_record::{CheckVerdict, Halt, QuantityName, Verdict};
use tripbench_rig::{Doubt, RigSheet};
use tripbench_simulator::{DeviceFault, DeviceTruth, SimulatedBench};
use tripbench_tests::ways::stamping;
use tripbench_tests::{Bench, Outcome, good};

const EXPECTED: [Verdict; 4] = [Verdict::Pass, Verdict::Pass, Verdict::Fail, Verdict::Pass];

fn verdicts(outcome: &Outcome) -> Vec<Verdict> {
    outcome.record.positions.iter().map(|position| position.verdict).collect()
}

/// Largest distance of a switch point, reset point or hysteresis from the truth, in units of its U.
fn farthest(bench: &Bench, outcome: &Outcome) -> f64 {
    let mut farthest = 0.0_f64;
    for (position, truth) in outcome.record.positions.iter().zip(&bench.truth.devices) {
        for (quantity, wanted) in [
            (QuantityName::SwitchPoint, truth.on_level_pa()),
            (QuantityName::ResetPoint, truth.off_level_pa()),
            (QuantityName::Hysteresis, truth.on_level_pa() - truth.off_level_pa()),
        ] {
            let check = position.checks.iter().find(|check| check.quantity == quantity).expect("a check");
            let found = check.measured.as_ref().expect("measured");
            farthest = farthest.max((found.value - wanted).abs() / found.expanded_uncertainty);
        }
    }
    farthest
}

/// The demo with digital inputs that are refreshed every 50 ms, and the rig sheet's declaration of that.
fn with_old_image(declared: &str) -> Bench {
    let mut bench = Bench::demo();
    bench.rig = bench.rig.replace("[module]\n", &format!("[module]\nimage_age = \"{declared}\"\n"));
    bench.truth.module.image_s = 0.05;
    bench
}

#[test]
fn with_the_age_of_the_image_declared_the_levels_hold_their_uncertainty() {
    let bench = with_old_image("50 ms");
    let outcome = bench.run();
    let farthest = farthest(&bench, &outcome);
    assert!(farthest < 1.0, "{farthest:.2} U off");
    assert!(!verdicts(&outcome).contains(&Verdict::Fail) || verdicts(&outcome)[2] == Verdict::Fail);
}

/// Edges 25 ms late on average: an undeclared image age shows as a delay of every output, and nothing passes.
#[test]
fn with_no_age_declared_nothing_passes() {
    let outcome = with_old_image("0 ms").run();
    assert!(!verdicts(&outcome).contains(&Verdict::Pass), "{:?}", verdicts(&outcome));
}

/// The demo's rig with a module that counts the edges of every switch output.
fn counting(edges: &str) -> String {
    let mut rig = Bench::demo().rig;
    for position in 0..4 {
        let plain = format!("switch = {{ at = \"discrete-input {position}\" }}");
        let counter =
            format!("counter = {{ at = \"input-register {}\", edges = \"{edges}\" }}", 10 + position);
        rig = rig.replace(&plain, &format!("switch = {{ at = \"discrete-input {position}\", {counter} }}"));
    }
    rig
}

#[rstest]
fn a_counter_shows_what_happens_between_two_reads(#[values("both", "rising")] edges: &str) {
    let mut bench = Bench { rig: counting(edges), ..Bench::demo() };
    bench.truth.devices[0].fault = Some(DeviceFault::Bouncing);
    let outcome = bench.run();
    assert_eq!(verdicts(&outcome), [Verdict::Undecided, Verdict::Pass, Verdict::Fail, Verdict::Pass]);
    let switch_point = &outcome.record.positions[0].checks[0];
    let remark = switch_point.remark.as_deref().unwrap_or_default();
    assert!(remark.contains("between two reads"), "{remark}");
}

#[test]
fn a_counter_of_another_input_is_a_doubt() {
    let mut bench = Bench { rig: counting("both"), ..Bench::demo() };
    bench.truth.devices[0].fault = Some(DeviceFault::StuckOff);
    // The sheet swaps the counters of positions 1 and 2: that of position 2 seems not to count.
    let wired = good(&bench.rig, RigSheet::read);
    bench.rig = bench.rig.replace("input-register 10\"", "input-register 99\"");
    bench.rig = bench.rig.replace("input-register 11\"", "input-register 10\"");
    bench.rig = bench.rig.replace("input-register 99\"", "input-register 11\"");
    let outcome = bench.run_with(|_| SimulatedBench::new(&wired, bench.truth.clone()), None);
    assert_eq!(verdicts(&outcome)[1..], [Verdict::Undecided, Verdict::Fail, Verdict::Pass]);
    let remark = outcome.record.positions[1].checks[0].remark.as_deref().unwrap_or_default();
    assert!(remark.contains("counted less"), "{remark}");
}

/// Every counter counts once in a ramp: which output a counter belongs to shows only in when it counts.
#[test]
fn counters_that_were_swapped_are_a_doubt_even_if_they_count_as_much() {
    let mut bench = Bench { rig: counting("both"), ..Bench::demo() };
    let wired = good(&bench.rig, RigSheet::read);
    bench.rig = bench.rig.replace("input-register 10\"", "input-register 99\"");
    bench.rig = bench.rig.replace("input-register 12\"", "input-register 10\"");
    bench.rig = bench.rig.replace("input-register 99\"", "input-register 12\"");
    let outcome = bench.run_with(|_| SimulatedBench::new(&wired, bench.truth.clone()), None);
    assert_ne!(verdicts(&outcome)[0], Verdict::Pass);
    let remark = outcome.record.positions[0].checks[0].remark.as_deref().unwrap_or_default();
    assert!(remark.contains("counted less"), "{remark}");
}

const SWITCH_POINTS: [CheckVerdict; 4] =
    [CheckVerdict::Pass, CheckVerdict::Pass, CheckVerdict::Fail, CheckVerdict::Pass];

/// With 40 ms between two samples of the reference, a delay cannot be resolved but levels can.
fn switch_points(outcome: &Outcome) -> Vec<CheckVerdict> {
    outcome.record.positions.iter().map(|position| position.checks[0].verdict).collect()
}

fn widest_edge_ms(outcome: &Outcome) -> f64 {
    let crossings = outcome.record.positions.iter().flat_map(|position| &position.checks);
    let widths = crossings.flat_map(|check| &check.crossings).map(|c| (c.latest_s - c.earliest_s) * 1e3);
    widths.fold(0.0, f64::max)
}

#[rstest]
#[case("100 us", 1.5)]
#[case("1 ms", 4.0)]
fn stamped_edges_are_known_far_closer_than_the_reads(#[case] tick: &str, #[case] widest_ms: f64) {
    let bench = Bench { rig: stamping(tick, 40), ..Bench::demo() };
    let outcome = bench.run();
    assert_eq!(outcome.record.halted, None);
    assert_eq!(switch_points(&outcome), SWITCH_POINTS);
    assert!(farthest(&bench, &outcome) < 1.0);
    let widest = widest_edge_ms(&outcome);
    assert!(0.0 < widest && widest < widest_ms, "{widest:.2} ms");
}

#[test]
fn an_input_filter_shifts_stamped_edges_as_it_shifts_read_ones() {
    let mut bench = Bench { rig: stamping("100 us", 40), ..Bench::demo() };
    bench.rig = bench.rig.replace("[module]\n", "[module]\ninput_filter = \"30 ms\"\n");
    bench.truth.module.input_filter_s = 0.03;
    let outcome = bench.run();
    assert!(farthest(&bench, &outcome) < 1.0);
    assert_eq!(switch_points(&outcome), SWITCH_POINTS);
}

#[test]
fn stamps_that_the_reads_contradict_are_not_used() {
    let mut bench = Bench { rig: stamping("100 us", 40), ..Bench::demo() };
    let wired = good(&bench.rig, RigSheet::read);
    // The sheet declares the tick twice as long as it is.
    bench.rig = bench.rig.replace("tick = \"100 us\"", "tick = \"200 us\"");
    let outcome = bench.run_with(|_| SimulatedBench::new(&wired, bench.truth.clone()), None);
    let found = verdicts(&outcome);
    // The third device is bad, and its states over the run show it.
    assert_eq!([found[0], found[1], found[3]], [Verdict::Undecided; 3]);
    assert_ne!(found[2], Verdict::Pass);
}

#[test]
fn a_clock_that_starts_again_too_soon_is_refused() {
    let findings = tripbench_sheet::Findings::new();
    let rig = stamping("1 us", 40).replace("raw = \"u32\"", "raw = \"u16\"");
    let source = tripbench_sheet::Source::new("rig.toml", &rig);
    assert!(tripbench_sheet::read_sheet(&source, &findings, RigSheet::read).is_none());
    let rules: Vec<_> = findings.into_sorted().iter().map(|finding| finding.rule).collect();
    assert_eq!(rules, ["clock-too-short"]);
}

/// The demo's rig with its positions replaced.
fn with_positions(positions: &str) -> String {
    let rig = Bench::demo().rig;
    let (head, _) = rig.split_once("[[position]]").expect("positions");
    format!("{head}{positions}")
}

#[test]
fn sixty_four_positions_are_tested_in_one_pass_and_the_bad_one_is_found() {
    let mut positions = String::new();
    for number in 1..=64_u32 {
        let (switch, valve) = (99 + number, 199 + number);
        write!(
            positions,
            "[[position]]\nnumber = {number}\nswitch = {{ at = \"discrete-input {switch}\" }}\n\
             valve = {{ at = \"discrete-input {valve}\" }}\n"
        )
        .expect("a string");
    }
    let mut bench = Bench { rig: with_positions(&positions), positions: (1..=64).collect(), ..Bench::demo() };
    let [good_one, .., bad] = [bench.truth.devices[0].clone(), bench.truth.devices[2].clone()];
    // Like real ones, no two of them are alike.
    let device = |position: u8| {
        let mut device = if position == 37 { bad.clone() } else { good_one.clone() };
        let away_pa = 10.0 * (f64::from(position) - 32.0);
        let saving = device.air_saving.as_mut().expect("saves air");
        for level in [&mut saving.cut_off_pa, &mut saving.resume_pa] {
            *level += away_pa;
        }
        device.switch_point_pa += away_pa;
        device.reset_point_pa += away_pa;
        DeviceTruth { position, ..device }
    };
    bench.truth.devices = (1..=64).map(device).collect();
    let outcome = bench.run();
    for position in &outcome.record.positions {
        let expected = if position.number == 37 { Verdict::Fail } else { Verdict::Pass };
        assert_eq!(position.verdict, expected, "position {}: {:?}", position.number, position.decided_by());
    }
}

/// Four positions on two units, with gaps between their addresses.
fn scattered() -> String {
    with_positions(
        "[[position]]\nnumber = 1\nswitch = { at = \"discrete-input 0\" }\nvalve = { at = \"discrete-input 5\" }\n\
         [[position]]\nnumber = 2\nswitch = { at = \"unit 2 discrete-input 0\" }\nvalve = { at = \"unit 2 discrete-input 7\" }\n\
         [[position]]\nnumber = 3\nswitch = { at = \"unit 2 discrete-input 3\" }\nvalve = { at = \"holding-register 9 bit 2\" }\n\
         [[position]]\nnumber = 4\nswitch = { at = \"discrete-input 40\" }\nvalve = { at = \"unit 3 coil 5\" }\n",
    )
}

#[test]
fn positions_on_several_units_and_with_holes_between_them_are_tested() {
    let bench = Bench { rig: scattered(), ..Bench::demo() };
    let outcome = bench.run();
    assert_eq!(verdicts(&outcome), EXPECTED);
    // One of twelve values may lie beyond its U, which covers 95 of 100.
    assert!(farthest(&bench, &outcome) < 1.3);
}

#[test]
fn a_hole_that_the_module_refuses_ends_the_run_before_anything_is_judged() {
    let rig = scattered().replace("[link]\n", "[link]\nlargest_hole = 60\n");
    let outcome = Bench { rig, ..Bench::demo() }.run();
    assert_eq!(outcome.record.halted, Some(Halt::Doubt(Doubt::Refused(2))));
    assert_eq!(verdicts(&outcome), [Verdict::Aborted; 4]);
    assert!(
        outcome
            .record
            .positions
            .iter()
            .all(|position| { position.checks.iter().all(|check| check.verdict != CheckVerdict::Pass) })
    );
}
