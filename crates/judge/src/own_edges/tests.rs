#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "computed moments and words of a trace, far within their types"
)]

use super::*;
use crate::bench::{Bench, Played, World, near, ramps, within, zero};
use rstest::rstest;
use tripbench_record::StepTask;

fn bench(cycles: u16) -> Bench {
    Bench::new()
        .positions(&[1, 2])
        .step(zero(false))
        .step(StepTask::SwitchPoints(ramps(cycles)))
        .step(zero(true))
}

fn cycles(count: u16, rate: f64) -> World {
    let world =
        (1..=count).fold(World::new(), |world, cycle| world.cycle(1, cycle, rate, 1e-3 * f64::from(cycle)));
    world.vented(2, 1.0)
}

/// Verdicts of both checks at each position: whether the edges are its own, and whether that could be checked.
fn own(bench: &Bench, world: &World) -> Vec<[CheckVerdict; 2]> {
    let checks = Played::of(bench, world).judged(2);
    let mine: Vec<_> = checks.iter().filter(|check| check.quantity == QuantityName::OwnEdges).collect();
    assert!(mine.chunks(2).all(|two| [two[0].role, two[1].role] == [Role::Screening, Role::Informative]));
    let told = |two: &[&Check]| {
        let [seen, checked] = [two[0].verdict, two[1].verdict];
        let [seen_says, checked_says] = [0, 1].map(|index| two[index].remark.clone().expect("a remark"));
        let words = match [seen, checked] {
            OWN => "its edges are its own",
            DOUBTED => "its edges came in the same scans as at position 2: are the inputs wired together?",
            _ => "its edges came in the same scans as at position 2: these rates and reads do not",
        };
        let other = if two[0].position == Some(1) { 2 } else { 1 };
        let words = words.replace("position 2", &format!("position {other}"));
        assert!(seen_says.starts_with(&words), "{seen_says} instead of {words}");
        assert_eq!(
            checked_says,
            if checked == CheckVerdict::Pass { String::from(CHECKED) } else { seen_says }
        );
        [seen, checked]
    };
    mine.chunks(2).map(told).collect()
}

const OWN: [CheckVerdict; 2] = [CheckVerdict::Measured, CheckVerdict::Pass];
const DOUBTED: [CheckVerdict; 2] = [CheckVerdict::Undecided, CheckVerdict::Pass];
const OPEN: [CheckVerdict; 2] = [CheckVerdict::Measured, CheckVerdict::Undecided];

// At 1000 Pa/s a level moves 5 Pa per scan: both of two devices change in the same scan with a probability of 5/(5 + 1100/4) for the
// first edge each way, and 5/(5 + 100/4) for the others. At 40 kPa/s it moves 200 Pa: (200/475)² (200/225)² = 0.14.
#[rstest]
#[case(2, 1_000.0, DOUBTED)]
#[case(1, 1_000.0, DOUBTED)]
#[case(2, 40_000.0, OPEN)]
fn two_inputs_that_share_every_edge_are_one(
    #[case] count: u16,
    #[case] rate: f64,
    #[case] expected: [CheckVerdict; 2],
) {
    let both = |second: f64| {
        let world = cycles(count, rate);
        world.device(0, [60e3, 55e3], 0.0).device(1, [second, 55e3], 0.0)
    };
    assert_eq!(own(&bench(count), &both(60e3)), [expected; 2]);
    assert_eq!(own(&bench(count), &both(60.5e3)), [OWN; 2]);
    // The wire may lie on the terminal of a position that does not take part.
    assert_eq!(own(&bench(count).positions(&[1]), &both(60e3)), [expected]);
}

#[rstest]
#[case(&[1])]
#[case(&[2])]
#[case(&[1, 2])]
fn every_position_that_takes_part_is_told(#[case] positions: &[u8]) {
    let world = cycles(1, 1_000.0).device(0, [60e3, 55e3], 0.0).device(1, [60.5e3, 55e3], 0.0);
    let mut checks = Played::of(&bench(1).positions(positions), &world).judged(2);
    checks.retain(|check| check.quantity == QuantityName::OwnEdges);
    let told: Vec<_> = checks.iter().step_by(2).map(|check| check.position).collect();
    assert_eq!(told, positions.iter().copied().map(Some).collect::<Vec<_>>());
}

#[test]
fn a_valve_output_is_an_input_too() {
    // It is read half a millisecond later.
    let world = cycles(2, 1_000.0).device(0, [60e3, 55e3], 0.0).device(5, [60e3, 55e3], 0.000_5);
    let world = world.device(1, [59.5e3, 54.5e3], 0.0);
    assert_eq!(own(&bench(2), &world), [DOUBTED; 2]);
}

