//! The table at the end: what a technician needs to know of each position.

use crate::say;
use tripbench_quantity::LevelStyle;
use tripbench_record::Record;
use tripbench_report::{Content, advice, margin_bar_text};

/// Columns of the table; the last one moves below it where the terminal is too narrow.
const COLUMNS: usize = 7;

/// Prints the table, the summary and whether the rig is safe.
pub(crate) fn print(record: &Record, style: LevelStyle) {
    let content = Content { record, style };
    let heads = ["pos", "serial", "verdict", "decided by", "found", "allowed", "do next"].map(String::from);
    let mut rows: Vec<[String; COLUMNS]> =
        record.positions.iter().map(|position| row(&content, position)).collect();
    let (mut widths, room) = (widths(&heads, &rows), terminal_width());
    let needed =
        |widths: &[usize], columns: usize| widths[..columns].iter().map(|width| width + 2).sum::<usize>() + 2;
    let shown = if needed(&widths, COLUMNS) > room { COLUMNS - 1 } else { COLUMNS };
    if needed(&widths, shown) > room {
        // The bar says again what the figures say.
        for row in &mut rows {
            let figures = row[5].find(" [").unwrap_or(row[5].len());
            row[5].truncate(figures);
        }
        widths = self::widths(&heads, &rows);
    }
    say::out("");
    say::out(&line(&heads[..shown], &widths, None));
    for (position, row) in record.positions.iter().zip(&rows) {
        say::out(&line(&row[..shown], &widths, Some(position.verdict)));
    }
    say::out("");
    for (position, row) in
        record.positions.iter().zip(&rows).filter(|(_, row)| shown < COLUMNS && !row[shown].is_empty())
    {
        say::out(&format!("  Position {}, do next: {}.", position.number, row[shown]));
    }
    for position in &record.positions {
        for other in content.also_failed(position) {
            say::out(&format!("  Position {}: {other}", position.number));
        }
    }
    closing(&content);
}

/// Prints what a rig check found: each figure with its limit, then what the rig can decide.
pub(crate) fn print_rig(record: &Record, style: LevelStyle) {
    let content = Content { record, style };
    say::out("");
    for check in &record.rig_checks {
        let row = content.row(check);
        let figure = if row.value == "–" { String::new() } else { figure(&row.value, &row.uncertainty) };
        let limits = if row.limits == "–" { String::new() } else { format!("({})", row.limits) };
        say::out(&format!("  {:<34} {figure:<26} {limits:<24} {}", row.name, row.word));
        if !row.remark.is_empty() {
            say::out(&format!("      {}", row.remark));
        }
    }
    say::out("");
    if !record.header.abilities.is_empty() {
        say::out("What this rig can decide, as its sheet has it:");
        record.header.abilities.iter().for_each(|line| say::out(&format!("  - {line}")));
        say::out("");
    }
    closing(&content);
}

/// Width of each column.
fn widths(heads: &[String; COLUMNS], rows: &[[String; COLUMNS]]) -> Vec<usize> {
    let width =
        |column: usize| rows.iter().chain([heads]).map(|row| row[column].chars().count()).max().unwrap_or(0);
    (0..COLUMNS).map(width).collect()
}

fn closing(content: &Content<'_>) {
    if let Some(halt) = &content.record.halted {
        say::out(&format!("Stopped early: {halt}."));
    }
    say::out(&one_line(content.record, content.style));
}

/// How it ended, in one line.
pub(crate) fn one_line(record: &Record, style: LevelStyle) -> String {
    let trial = if record.header.trial { " TRIAL: a sheet is a draft." } else { "" };
    let safe = if record.safe_confirmed {
        "Outputs safe, read back."
    } else {
        "OUTPUTS NOT CONFIRMED SAFE. Shut off air and power by hand."
    };
    format!("{}.{trial}  {safe}", Content { record, style }.summary())
}

/// Columns of the terminal; plenty where there is none.
fn terminal_width() -> usize {
    let terminal = console::Term::stdout();
    if terminal.is_term() { usize::from(terminal.size().1) } else { usize::MAX }
}

fn row(content: &Content<'_>, position: &tripbench_record::PositionRecord) -> [String; COLUMNS] {
    let (decided, found, allowed) = match (&position.set_aside, content.decided_by(position)) {
        (Some(aside), _) => (
            aside.why.to_string(),
            format!("at {:.1} s, {}", aside.at.seconds(), content.style.level(aside.level)),
            String::new(),
        ),
        (None, _) if position.verdict == tripbench_record::Verdict::Aborted => {
            (String::from("stopped"), String::new(), String::new())
        }
        (None, Some(check)) => {
            let row = content.row(check);
            let bar = margin_bar_text(row.place);
            let found = figure(&row.value, &row.uncertainty);
            (row.name, found, format!("{} {bar}", row.limits))
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

/// A value with its uncertainty, or a dash.
fn figure(value: &str, uncertainty: &str) -> String {
    if uncertainty.is_empty() { value.to_owned() } else { format!("{value} ± {uncertainty}") }
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

fn line(cells: &[String], widths: &[usize], verdict: Option<tripbench_record::Verdict>) -> String {
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
