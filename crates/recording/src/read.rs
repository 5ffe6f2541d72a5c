//! Recordings from other systems: the CSV file of a logger or controller, read with a column map. Rows may be unevenly spaced and have
//! gaps.

use jiff::Timestamp;
use jiff::civil::DateTime;
use thiserror::Error;
use tripbench_quantity::{PressureUnit, TimeSpan};
use tripbench_sheet::{At, Reader, words};

words! {
    /// Format of the time column.
    pub enum TimeForm {
        /// Date and time, such as `2026-11-25 07:00:00.5`, or with `T` as separator.
        DateTime = "date-time",
        /// Seconds since an arbitrary moment.
        Seconds = "seconds",
        /// Milliseconds since an arbitrary moment.
        Milliseconds = "milliseconds",
    }
}

/// Meaning of the columns of a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct ColumnMap {
    /// Name and format of the time column.
    pub time: (At<String>, TimeForm),
    /// Name and unit of the level column.
    pub level: (At<String>, PressureUnit),
    /// Smallest step of the level, in the unit of its column; 0 if unknown.
    pub resolution: f64,
    /// Columns with signals of two states.
    pub signals: Vec<SignalColumn>,
    /// Separator between two columns.
    pub separator: u8,
    /// Decimal separator.
    pub decimal: char,
    /// Rows farther apart than this are a gap; `None` stands for five times the usual interval.
    pub longest_gap: Option<TimeSpan>,
}

/// A column with a signal of two states.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalColumn {
    /// Name of the signal in the report.
    pub name: String,
    /// Name of the column.
    pub column: At<String>,
    /// Values above this are high.
    pub threshold: f64,
    /// Whether the signal is on when low.
    pub active_low: bool,
}

impl ColumnMap {
    /// Reads a column map.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let time = reader.table("time", "the time", |table| {
            let column = table.required::<String>("column", "name of the column");
            let form = table.or("form", "date-time, seconds or milliseconds", TimeForm::DateTime);
            Some((column?, form?.value))
        });
        let level = reader.table("level", "the level or pressure", |table| {
            let column = table.required::<String>("column", "name of the column");
            let unit = table.required::<PressureUnit>("unit", "its unit, such as \"kPa\" or \"bar\"");
            let resolution = table.or("resolution", "its smallest step, in its unit", 0.0);
            let resolution =
                table.tested(resolution, "0 or more", |step: &f64| step.is_finite() && *step >= 0.0);
            Some((column?, unit?.value, resolution?.value))
        });
        let signals = reader.tables("signal", "a signal of two states", |table| {
            let name = table.required::<String>("name", "how it is called in the report");
            let column = table.required::<String>("column", "name of the column");
            let threshold = table.or("threshold", "values above this are high", 0.5);
            let low = table.or("active_low", "whether it is on when low", false);
            Some(SignalColumn {
                name: name?.value,
                column: column?,
                threshold: threshold?.value,
                active_low: low?.value,
            })
        });
        let separator =
            reader.or("separator", "separator between columns: \",\", \";\" or \"tab\"", String::from(","));
        let separator =
            reader.tested(separator, "\",\", \";\" or \"tab\"", |text: &String| separator_of(text).is_some());
        let decimal = reader.or("decimal", "decimal separator: \".\" or \",\"", String::from("."));
        let decimal = reader.tested(decimal, "\".\" or \",\"", |text: &String| text == "." || text == ",");
        let gap = reader.optional::<TimeSpan>("longest_gap", "rows farther apart than this are a gap");
        let (level_column, unit, resolution) = level?;
        Some(Self {
            time: time?,
            level: (level_column, unit),
            resolution,
            signals: signals?,
            separator: separator_of(&separator?.value)?,
            decimal: decimal?.value.chars().next()?,
            longest_gap: gap?.map(|gap| gap.value),
        })
    }
}

fn separator_of(text: &str) -> Option<u8> {
    match text {
        "," => Some(b','),
        ";" => Some(b';'),
        "tab" => Some(b'\t'),
        _ => None,
    }
}

/// A recording as read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Recording {
    /// Seconds since the first row.
    pub times_s: Vec<f64>,
    /// Level or pressure of each row, pascal.
    pub levels_pa: Vec<f64>,
    /// Name of each signal, and its state in each row.
    pub signals: Vec<(String, Vec<bool>)>,
    /// Number of rows skipped because a cell was empty.
    pub left_out: u64,
}

