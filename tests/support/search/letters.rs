//! Letters to the owner of a rig, drawn from a seed: a run must test the devices that were there when it was requested.

use super::dice::Dice;
use crate::sheet_text;
use std::sync::LazyLock;
use tripbench_bench::{DeviceCheck, DrawnRig, Letter, RigSheets};
use tripbench_runner::Texts;
use tripbench_sheet::Source;

/// The demo's rig.
static RIG: LazyLock<DrawnRig> = LazyLock::new(|| {
    let sheet = |path: &str| Some(Source::new(path, sheet_text(path)));
    // The search must work in any year.
    let rig = sheet_text("rigs/goods-in-1.toml").replace("due = 2027-03-12", "due = 2999-03-12");
    let sheets = RigSheets::from_texts(Texts {
        site: sheet("site.toml"),
        rig: Some(Source::new("rig.toml", &rig)),
        device_type: sheet("types/jar-switch-a.toml"),
        settings: sheet("settings/depalletiser.toml"),
        script: sheet("scripts/goods-in.toml"),
    });
    DrawnRig::new(sheets.expect("the demo's sheets are good")).expect("a plan")
});

/// Letters of a run that nothing disturbs.
const USUAL: [Letter; 6] =
    [Letter::Press, Letter::Ask(false), Letter::Next, Letter::Begin, Letter::Over, Letter::Look];
/// Most letters of a sequence.
const MOST: usize = 40;

/// Number of runs that began in the sequence of a seed, or an error if one tested another device than the one that was meant.
pub(super) fn play(seed: u64, check: DeviceCheck) -> Result<u32, String> {
    let mut dice = Dice::new(seed);
    let sees_plugs = dice.chance(0.5);
    // Half of the letters are those of an undisturbed run, in their order; the others may come in between.
    let mut usual = USUAL.iter().copied().cycle();
    let letters: Vec<Letter> = (0..=dice.below(MOST))
        .map(|_| if dice.chance(0.5) { usual.next().unwrap_or(Letter::Look) } else { letter(&mut dice) })
        .collect();
    let plugs = if sees_plugs { "plugs seen" } else { "plugs not seen" };
    RIG.play(&letters, sees_plugs, check).map_err(|why| format!("{why}, {plugs}: {letters:?}"))
}

fn letter(dice: &mut Dice) -> Letter {
    // Weights; their sum is the number of faces.
    const LETTERS: [(usize, Letter); 10] = [
        (4, Letter::Look),
        (1, Letter::LookFails),
        (2, Letter::Replace),
        (3, Letter::Press),
        (3, Letter::Ask(false)),
        (1, Letter::Ask(true)),
        (1, Letter::Stop),
        (6, Letter::Next),
        (5, Letter::Begin),
        (3, Letter::Over),
    ];
    let mut face = dice.below(LETTERS.iter().map(|(weight, _)| weight).sum());
    for (weight, letter) in LETTERS {
        if face < weight {
            return letter;
        }
        face -= weight;
    }
    Letter::Look
}
