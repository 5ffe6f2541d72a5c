//! Parsing of a quantity: a number followed by its unit.

use crate::comma::comma_error;
use crate::{Quantity, Unit};
use thiserror::Error;

/// Error of parsing a quantity.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ParseQuantityError {
    /// The text does not start with a number.
    #[error("expected {} such as `{example}`, found `{text}`", one(what))]
    NoNumber {
        /// Name of the kind of quantity.
        what: &'static str,
        /// Example of such a quantity.
        example: &'static str,
        /// The text.
        text: String,
    },
    /// The number has no unit.
    #[error("{} needs a unit, such as `{number} {unit}`; expected one of {allowed}", one(what))]
    NoUnit {
        /// Name of the kind of quantity.
        what: &'static str,
        /// The number as written.
        number: String,
        /// A usual unit.
        unit: &'static str,
        /// The units that are allowed.
        allowed: String,
    },
    /// The unit does not belong to this kind of quantity.
    #[error("`{found}` is not a unit of {}; expected one of {allowed}", one(what))]
    UnknownUnit {
        /// Name of the kind of quantity.
        what: &'static str,
        /// The unit as written.
        found: String,
        /// The units that are allowed.
        allowed: String,
    },
    /// The number has a comma.
    #[error("the decimal sign is a point{advice}, found `{text}`{why}")]
    Comma {
        /// The text.
        text: String,
        /// What to write, behind its sign; empty if that is unknown.
        advice: String,
        /// What else is wrong, behind its sign; may be empty.
        why: String,
    },
    /// The value is negative, but its kind has no sign.
    #[error("{} cannot be below zero here, found `{text}`{hint}", one(what))]
    Negative {
        /// Name of the kind of quantity.
        what: &'static str,
        /// The text.
        text: String,
        /// How to write what was probably meant; may be empty.
        hint: String,
    },
    /// The value is not finite.
    #[error("`{text}` is not a finite number")]
    NotFinite {
        /// The text.
        text: String,
    },
}

/// A kind of quantity with its article.
pub fn one(what: &str) -> String {
    let article = if what.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" };
    format!("{article} {what}")
}

/// Parses a quantity: a decimal number and its unit, with or without a space between them.
/// A vacuum level may also be written as a gauge pressure: `-60 kPa gauge`.
///
/// # Errors
/// If the number or the unit is missing, the unit is unknown, the value is not finite, or it is negative and the kind has no sign.
///
/// ```
/// use tripbench_quantity::{parse_quantity, VacuumLevel};
/// assert_eq!(parse_quantity::<VacuumLevel>("62 kPa"), Ok(VacuumLevel::new(62_000.0)));
/// assert_eq!(parse_quantity::<VacuumLevel>("-62 kPa gauge"), Ok(VacuumLevel::new(62_000.0)));
/// assert!(parse_quantity::<VacuumLevel>("62").is_err());
/// ```
pub fn parse_quantity<Q: Quantity>(text: &str) -> Result<Q, ParseQuantityError> {
    let trimmed = text.trim();
    let (number, rest) = split_number(trimmed);
    let what = Q::WHAT;
    let value: f64 = number.parse().map_err(|_| ParseQuantityError::NoNumber {
        what,
        example: Q::EXAMPLE,
        text: trimmed.to_owned(),
    })?;
    if let Some(error) = comma_error(trimmed, written::<Q>).filter(|_| rest.starts_with([',', '.'])) {
        return Err(error);
    }
    let (symbol, gauge) = sense::<Q>(rest.trim());
    if symbol.is_empty() {
        let unit = Q::EXAMPLE.rsplit(' ').next().unwrap_or_default();
        return Err(ParseQuantityError::NoUnit {
            what,
            number: number.to_owned(),
            unit,
            allowed: allowed::<Q>(),
        });
    }
    let factor = find_unit::<Q>(symbol)?.factor;
    let si = if gauge { -value * factor } else { value * factor };
    if !si.is_finite() {
        return Err(ParseQuantityError::NotFinite { text: trimmed.to_owned() });
    }
    if si < 0.0 && !Q::SIGNED {
        let hint = negative_hint::<Q>(number, symbol, gauge);
        return Err(ParseQuantityError::Negative { what, text: trimmed.to_owned(), hint });
    }
    Ok(Q::from_si(si + 0.0))
}