/// Why a recording cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum RecordingError {
    /// A column is missing.
    #[error("there is no column `{wanted}`; the file has {there}")]
    NoColumn {
        /// The name in the column map.
        wanted: String,
        /// The names in the file.
        there: String,
    },
    /// Two columns have the same name.
    #[error("two columns are called `{wanted}`: give one of them another name")]
    TwoColumns {
        /// The name in the column map.
        wanted: String,
    },
    /// A cell has an invalid value.
    #[error("line {line}, column `{column}`: `{value}` is not {allowed}")]
    Cell {
        /// Line of the file, from 1.
        line: u64,
        /// Name of the column.
        column: String,
        /// The value of the cell.
        value: String,
        /// What is allowed.
        allowed: &'static str,
    },
    /// The time goes backwards.
    #[error("line {line}: the time goes back by {by_s} s; was a clock set, or did summer time end?")]
    TimeGoesBack {
        /// Line of the file, from 1.
        line: u64,
        /// By how much, seconds.
        by_s: String,
    },
    /// The text is not a valid table.
    #[error("line {line}: {why}")]
    Table {
        /// Line of the file, from 1.
        line: u64,
        /// What is wrong.
        why: String,
    },
    /// The recording has too few rows.
    #[error("{rows} rows; at least two are needed")]
    TooFew {
        /// Number of complete rows.
        rows: usize,
    },
}

impl Recording {
    /// Reads CSV text with a header row (RFC 4180, with the separator of the map).
    ///
    /// # Errors
    /// If the table is malformed, a column is missing or ambiguous, a cell has an invalid value, the time goes backwards, or there are
    /// fewer than two complete rows.
    pub fn from_csv(map: &ColumnMap, text: &str) -> Result<Self, RecordingError> {
        let text = text.trim_start_matches('\u{feff}');
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(map.separator)
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let head = reader.headers().map_err(|error| table_error(&error))?.clone();
        let index = |name: &At<String>| {
            let mut found = head.iter().enumerate().filter(|(_, there)| *there == name.value);
            match (found.next(), found.next()) {
                (Some((index, _)), None) => Ok(index),
                (Some(_), Some(_)) => Err(RecordingError::TwoColumns { wanted: name.value.clone() }),
                (None, _) => {
                    Err(RecordingError::NoColumn { wanted: name.value.clone(), there: columns_there(&head) })
                }
            }
        };
        let (time, level) = (index(&map.time.0)?, index(&map.level.0)?);
        let columns =
            map.signals.iter().map(|signal| index(&signal.column)).collect::<Result<Vec<_>, _>>()?;
        let mut recording = Self {
            signals: map.signals.iter().map(|signal| (signal.name.clone(), Vec::new())).collect(),
            ..Self::default()
        };
        let mut start_s = None;
        for row in reader.records() {
            let row = row.map_err(|error| table_error(&error))?;
            let cell = Cells { map, head: &head, row: &row };
            if [time, level].iter().any(|index| row.get(*index).is_none_or(str::is_empty))
                || columns.iter().any(|index| row.get(*index).is_none_or(str::is_empty))
            {
                recording.left_out += 1;
                continue;
            }
            let at_s = cell.time(time)?;
            let since_s = at_s - *start_s.get_or_insert(at_s);
            if let Some(last_s) = recording.times_s.last().filter(|last_s| **last_s > since_s) {
                let by_s = format!("{:.3}", last_s - since_s);
                return Err(RecordingError::TimeGoesBack { line: cell.line(), by_s });
            }
            recording.times_s.push(since_s);
            recording.levels_pa.push(cell.number(level)? * map.level.1.pascal());
            for (((_, states), index), signal) in recording.signals.iter_mut().zip(&columns).zip(&map.signals)
            {
                states.push((cell.state(*index)? > signal.threshold) != signal.active_low);
            }
        }
        if recording.times_s.len() < 2 {
            return Err(RecordingError::TooFew { rows: recording.times_s.len() });
        }
        Ok(recording)
    }
}

/// The columns of a header row, with a hint if the wrong separator was used.
fn columns_there(head: &csv::StringRecord) -> String {
    let all = head.iter().collect::<Vec<_>>().join(", ");
    let other = [';', '\t', ','].into_iter().find(|other| head.len() == 1 && all.contains(*other));
    let hint =
        other.map(|other| format!(": only one column; should `separator` in the column map be {other:?}?"));
    all + &hint.unwrap_or_default()
}

fn table_error(error: &csv::Error) -> RecordingError {
    let line = error.position().map_or(1, csv::Position::line);
    RecordingError::Table { line, why: error.to_string() }
}

/// The cells of one row.
struct Cells<'c> {
    map: &'c ColumnMap,
    head: &'c csv::StringRecord,
    row: &'c csv::StringRecord,
}