/// Span of the read in a scan, `after_s` after the scan's start.
fn read_at(scan: usize, after_s: f64) -> Span {
    let start_s = 5e-3 * f64::from(u32::try_from(scan).expect("few")) + after_s;
    crate::bench::span(start_s, start_s + 4e-4)
}

fn edges(scans: &[usize], moved_pa: f64) -> Vec<Edge> {
    let edge = |scan: &usize| Edge { scan: *scan, read: read_at(*scan, 0.0), moved_pa };
    scans.iter().map(edge).collect()
}

// m/(m + 275) twice and m/(m + 25) for the others.
#[rstest]
#[case(&[1, 2, 3, 4], 50.0, 0.010_52)]
#[case(&[1, 2, 3, 4], 30.0, 0.002_878)]
#[case(&[1, 2, 3, 4, 5, 6], 50.0, 0.004_675)]
#[case(&[1, 2, 3], 1.0, 5.05e-7)]
fn two_devices_share_all_edges_by_this_chance(
    #[case] scans: &[usize],
    #[case] moved_pa: f64,
    #[case] expected: f64,
) {
    let played = Played::of(&bench(1), &cycles(1, 4_000.0));
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    let (half, spread) = scales(&run);
    near(half, 1_100.0);
    near(spread, 100.0);
    let mine = edges(scans, moved_pa);
    let chance = by_chance(&run, &mine, &mine).expect("all are shared");
    within(chance / expected, 1.0, 1e-3);
    let mut other = mine.clone();
    other[0].scan += 10;
    other[1].scan += 10;
    assert_eq!(by_chance(&run, &mine, &other), None);
    assert_eq!(by_chance(&run, &mine, &mine[..1]), None);
    assert_eq!(by_chance(&run, &[], &[]), None);
}

// Edges one scan apart lie within three scans: 3 m instead of m.
#[rstest]
#[case(&[0, 0, 1, 0], 30.0, Some((30.0_f64 / 305.0).powi(2) * (90.0 / 115.0) * (30.0 / 55.0)))]
#[case(&[1, 0, 0, 1], 30.0, Some(90.0 / 365.0 * (30.0 / 305.0) * (30.0 / 55.0) * (90.0 / 115.0)))]
#[case(&[0, 0, 2, 0], 30.0, None)]
fn edges_one_scan_apart_are_shared_too(
    #[case] apart: &[usize],
    #[case] moved_pa: f64,
    #[case] expected: Option<f64>,
) {
    let played = Played::of(&bench(1), &cycles(1, 4_000.0));
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    let scans: Vec<usize> = (1..=apart.len()).map(|edge| edge * 100).collect();
    let mine = edges(&scans, moved_pa);
    let theirs: Vec<usize> = scans.iter().zip(apart).map(|(scan, apart)| scan + apart).collect();
    // Inputs of one request are read together and show an edge in the same scan.
    let at_once = edges(&theirs, moved_pa);
    let read_apart = |edge: &Edge| Edge { read: read_at(edge.scan, 7e-4), ..*edge };
    let theirs: Vec<Edge> = at_once.iter().map(read_apart).collect();
    assert_eq!(by_chance(&run, &mine, &at_once), None);
    let found = by_chance(&run, &mine, &theirs);
    match (found, expected) {
        (Some(found), Some(expected)) => within(found / expected, 1.0, 1e-6),
        (found, expected) => assert_eq!(found, expected),
    }
}

#[test]
fn an_edge_has_its_scan_and_how_far_the_level_went() {
    let world = cycles(1, 4_000.0).device(0, [60e3, 55e3], 0.0);
    let played = Played::of(&bench(1), &world);
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    let found = run.edges(&played.task.sheets.rig.positions[0].switch);
    assert_eq!(found.len(), 2);
    let passed_s = world.passes(60e3, true)[0];
    // The input is read 0.7 ms into each scan.
    assert_eq!(found[0].scan, ((passed_s - 0.7e-3) / 5e-3).ceil() as usize);
    within(found[0].moved_pa, 20.0, 0.05);
    within(found[1].moved_pa, 20.0, 0.05);
    let still = World::new().to(0.0, 2.0).vented(2, 1.0).toggled(0, vec![2.0]);
    let played = Played::of(&bench(1), &still);
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    near(run.edges(&played.task.sheets.rig.positions[0].switch)[0].moved_pa, 1.0);
}

#[test]
fn of_unknown_devices_the_scales_are_judged() {
    let played = Played::of(&bench(1).unknown_device(), &cycles(1, 4_000.0));
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    assert_eq!(scales(&run), (1_000.0, 50.0));
}
