//! Questions to the person at standard input, a terminal or a pipe.
//!
//! A line answers the question that was open when it was read, so nothing is read before a question opens: what is there by then was
//! typed before the question, and is discarded. Only yes and no are answers; after any other line, and after several answers at once, the
//! question stays open.

use self::input::{Input, Read};
use crate::say;
use std::io::{BufRead, IsTerminal};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use tripbench_record::{Answer, Halt, PromptId};
use tripbench_runner::Control;
use tripbench_sheet::shown_in_line;

mod input;

/// Who answers, for the record.
const BY: &str = "the operator at the terminal";

/// Asks for yes or no; `false` where nobody is at a terminal.
pub(crate) fn yes(question: &str) -> bool {
    if !std::io::stdin().is_terminal() {
        return false;
    }
    let mut input = Input::default();
    note_early(&input.discard());
    say::note(question);
    loop {
        for read in input.read_when_there() {
            match read {
                Read::Line(line) => match Answer::of(&line) {
                    Some(answer) => return answer == Answer::Yes,
                    None => no_answer(&line),
                },
                Read::Early(_) => {}
                Read::Several(count) => not_one_answer(count),
                Read::End(_) => return false,
            }
        }
    }
}

/// Reads one line from standard input; `None` at its end.
pub(crate) fn line() -> Option<String> {
    let mut text = String::new();
    let read = std::io::stdin().lock().read_line(&mut text).ok()?;
    (read > 0).then(|| text.trim().to_owned())
}

/// The questions of a run, one at a time, answered on standard input.
#[derive(Debug)]
pub(crate) struct Questions(Arc<Shared>);

#[derive(Debug, Default)]
struct Shared {
    asked: Mutex<Asked>,
    opened: Condvar,
}

#[derive(Debug, Default)]
struct Asked {
    open: Option<PromptId>,
    input: Input,
}

impl Questions {
    /// Answers go to `control`. The end of standard input stops the run at its next question, because waiting is pointless then.
    pub(crate) fn new(control: Sender<Control>) -> Self {
        let shared = Arc::<Shared>::default();
        let reading = Arc::clone(&shared);
        // Not joined: it may wait for a line when the run ends.
        std::thread::spawn(move || reading.answer(&control));
        Self(shared)
    }

    /// Opens a question, which has to be shown afterwards; discards what was typed until now.
    pub(crate) fn open(&self, id: PromptId) {
        let mut asked = self.0.asked();
        note_early(&asked.input.discard());
        asked.open = Some(id);
        self.0.opened.notify_all();
    }

    /// Closes the question: it was answered, here or elsewhere, or the run has ended.
    pub(crate) fn close(&self) {
        self.0.asked().open = None;
    }
}

impl Shared {
    fn asked(&self) -> MutexGuard<'_, Asked> {
        self.asked.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Passes on the answer to each question that is opened.
    fn answer(&self, control: &Sender<Control>) {
        loop {
            let asked = self.opened.wait_while(self.asked(), |asked| asked.open.is_none());
            let ended = asked.unwrap_or_else(PoisonError::into_inner).input.ended();
            if !ended {
                // Without the lock, so that the question can be closed meanwhile.
                input::wait();
            }
            let mut asked = self.asked();
            if asked.open.is_none() {
                continue;
            }
            if let Some(said) = asked.answers() {
                let _run_is_over = control.send(said);
            }
        }
    }
}

impl Asked {
    /// Reads what is there. The first answer closes the question; a line after it was typed before the next question.
    fn answers(&mut self) -> Option<Control> {
        let (mut control, mut early) = (None, Vec::new());
        for read in self.input.read() {
            let line = match read {
                Read::Line(line) => line,
                Read::Early(line) => {
                    early.push(line);
                    continue;
                }
                Read::Several(count) => {
                    not_one_answer(count);
                    continue;
                }
                Read::End(why) => {
                    if self.open.take().is_some() {
                        say::error(&format!("{why}: the question cannot be answered here"));
                        control = Some(Control::Stop(Halt::NoAnswer));
                    }
                    continue;
                }
            };
            match (self.open, Answer::of(&line)) {
                (None, _) => early.push(line),
                (Some(_), None) => no_answer(&line),
                (Some(to), Some(_)) => {
                    self.open = None;
                    control = Some(Control::Answer { to, answer: line, by: BY.to_owned() });
                }
            }
        }
        note_early(&early);
        control
    }
}

/// Says that a line is not an answer, and what is.
fn no_answer(line: &str) {
    let what = if line.is_empty() { String::from("an empty line") } else { quoted(line) };
    say::error(&format!("{what} does not answer the question: type one of {}", Answer::words()));
}

/// Says that several answers at once are none.
fn not_one_answer(count: usize) {
    say::error(&format!(
        "{count} answers at once do not answer the question: type one of {}",
        Answer::words()
    ));
}

/// Says what was typed too early.
fn note_early(lines: &[String]) {
    let Some((first, rest)) = lines.split_first() else { return };
    let more = match rest.len() {
        0 => String::from("was"),
        1 => String::from("and 1 more line were"),
        count => format!("and {count} more lines were"),
    };
    say::note(&format!("  ignored: {} {more} typed before the question", quoted(first)));
}

/// A line in backticks, shortened.
fn quoted(line: &str) -> String {
    const LONGEST: usize = 60;
    let cut: String = line.chars().take(LONGEST).collect();
    format!("`{}{}`", shown_in_line(&cut), if cut.len() < line.len() { "…" } else { "" })
}