impl Cells<'_> {
    fn line(&self) -> u64 {
        self.row.position().map_or(0, csv::Position::line)
    }

    fn bad(&self, index: usize, allowed: &'static str) -> RecordingError {
        RecordingError::Cell {
            line: self.line(),
            column: self.head.get(index).unwrap_or_default().to_owned(),
            value: self.row.get(index).unwrap_or_default().to_owned(),
            allowed,
        }
    }

    fn number(&self, index: usize) -> Result<f64, RecordingError> {
        let text = self.row.get(index).unwrap_or_default();
        let comma = self.map.decimal == ',';
        if comma && text.contains('.') {
            return Err(self.bad(index, "a number with a decimal comma and no thousands separators"));
        }
        let text = if comma { text.replace(',', ".") } else { text.to_owned() };
        let value = text.parse().ok().filter(|value: &f64| value.is_finite());
        let allowed = if !comma && text.contains(',') {
            "a number with a decimal point; for a decimal comma set `decimal = \",\"` in the column map"
        } else {
            "a number"
        };
        value.ok_or_else(|| self.bad(index, allowed))
    }

    /// A number, or `on`, `off`, `true` or `false` as 1 or 0.
    fn state(&self, index: usize) -> Result<f64, RecordingError> {
        match self.row.get(index).unwrap_or_default().to_ascii_lowercase().as_str() {
            "true" | "on" => Ok(1.0),
            "false" | "off" => Ok(0.0),
            _ => self.number(index).map_err(|_| self.bad(index, "a number, on, off, true or false")),
        }
    }

    fn time(&self, index: usize) -> Result<f64, RecordingError> {
        match self.map.time.1 {
            TimeForm::Seconds => self.number(index),
            TimeForm::Milliseconds => Ok(self.number(index)? / 1e3),
            TimeForm::DateTime => {
                let text = self.row.get(index).unwrap_or_default();
                // With a zone or an offset this is an instant; without one it is local wall-clock time.
                if let Ok(moment) = text.parse::<Timestamp>() {
                    return Ok(moment.duration_since(Timestamp::UNIX_EPOCH).as_secs_f64());
                }
                let moment: DateTime = text
                    .parse()
                    .map_err(|_| self.bad(index, "a date and time such as 2026-11-25 07:00:00"))?;
                Ok(moment.duration_since(DateTime::constant(1970, 1, 1, 0, 0, 0, 0)).as_secs_f64())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use tripbench_sheet::{Findings, Source, read_sheet};

    fn map(more: &str) -> ColumnMap {
        let text = format!(
            "{more}\n[time]\ncolumn = \"t\"\nform = \"seconds\"\n[level]\ncolumn = \"p\"\nunit = \"bar\"\n[[signal]]\nname = \"load\"\ncolumn = \"s\"\nactive_low = true\n"
        );
        read_sheet(&Source::new("map.toml", text), &Findings::new(), ColumnMap::read).expect("a map")
    }

    #[test]
    fn rows_in_any_interval_are_read_and_empty_cells_are_left_out() {
        let text = "p,t,s\n1.5,0,1\n,1,1\n1.25,3.5,0\n";
        let found = Recording::from_csv(&map(""), text).expect("a recording");
        assert_eq!(found.times_s, [0.0, 3.5]);
        assert_eq!(found.levels_pa, [150_000.0, 125_000.0]);
        assert_eq!(found.signals[0].1, [false, true]);
        assert_eq!(found.left_out, 1);
    }

    #[test]
    fn a_comma_may_stand_before_the_decimals() {
        let map = map("separator = \";\"\ndecimal = \",\"");
        let found = Recording::from_csv(&map, "t;p;s\n0,5;1,5;0\n1;2;1\n").expect("a recording");
        assert_eq!((found.times_s[1], found.levels_pa[0]), (0.5, 150_000.0));
    }

    #[rstest]
    #[case("t,q,s\n0,1,0\n1,1,0\n", "there is no column `p`; the file has t, q, s")]
    #[case("t,p,s\n0,1,0\n1,high,0\n", "line 3, column `p`: `high` is not a number")]
    #[case("t,p,s\n0,NaN,0\n1,1,0\n", "line 2, column `p`: `NaN` is not a number")]
    #[case("t,p,s\n5,1,0\n4,1,0\n", "line 3: the time goes back by 1.000 s")]
    #[case("t,p,s\n5,1,0\n", "1 rows; at least two are needed")]
    #[case("t,p,s\n5,1\n6,1,0\n", "line 2")]
    #[case("t,p,p,s\n5,1,1,0\n", "two columns are called `p`")]
    #[case("t,p,s\n5,on,0\n", "line 2, column `p`: `on` is not a number")]
    fn what_is_wrong_is_named(#[case] text: &str, #[case] expected: &str) {
        let said = Recording::from_csv(&map(""), text).expect_err("an error").to_string();
        assert!(said.contains(expected), "{said}");
    }
}
