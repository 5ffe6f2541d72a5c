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
            DOUBTED => {
                "its edges came in the same scans as at position 2, or one scan apart: are the inputs wired together?"
            }
            _ => {
                "its edges came in the same scans as at position 2, or one scan apart: these rates and reads do not"
            }
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

/// Scales of the demo's sheets, pascal: half of the tolerance, and the promised spread.
const SCALES: (f64, f64) = (1_100.0, 100.0);

/// Edges on and off in turn, of an input that is read `after_s` after the start of each scan.
fn shown(scans: &[usize], moved_pa: f64, after_s: f64) -> Shown {
    let edge = |(scan, index): (&usize, usize)| Edge { scan: *scan, on: index % 2 == 0, moved_pa };
    let read = crate::bench::span(after_s, after_s + 4e-4);
    Shown { edges: scans.iter().zip(0..).map(edge).collect(), read: Some(read) }
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
    let mine = shown(scans, moved_pa, 0.0);
    let Odds { slower, alike } = odds(SCALES, &mine, &mine).expect("all are shared");
    within(slower / expected, 1.0, 1e-3);
    within(alike / expected, 1.0, 1e-3);
    assert!(odds(SCALES, &shown(&[], moved_pa, 0.0), &mine).is_none());
}

#[test]
fn the_scales_are_those_of_the_sheets() {
    let played = Played::of(&bench(1), &cycles(1, 4_000.0));
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    let (half, spread) = scales(&run);
    near(half, SCALES.0);
    near(spread, SCALES.1);
}

// Computed by the formula of `docs/figures.md` in another language, for inputs that are read at once and one after the other. Two scans
// apart it is an edge of each input, in one group; edges of other groups count again.
#[rstest]
#[case(&[0, 0, 1, 0], 0.005_644_04, 0.005_079_63, 0.084_660_5)]
#[case(&[1, 0, 0, 1], 0.011_066_7, 0.008_964_06, 2.490_02)]
#[case(&[1, 1, 1, 1], 0.193_971, 0.017_457_3, 193_971.0)]
#[case(&[-1, 1, -1, 1], 0.193_971, 0.017_457_3, 193_971.0)]
#[case(&[-1, 0, 1, 0], 0.136_27, 0.122_643, 2.044_04)]
#[case(&[-1, 1, 1, -1], 6.451_16, 5.225_44, 1451.51)]
#[case(&[0, 0, 0, 0, 1, 0], 0.002_518_83, 0.003_022_59, 0.025_188_3)]
#[case(&[1, 0, 1, 0, 1, 0, 0, 0], 0.002_870_85, 0.001_230_36, 61.518_1)]
#[case(&[0, 0, 2, 0], 0.527_717, 0.527_717, 0.527_717)]
#[case(&[0, 20, 0, 0], 0.527_717, 0.527_717, 0.527_717)]
#[case(&[0, 21, 0, 0], 52.771_7, 52.771_7, 52.771_7)]
#[case(&[2, 0, 5, 0], 536.513, 536.513, 536.513)]
#[case(&[9, 9, 9, 9], 1e8, 1e8, 1e8)]
fn edges_apart_weigh_as_the_formula_says(
    #[case] apart: &[isize],
    #[case] at_once: f64,
    #[case] in_turn: f64,
    #[case] alike: f64,
) {
    let scans: Vec<usize> = (1..=apart.len()).map(|edge| edge * 100).collect();
    let theirs: Vec<usize> =
        scans.iter().zip(apart).map(|(scan, apart)| scan.wrapping_add_signed(*apart)).collect();
    for (after_s, slower, alike) in [(0.0, at_once, alike), (7e-4, in_turn, in_turn)] {
        let (mine, theirs) = (shown(&scans, 30.0, 0.0), shown(&theirs, 30.0, after_s));
        for (one, other) in [(&mine, &theirs), (&theirs, &mine)] {
            let odds = odds(SCALES, one, other).expect("edges");
            within(odds.slower / slower, 1.0, 1e-5);
            within(odds.alike / alike, 1.0, 1e-5);
        }
    }
}

/// Probability of `late` of `count` edges, if each is late with probability `share`.
fn binomial(count: i32, late: i32, share: f64) -> f64 {
    let ways: f64 = (1..=late).map(|i| f64::from(count - late + i) / f64::from(i)).product();
    ways * share.powi(late) * (1.0 - share).powi(count - late)
}

/// One wire on two inputs, of which one shows each edge one scan later with a probability, because its filter is slower or because it is
/// read later: over every pattern of late edges, this is hardly ever taken for two devices.
#[rstest]
fn one_wire_with_a_slower_filter_is_not_two_devices(
    #[values((0.0, 0.02), (0.0, 0.1), (0.0, 0.2), (0.0, 0.3), (0.0, 0.5), (7e-4, 0.1), (7e-4, 0.3), (7e-4, 0.5), (7e-4, 0.8))]
    (after_s, share): (f64, f64),
    #[values(5.0, 20.0, 50.0, 200.0)] moved_pa: f64,
    #[values(3, 5, 7)] cycles: i32,
) {
    let mut taken_for_two = 0.0;
    for (on, off) in (0..=cycles).flat_map(|on| (0..=cycles).map(move |off| (on, off))) {
        let scans: Vec<usize> = (1..=2 * cycles).map(|edge| edge as usize * 100).collect();
        let late = |index: i32| usize::from(index / 2 < if index % 2 == 0 { on } else { off });
        let theirs: Vec<usize> = scans.iter().zip(0..).map(|(scan, index)| scan + late(index)).collect();
        let odds = odds(SCALES, &shown(&scans, moved_pa, 0.0), &shown(&theirs, moved_pa, after_s));
        if odds.expect("edges").slower >= 1.0 / BY_CHANCE {
            taken_for_two += binomial(cycles, on, share) * binomial(cycles, off, share);
        }
    }
    assert!(taken_for_two <= BY_CHANCE, "{taken_for_two}");
}

/// Times at which an input changes in a world.
fn changes_s(world: &World, count: u16) -> Vec<f64> {
    let played = Played::of(&bench(count), world);
    let channels = played.channels();
    let run = Run::up_to(&channels, &played.marks, 2).expect("a run");
    let edges = run.edges(&played.task.sheets.rig.positions[0].switch);
    edges.iter().map(|edge| run.moments[edge.scan].scan.start().seconds()).collect()
}

/// One wire on two terminals: their filters may let an edge through one scan later, and one may show a bounce that the other does not.
#[rstest]
fn one_wire_is_not_two_devices_because_an_edge_is_late_or_bounces(
    #[values(0, 1, 3, 5)] late: usize,
    #[values(&[], &[0.025, 0.03], &[0.025, 0.03, 0.04, 0.05])] bounces_s: &[f64],
    #[values(3, 4)] count: u16,
) {
    let world = || cycles(count, 1_000.0).device(0, [60e3, 55e3], 0.0);
    let mut second = changes_s(&world(), count);
    let first = second[0];
    second[late] += 5e-3;
    second.extend(bounces_s.iter().map(|after_s| first + after_s));
    second.sort_by(f64::total_cmp);
    let world = world().toggled(1, second.iter().map(|at_s| at_s - 1e-3).collect());
    assert_eq!(own(&bench(count), &world), [DOUBTED; 2], "{second:?}");
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
