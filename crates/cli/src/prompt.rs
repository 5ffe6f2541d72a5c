//! Questions to the person at the terminal.

use crate::say;
use std::io::{BufRead, IsTerminal};
use tripbench_sheet::{NotPlain, identifying};

/// Most characters of an answer.
const LONGEST_ANSWER: usize = 200;

/// Asks for yes or no; `false` where nobody is at a terminal.
pub(crate) fn yes(question: &str) -> bool {
    std::io::stdin().is_terminal() && {
        say::note(question);
        line().is_some_and(|answer| ["yes", "y", "ja", "j"].contains(&answer.trim().to_lowercase().as_str()))
    }
}

/// Reads an answer for the record; `None` at the end of standard input. A line with hidden characters is refused, and the next one is
/// read.
pub(crate) fn answer() -> Option<String> {
    loop {
        let text = line()?;
        match identifying(&text, LONGEST_ANSWER) {
            Ok(_) | Err(NotPlain::Empty) => return Some(text),
            Err(why) => say::error(&format!("the answer `{text}` {why}. Answer again")),
        }
    }
}

/// Reads one line from standard input; `None` at its end.
pub(crate) fn line() -> Option<String> {
    let mut text = String::new();
    let read = std::io::stdin().lock().read_line(&mut text).ok()?;
    (read > 0).then(|| text.trim().to_owned())
}
