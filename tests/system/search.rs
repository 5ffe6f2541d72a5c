//! A small search for wrong verdicts, unsafe outputs and lost records; `cargo bench -p tripbench-tests --bench search` makes a large
//! one.

use rstest::rstest;
use tripbench_tests::search::{Guard, draw, search, stations, told};

/// Runs of each case.
const RUNS: u64 = 32;

#[rstest]
fn no_drawn_run_is_wrong_unsafe_or_lost(#[values(0, 1, 2, 3)] part: u64) {
    let stations = stations();
    let (mut verdicts, mut troubles, mut begun) = ([0; 4], 0, 0);
    for seed in (0..RUNS).map(|run| 1_000_000 + part * RUNS + run) {
        let found = search(&stations, seed, None);
        let drawn = draw(&stations, seed);
        assert!(
            found.all().is_empty(),
            "`cargo bench -p tripbench-tests --bench search -- 1 {seed}`: {}, {}: {:?}",
            drawn.station.name,
            told(&drawn.troubles),
            found.all()
        );
        troubles += found.troubles;
        begun += found.begun;
        for (sum, count) in verdicts.iter_mut().zip(found.verdicts) {
            *sum += count;
        }
    }
    assert!(verdicts.iter().all(|count| *count >= 3), "{verdicts:?}");
    assert!(troubles >= 10 && begun >= 10, "{troubles} troubles, {begun} runs begun by letters");
}

/// Seeds of the large search in which it found a fault, of the program or of the search.
#[rstest]
// Another master changes an output between its last read and the last read of all, 1 ms before safe is confirmed.
#[case::changed_after_its_last_read(75_366)]
fn what_was_found_once_stays_mended(#[case] seed: u64) {
    let found = search(&stations(), seed, None);
    assert!(found.troubles > 0 && found.all().is_empty(), "{:?}", found.all());
}

/// Seeds that `--bench search -- guards` found to fail without a guard: with the guard they find nothing.
#[rstest]
fn without_a_guard_it_finds_what_the_guard_is_for(
    #[values(
        Guard::LateAnswer,
        Guard::SecondSafe,
        Guard::Watermark,
        Guard::LagCorrection,
        Guard::Promised,
        Guard::PlugCheck
    )]
    guard: Guard,
) {
    let (seed, kind) = match guard {
        Guard::LateAnswer => (3, "unsafe end"),
        Guard::SecondSafe => (1_149, "unsafe end"),
        Guard::Watermark => (2, "bad journal"),
        Guard::LagCorrection => (1, "wrong level"),
        Guard::Promised => (47, "false pass"),
        Guard::PlugCheck => (1, "wrong device"),
    };
    let stations = stations();
    let found = search(&stations, seed, Some(guard));
    assert!(found.all().iter().any(|(of, _)| *of == kind), "{:?}", found.all());
    assert!(search(&stations, seed, None).all().is_empty());
}