/// A reading of a number with a comma as it is written, or what is wrong with it.
fn written<Q: Quantity>(reading: &str) -> Result<String, String> {
    let with_unit = corrected::<Q>(reading);
    let reading = with_unit.as_deref().unwrap_or(reading);
    match parse_quantity::<Q>(reading) {
        Ok(_) => Ok(format!("`{reading}`")),
        Err(ParseQuantityError::Negative { hint, .. }) if hint.contains("write ") => {
            Ok(hint.rsplit_once("write ").map_or(String::new(), |(_, forms)| forms.to_owned()))
        }
        Err(error) => Err(error.to_string()),
    }
}

/// A quantity whose unit differs from a known one only in upper and lower case, with that unit.
pub(crate) fn corrected<Q: Quantity>(text: &str) -> Option<String> {
    let (number, rest) = split_number(text);
    let rest = rest.trim();
    let (symbol, _) = sense::<Q>(rest);
    let behind = rest[symbol.len()..].trim();
    let gap = if behind.is_empty() { "" } else { " " };
    let alike: Vec<&Unit> =
        Q::units().iter().filter(|unit| unit.symbol.eq_ignore_ascii_case(symbol)).collect();
    match alike[..] {
        [unit] if unit.symbol != symbol => Some(format!("{number} {}{gap}{behind}", unit.symbol)),
        _ => None,
    }
}

/// Unit without the word "gauge" or "vacuum" that may follow that of a level, and whether the value is a gauge pressure.
fn sense<Q: Quantity>(rest: &str) -> (&str, bool) {
    if Q::WHAT != "vacuum level" {
        return (rest, false);
    }
    match (rest.strip_suffix("gauge"), rest.strip_suffix("vacuum")) {
        (Some(symbol), _) => (symbol.trim_end(), true),
        (_, Some(symbol)) => (symbol.trim_end(), false),
        (None, None) => (rest, false),
    }
}

fn negative_hint<Q: Quantity>(number: &str, symbol: &str, gauge: bool) -> String {
    if Q::WHAT != "vacuum level" {
        return String::new();
    }
    let digits = number.trim_start_matches(['-', '+']);
    if gauge {
        format!("; that is above ambient, write `-{digits} {symbol} gauge` for vacuum")
    } else {
        format!("; write `{digits} {symbol}` or `-{digits} {symbol} gauge`")
    }
}

fn find_unit<Q: Quantity>(symbol: &str) -> Result<&'static Unit, ParseQuantityError> {
    Q::units().iter().find(|unit| unit.symbol == symbol).ok_or_else(|| ParseQuantityError::UnknownUnit {
        what: Q::WHAT,
        found: symbol.to_owned(),
        allowed: allowed::<Q>(),
    })
}

/// The units of a kind of quantity, separated by commas.
fn allowed<Q: Quantity>() -> String {
    Q::units().iter().map(|unit| unit.symbol).collect::<Vec<_>>().join(", ")
}

