//! The table at the end: what a technician needs to know of each position.

use crate::say;
use tripbench_quantity::LevelStyle;
use tripbench_record::Record;
use tripbench_report::{Content, advice, margin_bar_text};

/// Prints the table, the summary and whether the rig is safe.
pub(crate) fn print(record: &Record, style: LevelStyle) {
    let content = Content { record, style };
    let rows: Vec<[String; 7]> = record.positions.iter().map(|position| row(&content, position)).collect();
    let heads = ["pos", "serial", "verdict", "decided by", "found", "allowed", "do next"].map(String::from);
    let width =
        |column: usize| rows.iter().chain([&heads]).map(|row| row[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..7).map(width).collect();
    say::out("");
    say::out(&line(&heads, &widths, None));
    for (position, row) in record.positions.iter().zip(&rows) {
        say::out(&line(row, &widths, Some(position.verdict)));
    }
    say::out("");
    if let Some(halt) = &record.halted {
        say::out(&format!("Stopped: {halt}."));
    }
    let trial = if record.header.trial { " TRIAL: a sheet is a draft." } else { "" };
    let safe = if record.safe_confirmed {
        "Outputs safe, read back."
    } else {
        "OUTPUTS NOT CONFIRMED SAFE. Shut off air and power by hand."
    };
    say::out(&format!("{}.{trial}  {safe}", content.summary()));
}

fn row(content: &Content<'_>, position: &tripbench_record::PositionRecord) -> [String; 7] {
    let (decided, found, allowed) = match (&position.set_aside, content.decided_by(position)) {
        (Some(aside), _) => {
            (aside.why.to_string(), format!("{:.1} s", aside.at.seconds()), content.style.level(aside.level))
        }
        (None, _) if position.verdict == tripbench_record::Verdict::Aborted => {
            (String::from("stopped"), String::new(), String::new())
        }
        (None, Some(check)) => {
            let row = content.row(check);
            let bar = margin_bar_text(row.place);
            (row.name, format!("{} ± {}", row.value, row.uncertainty), format!("{} {bar}", row.limits))
        }
        (None, None) => first_figures(content, position),
    };
    let word = if position.set_aside.is_some() { "SET ASIDE" } else { position.verdict.word() };
    [
        position.number.to_string(),
        position.serial.clone(),
        word.to_owned(),
        decided,
        found,
        allowed.trim_end().to_owned(),
        advice(position, content.style),
    ]
}

/// Where nothing was judged: the first level that was found.
fn first_figures(
    content: &Content<'_>,
    position: &tripbench_record::PositionRecord,
) -> (String, String, String) {
    let found = position.checks.iter().find(|check| check.measured.is_some());
    found.map_or_else(Default::default, |check| {
        let row = content.row(check);
        (row.name, format!("{} ± {}", row.value, row.uncertainty), String::from("no limits"))
    })
}

fn line(cells: &[String; 7], widths: &[usize], verdict: Option<tripbench_record::Verdict>) -> String {
    let mut text = String::from("  ");
    for (column, (cell, width)) in cells.iter().zip(widths).enumerate() {
        let padded = match verdict.filter(|_| column == 2) {
            Some(verdict) => say::verdict(verdict, cell, *width),
            None => format!("{cell:<width$}"),
        };
        text.push_str(&padded);
        text.push_str("  ");
    }
    text.trim_end().to_owned()
}
