//! Types of value that a key can have, with the reading and the JSON Schema of each.

#![expect(
    clippy::wildcard_enum_match_arm,
    reason = "every kind of value other than the expected one is the same problem"
)]

use crate::node::{Node, NodeValue};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fmt;
use tripbench_quantity as quantity;
use tripbench_quantity::{PRESSURE_UNITS, ParseQuantityError, PressureUnit, Quantity, Tolerance};

/// Why a value cannot be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Name of the broken rule, in kebab case.
    pub rule: &'static str,
    /// What was found.
    pub message: String,
    /// What is allowed, or what to write; may be empty.
    pub help: String,
}

impl Problem {
    fn kind(expected: &str, node: &Node) -> Self {
        Self {
            rule: "wrong-kind",
            message: format!("expected {expected}, found {}", node.kind()),
            help: String::new(),
        }
    }
}

/// A type of value that a key can have.
pub trait Field: Sized {
    /// Reads the value from a TOML node.
    ///
    /// # Errors
    /// If the node is of another kind or its value is not allowed.
    fn read(node: &Node) -> Result<Self, Problem>;
    /// JSON Schema of the same values.
    fn schema() -> Value;
}

impl Field for String {
    fn read(node: &Node) -> Result<Self, Problem> {
        match &node.value {
            NodeValue::Text(text) if text.trim().is_empty() => Err(Problem {
                rule: "empty-text",
                message: "expected a string, found an empty one".into(),
                help: "write some text, or leave the key out".into(),
            }),
            NodeValue::Text(text) => Ok(text.clone()),
            _ => Err(Problem::kind("a string", node)),
        }
    }
    fn schema() -> Value {
        json!({ "type": "string", "pattern": "\\S" })
    }
}

impl Field for bool {
    fn read(node: &Node) -> Result<Self, Problem> {
        match node.value {
            NodeValue::Boolean(yes) => Ok(yes),
            _ => Err(Problem::kind("true or false", node)),
        }
    }
    fn schema() -> Value {
        json!({ "type": "boolean" })
    }
}

impl Field for f64 {
    fn read(node: &Node) -> Result<Self, Problem> {
        match node.value {
            NodeValue::Float(number) if number.is_finite() => Ok(number),
            #[expect(clippy::cast_precision_loss, reason = "sheet numbers are far below 2^53")]
            NodeValue::Integer(number) => Ok(number as Self),
            _ => Err(Problem::kind("a finite number", node)),
        }
    }
    fn schema() -> Value {
        json!({ "type": "number" })
    }
}

macro_rules! whole_number {
    ($($kind:ty),*) => {$(
        impl Field for $kind {
            fn read(node: &Node) -> Result<Self, Problem> {
                let NodeValue::Integer(number) = node.value else {
                    return Err(Problem::kind("a whole number", node));
                };
                Self::try_from(number).map_err(|_| Problem {
                    rule: "out-of-range",
                    message: format!("`{number}` is out of range"),
                    help: format!("allowed: {} to {}", Self::MIN, Self::MAX),
                })
            }
            fn schema() -> Value {
                json!({ "type": "integer", "minimum": Self::MIN, "maximum": Self::MAX })
            }
        }
    )*};
}
whole_number!(u8, u16, u32, i64);

fn text<'n>(node: &'n Node, what: &str, example: &str) -> Result<&'n str, Problem> {
    match &node.value {
        NodeValue::Text(text) => Ok(text),
        NodeValue::Integer(_) | NodeValue::Float(_) => Err(Problem {
            rule: "no-unit",
            message: format!("a bare number is not {}", quantity::one(what)),
            help: format!("write it as a string with its unit, such as \"{example}\""),
        }),
        _ => Err(Problem::kind(&format!("{} such as \"{example}\"", quantity::one(what)), node)),
    }
}

fn read_quantity<Q: Quantity>(node: &Node) -> Result<Q, Problem> {
    let text = text(node, Q::WHAT, Q::EXAMPLE)?;
    quantity::parse_quantity(text).map_err(|error| Problem {
        rule: "not-a-quantity",
        message: error.to_string(),
        help: match error {
            // The message says what to write.
            ParseQuantityError::Comma { .. } => format!("write it as in \"{}\"", Q::EXAMPLE),
            _ => near_unit::<Q>(text),
        },
    })
}

