//! Output for people: results on standard output, everything else on standard error. Colour only on a terminal, and never as the only
//! carrier of meaning.

use std::io::{IsTerminal, Write};
use tripbench_record::Verdict;

/// Prints a line on standard output.
pub(crate) fn out(text: &str) {
    // A reader that went away is no reason to stop a run.
    let _reader_gone = writeln!(anstream::stdout(), "{text}");
}

/// Prints a line on standard error.
pub(crate) fn note(text: &str) {
    let _reader_gone = writeln!(anstream::stderr(), "{text}");
}

/// Prints an error on standard error.
pub(crate) fn error(text: &str) {
    note(&format!("{} {text}", paint("error:", "31")));
}

/// Whether findings may be coloured.
pub(crate) fn colour() -> bool {
    std::io::stderr().is_terminal()
}

/// Text in bold and a colour; `anstream` strips both where there is no terminal.
fn paint(text: &str, code: &str) -> String {
    format!("\u{1b}[1;{code}m{text}\u{1b}[0m")
}

/// A verdict's word, padded to a width, in its colour.
pub(crate) fn verdict(verdict: Verdict, word: &str, width: usize) -> String {
    let padded = format!("{word:<width$}");
    match verdict {
        Verdict::Pass => paint(&padded, "32"),
        Verdict::Fail => paint(&padded, "31"),
        Verdict::Undecided => paint(&padded, "33"),
        Verdict::Aborted | Verdict::Measured => padded,
    }
}

/// The cautions printed before air flows.
pub(crate) const CAUTIONS: &str = "\
WARNING  Compressed air, vacuum and moving parts can injure.
- Before you connect, disconnect or tighten: air off and exhausted, vacuum vented, device power off, secured by your site's lock-out procedure.
- Keep fingers, eyes, hair and loose clothing away from suction openings, exhausts and moving parts. Wear eye protection, and hearing protection where your site asks for it.
- This program is not an emergency stop. Know where the emergency stop is.";
