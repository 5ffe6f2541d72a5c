//! The demo's first rig, for tests.

use crate::plan::Planned;
use crate::round::Place;
use crate::sheets::{Given, RigSheets};
use crate::waiting::{Job, Press};
use std::sync::{Arc, LazyLock};
use tripbench_runner::{Texts, Today};
use tripbench_sheet::Source;

/// Its positions.
pub(crate) const POSITIONS: [u8; 4] = [1, 2, 3, 4];

/// Its sheets, as texts.
pub(crate) fn texts() -> Texts {
    let sheet = |name: &str, text: &str| Some(Source::new(name, text));
    let rig = include_str!("../../../bench-scripts/rigs/goods-in-1.toml");
    Texts {
        site: sheet("site.toml", include_str!("../../../bench-scripts/site.toml")),
        // The tests are to pass in any year.
        rig: sheet("rig.toml", &rig.replace("due = 2027-03-12", "due = 2999-03-12")),
        device_type: sheet("type.toml", include_str!("../../../bench-scripts/types/jar-switch-a.toml")),
        settings: sheet("settings.toml", include_str!("../../../bench-scripts/settings/depalletiser.toml")),
        script: sheet("script.toml", include_str!("../../../bench-scripts/scripts/goods-in.toml")),
    }
}

/// Its sheets.
pub(crate) static SHEETS: LazyLock<Arc<RigSheets>> =
    LazyLock::new(|| Arc::new(RigSheets::from_texts(texts()).expect("the demo's sheets are good")));

/// Serial number of the device at a position.
pub(crate) fn serial(position: u8) -> String {
    format!("A-{position}")
}

/// A plan for a run with devices at some positions.
pub(crate) fn planned(positions: &[u8]) -> Planned {
    let place =
        |position: &u8| Place { position: *position, serial: Some(serial(*position)), ..Place::default() };
    let places: Vec<Place> = positions.iter().map(place).collect();
    SHEETS.prepare(Given::default(), (&places, &[]), &Today::by_clock()).expect("a plan")
}

/// A run with devices at some positions, asked for at a moment.
pub(crate) fn job(positions: &[u8], press: Press) -> Job {
    let Planned { prepared, script, own } = planned(positions);
    Job { prepared, script, again: None, own, press }
}
