//! Output for people: results on standard output, everything else on standard error. Colour only on a terminal, and never as the only
//! carrier of meaning.
//!
//! Any text may come from a file, a journal, a module or a daemon: what would control the terminal, or cannot be seen, is shown as an
//! escape, such as `\u{1b}`. Only the colours of this file reach the terminal as they are.

use std::borrow::Cow;
use std::io::{IsTerminal, Write};
use tripbench_record::Verdict;
use tripbench_sheet::{Finding, shown, shown_json};

/// A line that may have colours of its own; everything else in it can be shown safely.
#[derive(Debug, Clone, Default)]
pub(crate) struct Line(String);

impl Line {
    /// Appends text without colour.
    pub(crate) fn add(mut self, text: &str) -> Self {
        self.0.push_str(&shown(text));
        self
    }

    /// Appends text in bold and a colour; `anstream` strips both where there is no terminal.
    fn paint(self, text: &str, code: &str) -> Self {
        Self(format!("{}\u{1b}[1;{code}m{}\u{1b}[0m", self.0, shown(text)))
    }

    /// Appends a verdict's word, padded to a width, in its colour.
    pub(crate) fn verdict(self, verdict: Verdict, word: &str, width: usize) -> Self {
        let padded = format!("{word:<width$}");
        match verdict {
            Verdict::Pass => self.paint(&padded, "32"),
            Verdict::Fail => self.paint(&padded, "31"),
            Verdict::Undecided => self.paint(&padded, "33"),
            Verdict::Aborted | Verdict::Measured => self.add(&padded),
        }
    }

    /// The line without spaces at its end.
    pub(crate) fn trimmed(mut self) -> Self {
        self.0.truncate(self.0.trim_end().len());
        self
    }

    /// The text, with its colours.
    pub(crate) fn text(&self) -> &str {
        &self.0
    }
}

impl From<String> for Line {
    fn from(text: String) -> Self {
        Self::default().add(&text)
    }
}

/// Prints a line on standard output.
pub(crate) fn line(line: &Line) {
    // A reader that went away is no reason to stop a run.
    let _reader_gone = writeln!(anstream::stdout(), "{}", line.text());
}

/// Prints text as a line on standard output.
pub(crate) fn out(text: &str) {
    line(&Line::default().add(text));
}

/// Prints text as a line on standard error.
pub(crate) fn note(text: &str) {
    let _reader_gone = writeln!(anstream::stderr(), "{}", shown(text));
}

/// Prints an error on standard error.
pub(crate) fn error(text: &str) {
    let line = Line::default().paint("error:", "31").add(" ").add(text);
    let _reader_gone = writeln!(anstream::stderr(), "{}", line.text());
}

/// Prints a JSON document, or a line with one, on standard output: byte for byte for programs, on a terminal with hidden characters as
/// escapes.
pub(crate) fn json(text: &str) {
    let text = if std::io::stdout().is_terminal() { shown_json(text) } else { Cow::Borrowed(text) };
    let _reader_gone = writeln!(std::io::stdout(), "{text}");
}

/// Prints a finding on standard error. It shows a part of the sheet: in colour only if nothing in it needs an escape.
pub(crate) fn finding(finding: &Finding) {
    let plain = finding.render(false);
    let text = match shown(&plain) {
        Cow::Borrowed(_) if colour() => Cow::Owned(finding.render(true)),
        text @ (Cow::Borrowed(_) | Cow::Owned(_)) => text,
    };
    let _reader_gone = writeln!(anstream::stderr(), "{text}");
}

/// Whether findings may be coloured.
fn colour() -> bool {
    std::io::stderr().is_terminal()
}

/// The cautions printed before air flows.
pub(crate) const CAUTIONS: &str = "\
WARNING  Compressed air, vacuum and moving parts can injure.
- Before you connect, disconnect or tighten: air off and exhausted, vacuum vented, device power off, secured by your site's lock-out procedure.
- Keep fingers, eyes, hair and loose clothing away from suction openings, exhausts and moving parts. Wear eye protection, and hearing protection where your site asks for it.
- This program is not an emergency stop. Know where the emergency stop is.";
