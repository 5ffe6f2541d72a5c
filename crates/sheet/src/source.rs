//! A text with its name, and places in it.

use std::ops::{Deref, Range};
use std::sync::Arc;

/// A sheet's text and the name that findings show for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Shown in findings, usually the path as the user wrote it.
    pub name: String,
    /// The whole text.
    pub text: String,
}

impl Source {
    /// A text under a name.
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Arc<Self> {
        Arc::new(Self { name: name.into(), text: text.into() })
    }

    /// Line and column of a byte offset, both from 1.
    pub fn line_column(&self, offset: usize) -> (usize, usize) {
        let before = &self.text[..offset.min(self.text.len())];
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
    }
}

/// A place in a source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// The text.
    pub source: Arc<Source>,
    /// Bytes in it.
    pub range: Range<usize>,
}

impl Place {
    /// `file:line:column`.
    pub fn shown(&self) -> String {
        let (line, column) = self.source.line_column(self.range.start);
        format!("{}:{line}:{column}", self.source.name)
    }

    /// The text at this place.
    pub fn text(&self) -> &str {
        self.source.text.get(self.range.clone()).unwrap_or_default()
    }
}

/// A value and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct At<T> {
    /// The value.
    pub value: T,
    /// Where it was written; for a default, the table that could have held it.
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
