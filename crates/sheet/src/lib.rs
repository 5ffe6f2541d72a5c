//! Sheets: TOML text with spans in, values with places and all findings out; the same reading code also prints the JSON Schema.
//!
//! Takes text, never a path; knows how a key is read, not what it means. A sheet is described once, by a function
//! over a [`Reader`]: run over a text it yields the sheet and findings, run over nothing it yields the schema, so
//! that the two cannot drift apart.

mod field;
mod finding;
mod header;
mod node;
mod reader;
mod source;
mod words;

pub use field::{Date, Field, Problem, Schema, Text, enumeration};
pub use finding::{Finding, Findings, Severity, Wording};
pub use header::{Header, State};
pub use node::{Node, NodeValue};
pub use reader::{Reader, Variant, read_sheet, schema_of};
pub use source::{At, Place, Source};
