//! The table at the end of a run: what a technician needs to know about each position.

use crate::say::{self, Line};
use tripbench_quantity::LevelStyle;
use tripbench_record::Record;
use tripbench_report::{Content, advice, margin_bar_text, summary, verdict_text};
use tripbench_sheet::shown_in_line;

/// Number of columns. On a narrow terminal the last one moves below the table; on a narrower one all columns after the verdict.
/// Quantities that were not checked stay in the verdict's cell.
const COLUMNS: usize = 7;
/// Index of the verdict column.
const VERDICT: usize = 2;
const HEADS: [&str; COLUMNS] = ["pos", "serial", "verdict", "decided by", "found", "allowed", "do next"];

/// Prints the table, the summary and whether the rig is safe.
pub(crate) fn print(record: &Record, style: LevelStyle) {
    for line in lines(record, &Content::of(record, style), terminal_width()) {
        say::line(&line);
    }
    closing(record, style);
}

/// Lines of the table for a terminal of `room` columns, and below it what does not fit.
fn lines(record: &Record, content: &Content<'_>, room: usize) -> Vec<Line> {
    let positions = &record.positions;
    let mut rows: Vec<[String; COLUMNS]> = positions.iter().map(|position| row(content, position)).collect();
    let shown = fit(&mut rows, room);
    let widths = widths(&rows);
    let mut all = vec![Line::default(), line(&HEADS.map(String::from)[..shown], &widths, None)];
    for (position, row) in positions.iter().zip(&rows) {
        all.push(line(&row[..shown], &widths, Some(position.verdict)));
    }
    all.push(Line::default());
    for (position, row) in positions.iter().zip(&rows) {
        all.extend(below(row, shown).map(|text| format!("  Position {}, {text}.", position.number).into()));
        let undecided = position.verdict == tripbench_record::Verdict::Undecided;
        let why = content.decided_by(position).filter(|_| undecided).and_then(|check| check.remark.as_ref());
        all.extend(why.map(|why| format!("  Position {}, why: {why}", position.number).into()));
    }
    for position in positions {
        let others = content.also_failed(position);
        all.extend(others.into_iter().map(|other| format!("  Position {}: {other}", position.number).into()));
    }
    all
}

/// Number of columns that fit. If even those up to the limits do not, the bar is dropped: it only repeats the figures.
fn fit(rows: &mut [[String; COLUMNS]], room: usize) -> usize {
    let needed = |rows: &[[String; COLUMNS]], columns: usize| {
        widths(rows)[..columns].iter().map(|width| width + 2).sum::<usize>() + 2
    };
    if needed(rows, COLUMNS) <= room {
        return COLUMNS;
    }
    if needed(rows, COLUMNS - 1) > room {
        for row in rows.iter_mut() {
            let figures = row[5].find(" [").unwrap_or(row[5].len());
            row[5].truncate(figures);
        }
    }
    if needed(rows, COLUMNS - 1) <= room { COLUMNS - 1 } else { VERDICT + 1 }
}

/// The cells of a row that go below the table.
fn below(row: &[String; COLUMNS], shown: usize) -> impl Iterator<Item = String> {
    let figures = [&row[3], &row[4], &row[5]].into_iter().filter(|cell| !cell.is_empty());
    let figures: Vec<String> = figures.cloned().collect();
    let decided = (shown <= VERDICT + 1 && !figures.is_empty())
        .then(|| format!("{}: {}", HEADS[3], figures.join(", ")));
    let next = (shown < COLUMNS && !row[6].is_empty()).then(|| format!("{}: {}", HEADS[6], row[6]));
    decided.into_iter().chain(next)
}

/// Prints the result of a rig check: each figure with its limit, then what the rig can decide.
pub(crate) fn print_rig(record: &Record, style: LevelStyle) {
    let content = Content::of(record, style);
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
        say::out("What this rig can decide, according to its sheet:");
        record.header.abilities.iter().for_each(|line| say::out(&format!("  - {line}")));
        say::out("");
    }
    closing(record, style);
}

/// Width of each column.
fn widths(rows: &[[String; COLUMNS]]) -> Vec<usize> {
    let width = |(column, head): (usize, &&str)| {
        rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0).max(head.len())
    };
    HEADS.iter().enumerate().map(width).collect()
}

