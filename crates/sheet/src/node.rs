//! A TOML document as a tree with the byte range of every key and value.

use crate::finding::{Finding, Findings, Wording};
use crate::source::{Place, Source};
use crate::unquoted::unquoted;
use std::ops::Range;
use std::sync::Arc;
use toml::de::{DeTable, DeValue};

/// A value and its byte range in the text.
#[derive(Debug, Clone, PartialEq)]
pub struct Node {
    /// Byte range of the value.
    pub range: Range<usize>,
    /// The value.
    pub value: NodeValue,
}

/// A TOML value.
#[derive(Debug, Clone, PartialEq)]
pub enum NodeValue {
    /// A string.
    Text(String),
    /// A whole number.
    Integer(i64),
    /// A floating-point number, possibly infinite or NaN. An integer beyond 64 bits becomes infinity.
    Float(f64),
    /// True or false.
    Boolean(bool),
    /// A date or time, as written.
    Datetime(String),
    /// A list.
    Array(Vec<Node>),
    /// A table as (key, byte range of the key, value), in the order of the text.
    Table(Vec<(String, Range<usize>, Node)>),
}

impl Node {
    /// Kind of this value with its article, for messages.
    pub fn kind(&self) -> &'static str {
        match self.value {
            NodeValue::Text(_) => "a string",
            NodeValue::Integer(_) | NodeValue::Float(_) => "a number",
            NodeValue::Boolean(_) => "true or false",
            NodeValue::Datetime(_) => "a date",
            NodeValue::Array(_) => "a list",
            NodeValue::Table(_) => "a table",
        }
    }
}

/// Parses as much of the text as possible; syntax errors become findings.
pub(crate) fn parse(source: &Arc<Source>, findings: &Findings) -> Node {
    let (table, errors) = DeTable::parse_recoverable(&source.text);
    for error in errors {
        let range = error.span().unwrap_or(0..0);
        let place = Place { source: Arc::clone(source), range };
        let help = unquoted(&source.text, place.range.start).unwrap_or_default();
        let wording = Wording::new(error.message().to_owned(), "not valid TOML from here", help);
        findings.add(Finding::error("syntax", &place, wording));
    }
    let range = table.span();
    from_table(range, table.into_inner())
}

fn from_table(range: Range<usize>, table: DeTable<'_>) -> Node {
    let mut entries: Vec<_> = table
        .into_iter()
        .map(|(key, value)| {
            let span = key.span();
            (key.into_inner().into_owned(), span, from_value(value.span(), value.into_inner()))
        })
        .collect();
    entries.sort_by_key(|(_, span, _)| span.start);
    Node { range, value: NodeValue::Table(entries) }
}

fn from_value(range: Range<usize>, value: DeValue<'_>) -> Node {
    let value = match value {
        DeValue::Table(table) => return from_table(range, table),
        DeValue::String(text) => NodeValue::Text(text.into_owned()),
        DeValue::Integer(number) => match i64::from_str_radix(number.as_str(), number.radix()) {
            Ok(whole) => NodeValue::Integer(whole),
            Err(_) => NodeValue::Float(f64::INFINITY),
        },
        DeValue::Float(number) => NodeValue::Float(number.as_str().parse().unwrap_or(f64::NAN)),
        DeValue::Boolean(yes) => NodeValue::Boolean(yes),
        DeValue::Datetime(when) => NodeValue::Datetime(when.to_string()),
        DeValue::Array(items) => NodeValue::Array(
            items.into_iter().map(|item| from_value(item.span(), item.into_inner())).collect(),
        ),
    };
    Node { range, value }
}
