//! `tripbench explain`: how a figure of a stored run was found.

use crate::args::ExplainOptions;
use crate::believed::{Stored, sheets};
use crate::exit::Exit;
use crate::{output, say};
use anyhow::{Result, bail};
use std::ffi::OsStr;
use std::path::Path;
use tripbench_record::{Check, CheckVerdict, Record};
use tripbench_report::{Content, advice, amount, budget_lines, quantity_name, value_text};

pub(crate) fn explain(options: &ExplainOptions) -> Result<Exit> {
    let stored = Stored::of(folder(&options.record)?)?;
    if !stored.fits() {
        stored.say_unfit();
        return Ok(Exit::Differs);
    }
    let record = stored.record;
    let content = Content::of(&record, sheets(&record)?.site.style);
    // The words shown in tables are accepted as well as the names.
    let wanted = options.check.as_deref().unwrap_or_default().trim().replace(", ", "-").replace(' ', "-");
    let wanted = wanted.as_str();
    let chosen: Vec<&Check> =
        record.checks().filter(|check| is_wanted(check, wanted) && !check.stands_behind_another()).collect();
    if chosen.is_empty() {
        let mut names: Vec<String> = Vec::new();
        for check in record.checks() {
            let quantity = check.quantity.to_string();
            if !names.contains(&quantity) {
                names.push(quantity);
            }
        }
        let positions: Vec<String> =
            record.positions.iter().map(|position| position.number.to_string()).collect();
        bail!(
            "this record has no check `{wanted}`; it has {}. Put a position ({}) or `rig` before a name to select one: 2/switch-point",
            names.join(", "),
            positions.join(", ")
        );
    }
    for check in chosen {
        show(&record, &content, check);
    }
    Ok(Exit::Good)
}

/// The folder of a record, named directly or by its record file: a record copied elsewhere has no trace to be compared with.
fn folder(path: &Path) -> Result<&Path> {
    if path.is_dir() {
        return Ok(path);
    }
    if path.file_name() != Some(OsStr::new(output::RECORD)) {
        bail!(
            "`{}` is neither the folder of a run nor the {} in one: a record is explained only beside its trace",
            path.display(),
            output::RECORD
        );
    }
    Ok(path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new(".")))
}

/// `2/switch-point`, or `rig/leak-rate`.
fn name(check: &Check) -> String {
    let place = check.position.map_or_else(|| String::from("rig"), |number| number.to_string());
    format!("{place}/{}", check.quantity)
}

fn is_wanted(check: &Check, wanted: &str) -> bool {
    let whole = name(check);
    let (place, quantity) = whole.split_once('/').unwrap_or_default();
    wanted.is_empty() || wanted == whole || wanted == place || wanted == quantity
}

fn show(record: &Record, content: &Content<'_>, check: &Check) {
    let row = content.row(check);
    let place = check.position.map_or_else(
        || String::from("Rig"),
        |number| {
            let serial = record.positions.iter().find(|position| position.number == number);
            let serial = serial.map_or_else(String::new, |position| format!(", serial {}", position.serial));
            format!("Position {number}{serial}")
        },
    );
    say::out(&format!("{place}: {} in step {} ({})", row.name, check.step_name, name(check)));
    let Some(measured) = &check.measured else {
        say::out(&format!("  {}. {}\n", row.word, row.remark));
        return;
    };
    say::out(&format!("  {} ± {}, limits {}: {}", row.value, row.uncertainty, row.limits, row.word));
    if !row.remark.is_empty() {
        say::out(&format!("  {}", row.remark));
    }
    if let Some(probability) = check.conformance_probability {
        say::out(&format!("  Probability that it lies within its limits: {probability:.4}"));
    }
    if let Some(needed) = content.needed(check) {
        say::out(&format!("  {needed}"));
    }
    if let Some(next) = next(record, content, check) {
        say::out(&format!("  {next}"));
    }
    let unsigned = |value: f64| value_text(check, value, content.style).trim_start_matches('-').to_owned();
    crossings(content, check);
    budget(content, check);
    let freedom = measured
        .degrees_of_freedom
        .map_or_else(|| String::from("infinite"), |freedom| format!("{freedom:.0}"));
    say::out(&format!(
        "  {} combined: u {}, U {} (95 % of the convolved distribution, k {:.2});\n    by Welch–Satterthwaite {}, effective degrees of freedom {freedom}\n",
        quantity_name(check.quantity),
        amount(check, measured.standard_uncertainty, content.style),
        unsigned(measured.expanded_uncertainty),
        measured.coverage_factor,
        unsigned(measured.welch_satterthwaite)
    ));
}

/// The advice of the table, for the whole position: this check alone may need fewer ramps than all open checks together.
fn next(record: &Record, content: &Content<'_>, check: &Check) -> Option<String> {
    let open = matches!(check.verdict, CheckVerdict::Undecided | CheckVerdict::Fail);
    let number = check.position.filter(|_| open)?;
    let position = record.positions.iter().find(|position| position.number == number)?;
    let next = advice(position, content.style);
    (!next.is_empty()).then(|| format!("Do next with position {number}: {next}."))
}

fn crossings(content: &Content<'_>, check: &Check) {
    if !check.crossings.is_empty() {
        let phased = check.crossings.iter().any(|one| one.planned_phase.is_some());
        let head = if phased { "  planned phase" } else { "" };
        say::out(&format!(
            "\n  ramp  edge between                  level between                          rate{head}"
        ));
        for one in &check.crossings {
            let width_ms = (one.latest_s - one.earliest_s) * 1e3;
            let edge = format!("{:.4} s and {width_ms:.1} ms later", one.earliest_s);
            let levels = format!(
                "{} and {}",
                value_text(check, one.low_pa, content.style),
                value_text(check, one.high_pa, content.style)
            );
            let rate = one.rate_pa_per_s / content.style.unit.pascal();
            let phase = one.planned_phase.map_or_else(String::new, |share| format!("  {share:.2} of a scan"));
            say::out(&format!(
                "  {:>4}  {edge:<28}  {levels:<29}  {rate:>7.2} {}/s{phase}",
                one.cycle,
                content.style.unit.symbol()
            ));
        }
    }
}

fn budget(content: &Content<'_>, check: &Check) {
    let unsigned = |value: f64| amount(check, value, content.style);
    say::out(&format!(
        "\n  {:<40}  {:<23}  {:<4} {:<14} {:>10}  {:<15} {:>7} {:>10}  share",
        "contribution", "source", "type", "shape", "input", "sensitivity", "freedom", "u"
    ));
    for line in budget_lines(check) {
        let (first, rest) = wrapped(&line.name, 40);
        say::out(&format!(
            "  {first:<40}  {:<23}  {:<4} {:<14} {:>10}  {:<15} {:>7} {:>10} {:>4.0} %",
            line.source,
            line.evaluation,
            line.shape,
            line.input,
            line.sensitivity,
            line.freedom,
            unsigned(line.standard_uncertainty),
            line.share * 100.0
        ));
        if !rest.is_empty() {
            say::out(&format!("    {rest}"));
        }
    }
}

/// Splits a text at a space so that the first part fits into a width.
fn wrapped(text: &str, width: usize) -> (&str, &str) {
    if text.chars().count() <= width {
        return (text, "");
    }
    let end = text.char_indices().nth(width).map_or(text.len(), |(index, _)| index);
    let at = text[..end].rfind(' ').unwrap_or(end);
    (&text[..at], text[at..].trim_start())
}
