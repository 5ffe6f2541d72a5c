//! Numbers with a comma: what was probably meant.

use crate::ParseQuantityError;

/// A text that begins with a number with a comma, as a sheet would have it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CommaReadings {
    /// The comma as decimal sign: `2.5 kPa` for `2,5 kPa`.
    pub decimal: Option<String>,
    /// Commas or points between thousands: `1000.5 kPa` for `1,000.5 kPa` and for `1.000,5 kPa`.
    pub thousands: Option<String>,
}

/// The readings of a text that begins with a number with a comma; `None` if it does not begin so.
pub fn comma_readings(text: &str) -> Option<CommaReadings> {
    let unsigned = text.strip_prefix(['-', '+']).unwrap_or(text);
    let sign = &text[..text.len() - unsigned.len()];
    let bytes = unsigned.as_bytes();
    let belongs = |at: usize| {
        bytes[at].is_ascii_digit()
            || matches!(bytes[at], b',' | b'.') && bytes.get(at + 1).is_some_and(u8::is_ascii_digit)
    };
    let end = (0..bytes.len()).find(|at| !belongs(*at)).unwrap_or(bytes.len());
    let (number, rest) = unsigned.split_at(end);
    if !number.contains(',') || !number.starts_with(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let read = |number: String| format!("{sign}{number}{rest}");
    let decimal =
        (number.matches(',').count() == 1 && !number.contains('.')).then(|| number.replace(',', "."));
    let thousands = without_thousands(number, ',', '.').or_else(|| {
        // Points alone separate nothing here: they are decimal signs.
        let (whole, _) = number.split_once(',')?;
        whole.contains('.').then(|| without_thousands(number, '.', ','))?
    });
    Some(CommaReadings { decimal: decimal.map(read), thousands: thousands.map(read) })
}

/// A number without the signs between its thousands; `None` if they do not stand between groups of three digits.
fn without_thousands(number: &str, between: char, decimal: char) -> Option<String> {
    let (whole, part) = match number.split_once(decimal) {
        Some((whole, part)) => (whole, Some(part)),
        None => (number, None),
    };
    let mut groups = whole.split(between);
    let first = groups.next().filter(|first| (1..=3).contains(&first.len()) && !first.starts_with('0'))?;
    let others: Vec<&str> = groups.collect();
    let is_part = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
    if others.iter().any(|group| group.len() != 3) || !part.is_none_or(is_part) {
        return None;
    }
    let part = part.map_or_else(String::new, |part| format!(".{part}"));
    Some(format!("{first}{}{part}", others.concat()))
}

/// The error for a text with a comma, with advice that can be followed: `written` says how a reading is written, or why it cannot be.
pub(crate) fn comma_error(
    text: &str,
    written: impl Fn(&str) -> Result<String, String>,
) -> Option<ParseQuantityError> {
    let readings = comma_readings(text)?;
    let [decimal, thousands] =
        [&readings.decimal, &readings.thousands].map(|one| one.as_deref().map(&written));
    let (advice, why) = match (decimal, thousands) {
        (Some(Ok(decimal)), Some(Ok(thousands))) => {
            (format!(": write {decimal}, or {thousands} if the comma separates thousands"), String::new())
        }
        (Some(Ok(decimal)), _) => (format!(": write {decimal}"), String::new()),
        (None, Some(Ok(thousands))) => {
            (format!(", and thousands are not separated: write {thousands}"), String::new())
        }
        (Some(Err(why)), _) | (None, Some(Err(why))) => (String::new(), format!("; {why}")),
        (None, None) => (String::new(), String::new()),
    };
    Some(ParseQuantityError::Comma { text: text.to_owned(), advice, why })
}