/// Help text: "did you mean" for a unit in the wrong case, otherwise an example.
fn near_unit<Q: Quantity>(text: &str) -> String {
    let number = text.trim().trim_end_matches(|c: char| c.is_alphabetic() || c == '/');
    let symbol = &text.trim()[number.len()..];
    let near = Q::units().iter().find(|unit| !symbol.is_empty() && unit.symbol.eq_ignore_ascii_case(symbol));
    match near {
        Some(unit) if unit.symbol != symbol => format!("did you mean \"{} {}\"?", number.trim(), unit.symbol),
        _ => format!("write it as in \"{}\"", Q::EXAMPLE),
    }
}

fn quantity_schema<Q: Quantity>() -> Value {
    let units: Vec<_> = Q::units().iter().map(|unit| unit.symbol).collect();
    let number = r"[0-9]*\.?[0-9]+([eE][+-]?[0-9]+)?";
    let units = units.join("|");
    let pattern = match (Q::WHAT, Q::SIGNED) {
        ("vacuum level", _) => {
            format!(r"^\s*(\+?{number}\s*({units})(\s*vacuum)?|-{number}\s*({units})\s*gauge)\s*$")
        }
        (_, true) => format!(r"^\s*[+-]?{number}\s*({units})\s*$"),
        (_, false) => format!(r"^\s*\+?{number}\s*({units})\s*$"),
    };
    json!({ "type": "string", "pattern": pattern, "examples": [Q::EXAMPLE] })
}

macro_rules! quantity_fields {
    ($($kind:ident),*) => {$(
        impl Field for quantity::$kind {
            fn read(node: &Node) -> Result<Self, Problem> {
                read_quantity(node)
            }
            fn schema() -> Value {
                quantity_schema::<Self>()
            }
        }
    )*};
}
quantity_fields!(
    VacuumLevel,
    LevelDifference,
    AbsolutePressure,
    AirPressure,
    Altitude,
    LevelRate,
    TimeSpan,
    Volume,
    Length,
    Current,
    Voltage,
    Temperature,
    Mass,
    Acceleration
);

impl Field for Tolerance {
    fn read(node: &Node) -> Result<Self, Problem> {
        let text = text(node, "tolerance", "2 %FS + 1 digit")?;
        Self::parse(text).map_err(|error| Problem {
            rule: "not-a-tolerance",
            message: error.to_string(),
            help: "write it as in \"2 %FS + 1 digit\"".into(),
        })
    }
    fn schema() -> Value {
        let units: Vec<_> = PRESSURE_UNITS.iter().map(|unit| unit.symbol).collect();
        let term = format!(r"\s*[0-9]*\.?[0-9]+\s*(% ?FS|% ?reading|digits?|{})\s*", units.join("|"));
        json!({ "type": "string", "pattern": format!(r"^\s*(±|\+-)?{term}(\+{term})*$"), "examples": ["2 %FS + 1 digit"] })
    }
}

impl Field for PressureUnit {
    fn read(node: &Node) -> Result<Self, Problem> {
        let text = text(node, "pressure unit", "kPa")?;
        Self::from_symbol(text).ok_or_else(|| {
            let allowed: Vec<_> = PRESSURE_UNITS.iter().map(|unit| unit.symbol).collect();
            let near = allowed.iter().find(|symbol| symbol.eq_ignore_ascii_case(text));
            Problem {
                rule: "unknown-unit",
                message: format!("`{text}` is not a pressure unit"),
                help: near.map_or_else(
                    || format!("allowed: {}", allowed.join(", ")),
                    |symbol| format!("did you mean \"{symbol}\"?"),
                ),
            }
        })
    }
    fn schema() -> Value {
        json!({ "enum": PRESSURE_UNITS.iter().map(|unit| unit.symbol).collect::<Vec<_>>() })
    }
}

/// A calendar date.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Date(String);

