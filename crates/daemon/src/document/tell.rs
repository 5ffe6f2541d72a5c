//! Makes the document of a run from its state.

use super::run::{Band, GuideShown, Question, RunState, StepNow, StepShown, Tile};
use super::tile::{quantity_key, reason, tile};
use crate::samples::rounded;
use tripbench_bench::{Beside, RunSnapshot};
use tripbench_device::{Expected, LevelLimits, expected};
use tripbench_record::{LoadedSheets, QuantityName, RunHeader, RunView, SheetRole, StepState};
use tripbench_report::Content;

impl RunState {
    /// A run as it is told; `beside` are the other devices of its round.
    pub(crate) fn new(snapshot: &RunSnapshot, beside: impl IntoIterator<Item = Tile>) -> Self {
        let (header, view, style) = (&snapshot.header, &snapshot.view, snapshot.sheets.site.style);
        let over = snapshot.is_over();
        let sheet = |role| header.sheets.iter().find(|sheet| sheet.role == role);
        let mut tiles = tiles(snapshot);
        tiles.extend(beside);
        tiles.sort_by_key(|tile| tile.position);
        Self {
            run: header.run.clone(),
            script: sheet(SheetRole::Script).map_or_else(String::new, |script| script.name.clone()),
            started: header.started.clone(),
            over,
            steps: steps(header, view),
            cycle: view.cycle.map(|(cycle, of)| [cycle, of]),
            left_s: rounded(view.progress().left.si(), 10.0),
            guide: view.guide.filter(|_| !over).map(|guide| GuideShown {
                hint: guide.hint.word().to_owned(),
                toward: guide.toward.map(|level| style.level(level)),
            }),
            question: view
                .open
                .as_ref()
                .filter(|_| !over)
                .map(|(id, text)| Question { number: id.0, text: text.clone() }),
            waiting: view.waiting.as_ref().filter(|_| !over).map(reason),
            halted: view.halted.as_ref().map(reason),
            ended: view.ended.clone().flatten(),
            safe: view.safe,
            trial: header.trial,
            simulated: header.simulated,
            warnings: header.warnings.clone(),
            again_of: snapshot.again_of().map(str::to_owned),
            settings: sheet(SheetRole::Settings)
                .map(|sheet| format!("{} rev {}", sheet.name, sheet.revision)),
            unit: style.unit.symbol().to_owned(),
            decimals: style.decimals(),
            bands: if snapshot.kept { Vec::new() } else { bands(&snapshot.sheets) },
            tiles,
        }
    }
}

fn steps(header: &RunHeader, view: &RunView) -> Vec<StepShown> {
    let steps = header.steps.iter().zip(&view.steps).map(|(step, state)| StepShown {
        name: step.name.clone(),
        predicted_s: rounded(step.predicted.si(), 10.0),
        now: match state {
            StepState::Ahead => StepNow::Ahead,
            StepState::Running(_) => StepNow::Running,
            StepState::Done => StepNow::Done,
        },
    });
    steps.collect()
}

/// Tiles of the devices that a run tests.
fn tiles(snapshot: &RunSnapshot) -> Vec<Tile> {
    let (view, style, over) = (&snapshot.view, snapshot.sheets.site.style, snapshot.is_over());
    let rig_checks = view.rig_checks_so_far();
    let content =
        Content { header: &snapshot.header, halted: view.halted.as_ref(), rig_checks: &rig_checks, style };
    view.positions_so_far().iter().map(|position| tile(&content, position, over)).collect()
}

/// A device of the same round, as another run left it.
pub(crate) fn beside(of: &Beside) -> Option<Tile> {
    let tile = tiles(&of.snapshot).into_iter().find(|tile| tile.position == of.position)?;
    Some(Tile { of_run: Some(of.snapshot.run().to_owned()), ..tile })
}

/// Limits of levels that the settings sheet gives.
fn bands(sheets: &LoadedSheets) -> Vec<Band> {
    let Some((settings, device)) = sheets.settings.as_ref().zip(sheets.device.as_ref()) else {
        return Vec::new();
    };
    let Expected { on, off, hysteresis: _, cut_off, resume } = expected(settings, device);
    let all = [
        (QuantityName::SwitchPoint, Some(on)),
        (QuantityName::ResetPoint, Some(off)),
        (QuantityName::CutOff, cut_off),
        (QuantityName::Resume, resume),
    ];
    let band = |(quantity, limits): (QuantityName, Option<LevelLimits>)| {
        let [low, high] =
            limits.map(|limits| [limits.low, limits.high])?.map(|level| sheets.site.style.value(level));
        Some(Band { quantity: quantity_key(quantity), low, high })
    };
    all.into_iter().filter_map(band).collect()
}
