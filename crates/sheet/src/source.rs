//! The text of a sheet, and places in it.

use std::ops::{Deref, Range};
use std::sync::Arc;

/// The text of a sheet, with the name that findings show for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Name shown in findings, usually the path as the user wrote it.
    pub name: String,
    /// The whole text.
    pub text: String,
}

impl Source {
    /// A source with this name and text.
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Arc<Self> {
        Arc::new(Self { name: name.into(), text: text.into() })
    }

    /// Line and column of a byte offset, both counted from 1; columns count characters.
    pub fn line_column(&self, offset: usize) -> (usize, usize) {
        let before = &self.text[..offset.min(self.text.len())];
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
    }
}

/// A place in a source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// The source.
    pub source: Arc<Source>,
    /// Byte range in its text.
    pub range: Range<usize>,
}

impl Place {
    /// The start of this place as `file:line:column`.
    pub fn shown(&self) -> String {
        let (line, column) = self.source.line_column(self.range.start);
        format!("{}:{line}:{column}", self.source.name)
    }

    /// The text at this place.
    pub fn text(&self) -> &str {
        self.source.text.get(self.range.clone()).unwrap_or_default()
    }
}

/// A value and its place in a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct At<T> {
    /// The value.
    pub value: T,
    /// Where it is written; for a default, the table in which it is missing.
    pub place: Place,
}

impl<T> Deref for At<T> {
    type Target = T;
    fn deref(&self) -> &T {
        &self.value
    }
}

impl<T> At<T> {
    /// The same place with another value.
    pub fn map<U>(self, change: impl FnOnce(T) -> U) -> At<U> {
        At { value: change(self.value), place: self.place }
    }
}