/// Splits a leading decimal number (sign, digits, fraction, exponent) from the rest.
pub(crate) fn split_number(text: &str) -> (&str, &str) {
    let bytes = text.as_bytes();
    let digits = |mut at: usize| {
        while bytes.get(at).is_some_and(u8::is_ascii_digit) {
            at += 1;
        }
        at
    };
    let mut end = usize::from(matches!(bytes.first(), Some(b'-' | b'+')));
    end = digits(end);
    if bytes.get(end) == Some(&b'.') {
        end = digits(end + 1);
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'-' | b'+')));
        let after = digits(end + 1 + sign);
        if after > end + 1 + sign {
            end = after;
        }
    }
    text.split_at(end)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{LevelDifference, TimeSpan, VacuumLevel};
    use proptest::prelude::*;
    use rstest::rstest;

    #[rstest]
    #[case("62 kPa", 62_000.0)]
    #[case("62kPa", 62_000.0)]
    #[case("620 mbar vacuum", 62_000.0)]
    #[case("-0.62 bar gauge", 62_000.0)]
    #[case("18.3 inHg", 18.3 * 3_386.388_640_341)]
    #[case("6.2e4 Pa", 62_000.0)]
    fn levels_are_read_in_every_way_of_writing(#[case] text: &str, #[case] pascal: f64) {
        assert!((parse_quantity::<VacuumLevel>(text).expect(text).si() - pascal).abs() < 1e-9);
    }

    #[rstest]
    #[case("62", "needs a unit")]
    #[case("62 kpa", "not a unit")]
    #[case("-62 kPa", "write `62 kPa` or `-62 kPa gauge`")]
    #[case("62 kPa gauge", "above ambient")]
    #[case("kPa", "expected a vacuum level")]
    #[case("1e999 kPa", "finite")]
    #[case("6,2 kPa", "the decimal sign is a point: write `6.2 kPa`")]
    #[case("0,25 kPa", "the decimal sign is a point: write `0.25 kPa`")]
    #[case("-60,5 kPa gauge", "the decimal sign is a point: write `-60.5 kPa gauge`")]
    #[case("6,2", "the decimal sign is a point, found `6,2`; a vacuum level needs a unit, such as `6.2 kPa`")]
    #[case("6,2 foo", "the decimal sign is a point, found `6,2 foo`; `foo` is not a unit of a vacuum level")]
    #[case("-60,5 kPa", "write `60.5 kPa` or `-60.5 kPa gauge`")]
    #[case("0,25kpa", "write `0.25 kPa`")]
    #[case("1,5e3 Pa", "write `1.5e3 Pa`")]
    #[case("0,250 kPa", "the decimal sign is a point: write `0.250 kPa`, found")]
    #[case("1234,567 Pa", "the decimal sign is a point: write `1234.567 Pa`, found")]
    #[case("1,000 Pa", "write `1.000 Pa`, or `1000 Pa` if the comma separates thousands, found `1,000 Pa`")]
    #[case("60,000 PA", "write `60.000 Pa`, or `60000 Pa` if the comma separates thousands")]
    #[case("-60,000 Pa gauge", "write `-60.000 Pa gauge`, or `-60000 Pa gauge` if the comma")]
    #[case("1,000.5 Pa", "thousands are not separated: write `1000.5 Pa`, found `1,000.5 Pa`")]
    #[case("1.000,25 Pa", "thousands are not separated: write `1000.25 Pa`, found")]
    #[case("1.000.000,5 Pa", "thousands are not separated: write `1000000.5 Pa`, found")]
    #[case("1,000,000 Pa", "thousands are not separated: write `1000000 Pa`, found")]
    #[case("1.2,5 Pa", "`1.2,5 Pa`")]
    #[case("6, kPa", "not a unit")]
    fn wrong_levels_say_what_to_write(#[case] text: &str, #[case] says: &str) {
        let error = parse_quantity::<VacuumLevel>(text).expect_err(text).to_string();
        assert!(error.contains(says), "{error}");
    }

    #[test]
    fn a_difference_is_no_gauge_pressure() {
        assert!(parse_quantity::<LevelDifference>("-1 kPa gauge").is_err());
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused_without_panic(text in "\\PC{0,24}") {
            let _outcome = parse_quantity::<VacuumLevel>(&text).is_ok();
        }

        /// Whatever has a comma: every text in the advice to write it is read, and as one of the two numbers that can be meant.
        #[test]
        fn what_is_said_to_be_written_is_read(
            text in "[-+]?[0-9]{1,7}([.,][0-9]{1,4}){0,3},[0-9]{1,4}([.,][0-9]{1,3})? ?(kPa|kpa|Pa|mbar|MBAR|inHg|foo|)( gauge| vacuum)?",
        ) {
            let said = parse_quantity::<VacuumLevel>(&text).expect_err(&text).to_string();
            let advice = said.split("found `").next().unwrap_or_default();
            let quoted: Vec<&str> = advice.split('`').skip(1).step_by(2).collect();
            let digits = |text: &str| text.chars().filter(char::is_ascii_digit).collect::<String>();
            for written in &quoted {
                prop_assert!(parse_quantity::<VacuumLevel>(written).is_ok(), "{} in: {}", written, said);
                prop_assert_eq!(digits(written), digits(&text), "{}", said);
            }
        }

        /// One comma among digits, as it is written in Germany, and thousands as they are written elsewhere.
        #[test]
        fn both_readings_of_three_digits_are_named(whole in 1_u32..1_000, part in 0_u32..1_000) {
            let said = parse_quantity::<VacuumLevel>(&format!("{whole},{part:03} Pa")).expect_err("a comma").to_string();
            prop_assert!(said.contains(&format!("write `{whole}.{part:03} Pa`, or `{whole}{part:03} Pa`")), "{}", said);
        }

        #[test]
        fn written_times_are_read_back(milliseconds in 0.0..1e6_f64) {
            let read = parse_quantity::<TimeSpan>(&format!("{milliseconds} ms")).expect("time");
            prop_assert!((read.si() * 1e3 - milliseconds).abs() <= 1e-9 * milliseconds.max(1.0));
        }
    }
}
