//! Reading of sheets: TOML text in, values with their places and all findings out.
//!
//! This crate takes text, never a path, and knows how a key is read, not what it means. Each sheet is described by one function
//! of a [`Reader`]. [`read_sheet`] calls it to read a text, [`schema_of`] calls it to build the JSON Schema, so the two cannot
//! drift apart.
//!
//! It also says which text may identify a device or a person, and how text from elsewhere is shown.

mod field;
mod finding;
mod header;
mod node;
mod plain;
mod reader;
mod source;
mod unquoted;
mod words;

pub use field::{Date, Field, Problem, Schema, Text, enumeration};
pub use finding::{Finding, Findings, Severity, Wording};
pub use header::{Header, State};
pub use node::{Node, NodeValue};
pub use plain::{NotPlain, identifying, is_hidden, shown, shown_in_line, shown_json};
pub use reader::{Reader, Variant, nearest, outermost_keys, read_sheet, schema_of};
pub use source::{At, Place, Source};
