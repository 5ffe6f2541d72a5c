//! What a run prints before any air flows: its sheets, its duration, and what each check can decide.

use crate::say;
use tripbench_device::NotChecked;
use tripbench_engine::{predicted_open, predictions};
use tripbench_judge::OfDevices;
use tripbench_quantity::{LevelDifference, LevelStyle};
use tripbench_record::{Prediction, undecided_share};
use tripbench_report::{quantity_name, said_open};
use tripbench_runner::Prepared;

/// Prints sheets, duration and predictions of a run that is about to start.
pub(super) fn introduce(prepared: &Prepared) {
    let task = &prepared.task;
    let sheets = &task.sheets;
    let settings = sheets.settings.as_ref().map_or_else(
        || String::from("no settings: measured only"),
        |settings| format!("settings {} rev {}", settings.header.name.value, settings.header.revision.value),
    );
    let device = sheets.device.as_ref().map_or("devices", |device| device.header.name.value.as_str());
    let trial = if prepared.header.trial { " · TRIAL: a sheet is a draft" } else { "" };
    say::note(&format!(
        "Rig {} · {device} · {settings} · about {:.0} s · calibration due {}{trial}",
        sheets.rig.header.name.value,
        task.predicted().si(),
        *sheets.rig.reference.calibration.due
    ));
    let open = said_open(predicted_open(task, OfDevices::Any));
    let passes =
        sheets.site.not_checked == NotChecked::Say || predicted_open(task, OfDevices::Every).is_empty();
    show_predictions(&predictions(task), sheets.site.style, passes);
    if !open.is_empty() {
        say::note(&format!("  predicted  {open}, on this rig with this script"));
    }
}

/// Largest undecided share of good devices, at nominal and half way to a limit, at which a check counts as deciding them all.
const DECIDES_ALL: f64 = 0.005;

/// Prints what each check can decide, before any air flows. Checks that decide every good device up to half way to a limit share a
/// line.
fn show_predictions(predictions: &[Prediction], style: LevelStyle, passes: bool) {
    let decides =
        |one: &&Prediction| one.undecided_at_nominal < DECIDES_ALL && one.undecided_at_half < DECIDES_ALL;
    let (sure, open): (Vec<&Prediction>, Vec<&Prediction>) = predictions.iter().partition(decides);
    if !sure.is_empty() {
        let names: Vec<&str> = sure.iter().map(|one| quantity_name(one.quantity)).collect();
        say::note(&format!("  predicted  decided up to half way to a limit: {}", names.join("; ")));
    }
    if !open.is_empty() {
        say::note(
            "  predicted  below: U (95 %) against half the tolerance; for a delay, against the excess that changes no verdict",
        );
    }
    let width = open.iter().map(|one| quantity_name(one.quantity).len()).max().unwrap_or(0);
    for one in &open {
        predicted_of(one, style, width);
    }
    if passes {
        predicted_of_a_position(predictions);
    } else {
        say::note("  predicted  no device can pass: the site requires everything to be checked");
    }
}

fn predicted_of(one: &Prediction, style: LevelStyle, width: usize) {
    let amount = |value: f64| match one.unit.as_str() {
        "Pa" => style.difference(LevelDifference::new(value)),
        _ => format!("{:.1} ms", value * 1e3),
    };
    let said = if one.undecided_at_nominal > 0.95 {
        String::from("not even a device at nominal can be decided on this rig")
    } else {
        format!(
            "undecided: {:.0} % of devices at nominal, {:.0} % at half the tolerance",
            one.undecided_at_nominal * 100.0,
            one.undecided_at_half * 100.0
        )
    };
    say::note(&format!(
        "  predicted  {:<width$} U {:>9} against {:>9}  {said}",
        quantity_name(one.quantity),
        amount(one.expanded_uncertainty),
        amount(one.half_tolerance)
    ));
}

/// Prints how often a position will be undecided, over all of its checks.
fn predicted_of_a_position(predictions: &[Prediction]) {
    let [nominal, half] = undecided_share(predictions);
    if !predictions.is_empty() {
        say::note(&format!(
            "  predicted  position undecided by any of these: {:.0} % of good devices at nominal, {:.0} % half way to a limit",
            nominal * 100.0,
            half * 100.0
        ));
    }
}