fn closing(record: &Record, style: LevelStyle) {
    if let Some(halt) = &record.halted {
        say::out(&format!("Stopped early: {halt}."));
    }
    let header = &record.header;
    header.warnings.iter().for_each(|warning| say::out(&format!("WARNING: {warning}")));
    if header.module.is_some() {
        say::out(&Content::of(record, style).module());
    }
    say::out(&one_line(record, style));
}

/// The outcome in one line.
pub(crate) fn one_line(record: &Record, style: LevelStyle) -> String {
    let content = Content::of(record, style);
    let trial = if record.header.trial { "TRIAL: a sheet is a draft." } else { "" };
    let safe = if record.safe_confirmed {
        "Outputs safe, read back."
    } else if record.header.simulated && !record.header.is_at_simulator() {
        // A rehearsal: there are no outputs.
        "The rehearsal ended before its outputs were safe."
    } else {
        "OUTPUTS NOT CONFIRMED SAFE. Shut off air and power by hand."
    };
    let counted = format!("{}.", summary(record));
    let said = [&counted, &content.attempt(), trial, content.simulated()];
    let said: Vec<&str> = said.into_iter().filter(|text| !text.is_empty()).collect();
    format!("{}  {safe}", said.join(" "))
}

/// Columns of the terminal; a large number if the output is not a terminal.
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
    [
        position.number.to_string(),
        position.serial.clone(),
        verdict_text(position),
        decided,
        found,
        allowed.trim_end().to_owned(),
        advice(position, content.style),
    ]
    // Before the columns are measured: an escape is wider than what it stands for.
    .map(|cell| shown_in_line(&cell).into_owned())
}

/// A value with its uncertainty, or a dash.
fn figure(value: &str, uncertainty: &str) -> String {
    if uncertainty.is_empty() { value.to_owned() } else { format!("{value} ± {uncertainty}") }
}

/// The first level found, where nothing was judged.
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

fn line(cells: &[String], widths: &[usize], verdict: Option<tripbench_record::Verdict>) -> Line {
    let mut line = Line::default().add("  ");
    for (column, (cell, width)) in cells.iter().zip(widths).enumerate() {
        line = match verdict.filter(|_| column == VERDICT) {
            Some(verdict) => line.verdict(verdict, cell, *width),
            None => line.add(&format!("{cell:<width$}")),
        };
        line = line.add("  ");
    }
    line.trimmed()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn row() -> [String; COLUMNS] {
        let verdict = "PASS, not checked: selected delay, bounce";
        ["1", "7731-017", verdict, "cut-off", "70.47 kPa ± 0.26 kPa", "68.90 … 71.10 kPa [=====o=]", ""]
            .map(String::from)
    }

    #[rstest]
    #[case::wide(usize::MAX, COLUMNS)]
    #[case::all_but_the_next(126, COLUMNS - 1)]
    #[case::without_the_bar(115, COLUMNS - 1)]
    #[case::narrow(80, VERDICT + 1)]
    fn what_was_not_checked_stays_in_the_cell_of_the_verdict(#[case] room: usize, #[case] columns: usize) {
        let mut rows = [row()];
        let shown = fit(&mut rows, room);
        assert_eq!(shown, columns);
        let text = line(&rows[0][..shown], &widths(&rows), None);
        let text = text.text();
        assert!(text.contains("PASS, not checked: selected delay, bounce"), "{text}");
        assert!(text.chars().count() <= room, "{text}");
    }

    /// In a cell, in the verdict's cell, and below the table.
    #[test]
    fn an_escape_in_a_serial_number_is_shown() {
        let evil = "\u{1b}[32mPASS\u{202e}";
        let cells = row().map(|cell| cell.replace("7731-017", evil));
        let shown = line(&cells, &[0; COLUMNS], Some(tripbench_record::Verdict::Fail));
        let own = shown.text().replace("\u{1b}[1;31m", "").replace("\u{1b}[0m", "");
        assert!(own.contains("\\u{1b}[32mPASS\\u{202e}") && !own.contains('\u{1b}'), "{own:?}");
        assert_eq!(Line::from(format!("Position 1: {evil}")).text(), "Position 1: \\u{1b}[32mPASS\\u{202e}");
    }

    #[test]
    fn what_does_not_fit_stands_below() {
        let mut rows = [row()];
        let shown = fit(&mut rows, 80);
        let texts: Vec<String> = below(&rows[0], shown).collect();
        assert_eq!(texts, ["decided by: cut-off, 70.47 kPa ± 0.26 kPa, 68.90 … 71.10 kPa"]);
    }
}