impl Date {
    /// The date as in `2026-11-25`.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Field for Date {
    fn read(node: &Node) -> Result<Self, Problem> {
        let problem = |rule, message| Problem { rule, message, help: "write it as 2026-11-25".into() };
        match &node.value {
            NodeValue::Datetime(date) | NodeValue::Text(date) if has_form_of_date(date) => {
                let day = date.parse::<jiff::civil::Date>();
                day.map(|_| Self(date.clone()))
                    .map_err(|_| problem("no-such-date", format!("{date} is not a day of the calendar")))
            }
            _ => Err(problem("not-a-date", format!("expected a date, found {}", node.kind()))),
        }
    }
    fn schema() -> Value {
        json!({ "type": "string", "pattern": DATE_PATTERN, "examples": ["2026-11-25"] })
    }
}

const DATE_PATTERN: &str = r"^[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$";

/// Whether `text` has the form `YYYY-MM-DD`, the only form of ISO 8601 that sheets accept.
fn has_form_of_date(text: &str) -> bool {
    let fits =
        |(at, byte): (usize, u8)| if matches!(at, 4 | 7) { byte == b'-' } else { byte.is_ascii_digit() };
    text.len() == 10 && text.bytes().enumerate().all(fits)
}

/// Text for people: one string for all languages, or one for each.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Text(BTreeMap<String, String>);

impl Text {
    /// The same text for every language.
    pub fn plain(text: impl Into<String>) -> Self {
        Self(BTreeMap::from([(String::new(), text.into())]))
    }

    /// The text in `language`, otherwise the text for all languages, otherwise the first.
    pub fn get(&self, language: &str) -> &str {
        let all = || self.0.get("").or_else(|| self.0.values().next());
        self.0.get(language).or_else(all).map_or("", String::as_str)
    }
}

impl Field for Text {
    fn read(node: &Node) -> Result<Self, Problem> {
        match &node.value {
            NodeValue::Text(text) => Ok(Self::plain(text)),
            NodeValue::Table(entries) if !entries.is_empty() => {
                let read = |(key, _, value): &(String, _, Node)| Ok((key.clone(), String::read(value)?));
                entries.iter().map(read).collect::<Result<_, _>>().map(Self)
            }
            _ => Err(Problem::kind(
                "a string, or a table of strings by language such as { en = \"…\", de = \"…\" }",
                node,
            )),
        }
    }
    fn schema() -> Value {
        json!({ "oneOf": [
            { "type": "string" },
            { "type": "object", "minProperties": 1, "additionalProperties": { "type": "string", "pattern": "\\S" } }
        ] })
    }
}

impl<T: Field> Field for Vec<T> {
    fn read(node: &Node) -> Result<Self, Problem> {
        match &node.value {
            NodeValue::Array(items) => items.iter().map(T::read).collect(),
            _ => Err(Problem::kind("a list", node)),
        }
    }
    fn schema() -> Value {
        json!({ "type": "array", "items": T::schema() })
    }
}

impl<T: Field> Field for [T; 2] {
    fn read(node: &Node) -> Result<Self, Problem> {
        let pair = <Vec<T> as Field>::read(node)?;
        let found = pair.len();
        pair.try_into().map_err(|_| Problem {
            rule: "not-a-pair",
            message: format!("expected a list of two, found {found}"),
            help: "write two values: [low, high]".into(),
        })
    }
    fn schema() -> Value {
        json!({ "type": "array", "items": T::schema(), "minItems": 2, "maxItems": 2 })
    }
}

impl Problem {
    /// A word that is not in `allowed`; the help suggests the nearest one.
    pub fn unknown_word(found: &str, allowed: &[&str]) -> Self {
        let near = crate::reader::suggestion(found, allowed);
        let list = format!("allowed: {}", allowed.join(", "));
        let help = if near == list { list } else { format!("{near} {list}") };
        Self {
            rule: "unknown-word",
            message: format!("`{found}` is not one of the words allowed here"),
            help,
        }
    }

    pub(crate) fn wrong_kind(expected: &str, node: &Node) -> Self {
        Self::kind(expected, node)
    }
}

/// A JSON Schema as a JSON value.
pub type Schema = Value;

/// Schema of a key whose value is one of `words`.
pub fn enumeration(words: &[&str]) -> Schema {
    json!({ "enum": words })
}
