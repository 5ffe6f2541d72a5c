//! Findings: what is wrong in a sheet, where, and what to write instead.

use crate::source::Place;
use miette::{Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource, SourceCode};
use std::cell::RefCell;
use std::fmt::{self, Write};

/// Severity of a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The sheet cannot be used.
    Error,
    /// The sheet can be used, but people should know.
    Warning,
}

/// The texts of a finding.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Wording {
    /// What is wrong, with the value found.
    pub message: String,
    /// Short text at the underlined value.
    pub label: String,
    /// What is allowed and what to write; may be empty.
    pub help: String,
}

impl Wording {
    /// A wording with these texts.
    pub fn new(message: impl Into<String>, label: impl Into<String>, help: impl Into<String>) -> Self {
        Self { message: message.into(), label: label.into(), help: help.into() }
    }
}

/// One error or warning about a sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// Name of the rule that was broken, in kebab case.
    pub rule: &'static str,
    /// Its severity.
    pub severity: Severity,
    /// Place of the value that it is about.
    pub place: Place,
    /// Message, label, help.
    pub wording: Wording,
    /// Related places, each with a short explanation.
    pub also: Vec<(Place, String)>,
}

impl Finding {
    /// An error at a place.
    pub fn error(rule: &'static str, place: &Place, wording: Wording) -> Self {
        Self { rule, severity: Severity::Error, place: place.clone(), wording, also: Vec::new() }
    }

    /// A warning at a place.
    pub fn warning(rule: &'static str, place: &Place, wording: Wording) -> Self {
        Self { severity: Severity::Warning, ..Self::error(rule, place, wording) }
    }

    /// Adds a related place with a short explanation.
    #[must_use]
    pub fn with(mut self, place: &Place, text: impl Into<String>) -> Self {
        self.also.push((place.clone(), text.into()));
        self
    }

    /// The finding as text for people: file, line, column, the value underlined, and what is allowed.
    pub fn render(&self, colour: bool) -> String {
        let theme = if colour { GraphicalTheme::unicode() } else { GraphicalTheme::unicode_nocolor() };
        let handler = GraphicalReportHandler::new_themed(theme).with_width(100).with_links(false);
        let mut text = String::new();
        match handler.render_report(&mut text, &Rendered::new(self)) {
            Ok(()) => text,
            Err(_) => format!("{}: {}", self.place.shown(), self.wording.message),
        }
    }
}

/// All findings of a check, over all files that it reads.
#[derive(Debug, Default)]
pub struct Findings(RefCell<Vec<Finding>>);

impl Findings {
    /// No findings.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a finding, unless an equal one was added before.
    pub fn add(&self, finding: Finding) {
        let mut all = self.0.borrow_mut();
        if !all.contains(&finding) {
            all.push(finding);
        }
    }

    /// Whether any finding is an error.
    pub fn any_error(&self) -> bool {
        self.0.borrow().iter().any(|finding| finding.severity == Severity::Error)
    }

    /// All findings, grouped by file in the order in which files first appear, and sorted by place within a file.
    pub fn into_sorted(self) -> Vec<Finding> {
        let mut all = self.0.into_inner();
        // Other findings at the place of a syntax error only follow from it and are dropped.
        let broken: Vec<Place> = all
            .iter()
            .filter(|finding| finding.rule == "syntax")
            .map(|finding| finding.place.clone())
            .collect();
        all.retain(|finding| {
            let here = |place: &Place| {
                place.source == finding.place.source && place.range.start == finding.place.range.start
            };
            finding.rule == "syntax" || !broken.iter().any(here)
        });
        let mut names: Vec<String> = Vec::new();
        for finding in &all {
            if !names.contains(&finding.place.source.name) {
                names.push(finding.place.source.name.clone());
            }
        }
        all.sort_by_key(|finding| {
            (names.iter().position(|name| *name == finding.place.source.name), finding.place.range.start)
        });
        all
    }
}

/// A finding as a `miette` diagnostic.
#[derive(Debug)]
struct Rendered<'f> {
    finding: &'f Finding,
    source: NamedSource<String>,
    help: String,
}

impl<'f> Rendered<'f> {
    fn new(finding: &'f Finding) -> Self {
        let source = &finding.place.source;
        let mut help = finding.wording.help.clone();
        for (place, text) in &finding.also {
            let gap = if help.is_empty() { "" } else { "\n" };
            let _fits_in_memory = write!(help, "{gap}see {}: {text}", place.shown());
        }
        Self { finding, source: NamedSource::new(&source.name, source.text.clone()), help }
    }
}

impl fmt::Display for Rendered<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.finding.wording.message)
    }
}

impl std::error::Error for Rendered<'_> {}

impl Diagnostic for Rendered<'_> {
    fn code<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        Some(Box::new(self.finding.rule))
    }

    fn severity(&self) -> Option<miette::Severity> {
        Some(match self.finding.severity {
            Severity::Error => miette::Severity::Error,
            Severity::Warning => miette::Severity::Warning,
        })
    }

    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        (!self.help.is_empty()).then(|| Box::new(&self.help) as Box<dyn fmt::Display + 'a>)
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        Some(&self.source)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let range = self.finding.place.range.clone();
        let length = range.end.saturating_sub(range.start).max(1);
        let label = Some(self.finding.wording.label.clone());
        Some(Box::new(std::iter::once(LabeledSpan::new(label, range.start, length))))
    }
}
