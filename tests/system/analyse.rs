//! `analyse` on recordings from other instruments.

use tripbench_recording::{ColumnMap, Recording, analyse};
use tripbench_sheet::{Findings, Source, read_sheet};
use tripbench_tests::sheet_text;

/// A cut of MetroPT-3 (UCI Machine Learning Repository, data set 791, CC BY 4.0; Davari, Veloso, Ribeiro, Gama 2021), see
/// `tests/data/README.md`.
const AIR_UNIT: &str = include_str!("../data/air-unit-trace-a.csv");

/// Reads a recording with its column map.
fn recording(map: &str, text: &str) -> Recording {
    let source = Source::new("map.toml", map.to_owned());
    let map = read_sheet(&source, &Findings::new(), ColumnMap::read).expect("a map");
    Recording::from_csv(&map, text).expect("a recording")
}

// A row every 10 s, two changes each way. Both pairs of rows allow: load on between 8.068 and 8.070 bar; load off from 10.064 bar up
// to where the level turned, which no row shows and which is at least 10.098 bar, the highest row. The authors of the data set publish
// 8.2 and 10.2 bar, each 0.13 bar away.
#[test]
fn the_load_levels_of_an_air_unit_lie_in_what_its_rows_bracket() {
    let recording = recording(include_str!("../data/air-unit.toml"), AIR_UNIT);
    assert_eq!(recording.times_s.len(), 424);
    let found = analyse(&recording, 200.0, None);
    let load = &found.signals[0];
    for (edge, rows, published) in
        [(&load.on, [8.068e5, 8.070e5], 8.2e5), (&load.off, [10.064e5, 10.098e5], 10.2e5)]
    {
        let edge = edge.as_ref().expect("a level");
        let (value, u) = (edge.result.value, edge.result.expanded_uncertainty);
        assert_eq!(edge.edges.len(), 2);
        assert!(value + u >= rows[1] && value - u <= rows[0], "{value} ± {u}");
        assert!(u < 5_000.0, "{u}");
        assert!((value - published).abs() < 0.14e5, "{value} beside {published}");
    }
    assert!(load.on.as_ref().is_some_and(|on| !on.rising) && load.off.as_ref().is_some_and(|off| off.rising));
}

// The recording of the README was made with levels of 602 and 548 mbar, each change with a standard deviation of 1.2 mbar.
#[test]
fn the_levels_of_the_demos_recording_lie_within_u() {
    let text = sheet_text("recordings/depalletiser.csv");
    let found = analyse(&recording(&sheet_text("columns/depalletiser.toml"), &text), 100.0, None);
    let held = &found.signals[0];
    for (edge, level_pa) in [(&held.on, 60_200.0), (&held.off, 54_800.0)] {
        let edge = edge.as_ref().expect("a level");
        let (value, u) = (edge.result.value, edge.result.expanded_uncertainty);
        assert_eq!(edge.edges.len(), 12);
        assert!((value - level_pa).abs() <= u && u < 300.0, "{value} ± {u} instead of {level_pa} Pa");
    }
}
