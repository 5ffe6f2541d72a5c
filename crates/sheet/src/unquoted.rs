//! A value without quotes that is no TOML: a number with a comma, or one with its unit.

use tripbench_quantity::{CommaReadings, comma_readings};

/// What to write instead of the value around a syntax error; `None` if it is no number with a comma or a unit.
pub(crate) fn unquoted(text: &str, error: usize) -> Option<String> {
    let start = text.get(..error)?.rfind('\n').map_or(0, |at| at + 1);
    let line = text[start..].lines().next()?;
    let equals = line.get(..error - start)?.rfind('=')?;
    let key = line[..equals].rsplit(['{', ',']).next()?.trim();
    let (number, unit) = number_and_unit(line[equals + 1..].trim_start())?;
    let read = comma_readings(number);
    let CommaReadings { decimal, thousands } = match read {
        Some(read) => read,
        None if unit.is_empty() => return None,
        None => CommaReadings { decimal: Some(number.to_owned()), thousands: None },
    };
    let written = |number: &String| {
        if unit.is_empty() { format!("`{key} = {number}`") } else { format!("`{key} = \"{number} {unit}\"`") }
    };
    let forms = match (&decimal, &thousands) {
        (Some(decimal), Some(thousands)) => {
            format!("{}, or {} if the comma separates thousands", written(decimal), written(thousands))
        }
        (Some(one), None) | (None, Some(one)) => written(one),
        (None, None) => return None,
    };
    if !unit.is_empty() {
        return Some(format!("write {forms}"));
    }
    let number = decimal.or(thousands)?;
    Some(format!("write `{key} = \"{number} UNIT\"` with its unit; if it has none, {forms}"))
}

/// A number that may have commas, and the unit behind it, which may be empty; `None` if something else follows, or there is no number.
fn number_and_unit(value: &str) -> Option<(&str, &str)> {
    let unsigned = value.trim_start_matches(['-', '+']);
    let sign = value.len() - unsigned.len();
    let is_number = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',');
    let digits = unsigned.find(|c| !is_number(c)).unwrap_or(unsigned.len());
    let number = value[..sign + digits].trim_end_matches(',');
    let rest = &value[number.len()..];
    let is_unit = |c: char| c.is_ascii_alphanumeric() || matches!(c, '%' | '/' | ' ');
    let end = rest.find(|c| !is_unit(c)).unwrap_or(rest.len());
    let unit = rest[..end].trim();
    let ends = rest[end..].is_empty() || rest[end..].starts_with(['#', ',', '}', ']', '\t', '\r']);
    let is_one = unit.is_empty() || unit.starts_with(|c: char| c.is_ascii_alphabetic() || c == '%');
    (number.contains(|c: char| c.is_ascii_digit()) && ends && is_one).then_some((number, unit))
}
