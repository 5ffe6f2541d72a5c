//! Standard input, read only when somebody asks, in lines.

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use rustix::termios::{QueueSelector, tcflush};
use std::io::IsTerminal;
use tripbench_record::Answer;

/// Most bytes that can be there before a question: the largest pipe of an unprivileged user.
const MOST: usize = 1 << 20;
/// Lines at once from which on the input is a stream. Judgement of this project.
const STREAM: usize = 20;
/// Why a stream is not read any further.
const STREAMS: &str = "standard input is a stream that does not wait for the question";
/// Bytes after which a line is cut: the rest of it, up to its end, is dropped.
const LONGEST_LINE: usize = 4_096;

/// What was read.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Read {
    /// A line, without spaces at its ends.
    Line(String),
    /// A line whose beginning was discarded.
    Early(String),
    /// So many answers at once, as a stream or a paste has them: which one is meant is not certain.
    Several(usize),
    /// Nothing follows.
    End(&'static str),
}

/// The input so far.
#[derive(Debug, Default)]
pub(super) struct Input {
    /// Beginning of a line whose end has not been read.
    rest: Vec<u8>,
    /// Whether that beginning was there before the question.
    early: bool,
    /// Whether the line was cut: its beginning was returned; the rest up to the newline is dropped.
    cut: bool,
    end: Option<&'static str>,
}

impl Input {
    /// Whether nothing follows.
    pub(super) fn ended(&self) -> bool {
        self.end.is_some()
    }

    /// Discards what is there; returns its lines.
    pub(super) fn discard(&mut self) -> Vec<String> {
        let terminal = std::io::stdin().is_terminal();
        let (mut lines, mut read) = (Vec::new(), 0);
        while self.end.is_none() && is_there() {
            let bytes = bytes();
            if bytes.is_empty() {
                // A terminal continues after Ctrl-D.
                self.end = Some("standard input has ended").filter(|_| !terminal);
                break;
            }
            read += bytes.len();
            lines.extend(self.lines(&bytes));
            if read > MOST {
                self.end = Some(STREAMS);
            }
        }
        if terminal {
            // Also the beginning of a line that is still being edited. Without it the question has to be answered again.
            let _nothing_to_discard = tcflush(std::io::stdin(), QueueSelector::IFlush);
            self.rest.clear();
            self.cut = false;
        }
        self.question_opens();
        lines.into_iter().map(|(line, _)| line).collect()
    }

    /// Marks the moment of the question: a line already begun does not answer it.
    fn question_opens(&mut self) {
        self.early = !self.rest.is_empty();
    }

    /// Waits until something is there, and reads it.
    pub(super) fn read_when_there(&mut self) -> Vec<Read> {
        wait();
        self.read()
    }

    /// Reads what is there.
    pub(super) fn read(&mut self) -> Vec<Read> {
        if self.end.is_none() && is_there() {
            let bytes = bytes();
            if !bytes.is_empty() {
                return self.told_by(&bytes);
            }
            self.end = Some("standard input has ended");
        }
        self.end.map(Read::End).into_iter().collect()
    }

    /// What was read at once.
    fn told_by(&mut self, bytes: &[u8]) -> Vec<Read> {
        let lines = self.lines(bytes);
        let answers = lines.iter().filter(|(line, early)| !early && Answer::of(line).is_some()).count();
        if lines.len() >= STREAM {
            self.end = Some(STREAMS);
            vec![Read::End(STREAMS)]
        } else if answers > 1 {
            vec![Read::Several(answers)]
        } else {
            let read = |(line, early)| if early { Read::Early(line) } else { Read::Line(line) };
            lines.into_iter().map(read).collect()
        }
    }

    /// The lines that end in these bytes, and whether each began before the question.
    fn lines(&mut self, bytes: &[u8]) -> Vec<(String, bool)> {
        let mut lines = Vec::new();
        for byte in bytes {
            let end = *byte == b'\n';
            if self.cut {
                self.cut = !end;
                continue;
            }
            if !end {
                self.rest.push(*byte);
            }
            if end || self.rest.len() >= LONGEST_LINE {
                let mut line = String::from_utf8_lossy(&self.rest).trim().to_owned();
                if !end {
                    // What is left of a cut line is no answer.
                    line.push('…');
                }
                lines.push((line, std::mem::take(&mut self.early)));
                self.rest.clear();
                self.cut = !end;
            }
        }
        lines
    }
}

/// Waits until there is something to read, or the end.
pub(super) fn wait() {
    while poll_for(None) == Err(Errno::INTR) {}
}

fn is_there() -> bool {
    loop {
        match poll_for(Some(&Timespec { tv_sec: 0, tv_nsec: 0 })) {
            Err(Errno::INTR) => {}
            polled => return polled.is_ok_and(|ready| ready > 0),
        }
    }
}

fn poll_for(time: Option<&Timespec>) -> Result<usize, Errno> {
    let stdin = std::io::stdin();
    poll(&mut [PollFd::new(&stdin, PollFlags::IN)], time)
}

/// Reads once; nothing at the end, or where it cannot be read.
fn bytes() -> Vec<u8> {
    let mut buffer = vec![0; 4_096];
    let read = rustix::io::retry_on_intr(|| rustix::io::read(std::io::stdin(), &mut buffer));
    buffer.truncate(read.unwrap_or(0));
    buffer
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    #[rstest]
    #[case(&["yes\n"], &["yes"], "")]
    #[case(&["ye", "s\nn"], &["yes"], "n")]
    #[case(&["\n\n", "a b \r\n"], &["", "", "a b"], "")]
    fn bytes_become_lines(#[case] bytes: &[&str], #[case] lines: &[&str], #[case] rest: &str) {
        let mut input = Input::default();
        let found: Vec<_> = bytes.iter().flat_map(|bytes| input.lines(bytes.as_bytes())).collect();
        let expected: Vec<_> = lines.iter().map(|line| ((*line).to_owned(), false)).collect();
        assert_eq!((found, input.rest), (expected, rest.as_bytes().to_vec()));
    }

    #[rstest]
    #[case(LONGEST_LINE - 1, 0)]
    #[case(LONGEST_LINE, 1)]
    #[case(3 * LONGEST_LINE + 7, 1)]
    fn a_line_without_an_end_is_cut(#[case] count: usize, #[case] lines: usize) {
        let mut input = Input::default();
        assert_eq!(input.lines(&vec![b'y'; count]).len(), lines);
        assert!(input.rest.len() < LONGEST_LINE);
    }

    #[test]
    fn only_the_line_that_began_before_the_question_is_early() {
        let mut input = Input { rest: b"ye".to_vec(), early: true, ..Input::default() };
        let lines = input.lines(b"s\nno\n");
        assert_eq!(lines, [(String::from("yes"), true), (String::from("no"), false)]);
    }

    /// Lengths at and around the multiples of the longest line.
    fn length() -> impl Strategy<Value = usize> {
        let around = (0..=2_usize, 0..=8_usize)
            .prop_map(|(times, more)| (times * LONGEST_LINE + more).saturating_sub(4));
        prop_oneof![around, 0..2 * LONGEST_LINE]
    }

    /// One answer at once is an answer; of several none is, and a stream ends the input.
    #[rstest]
    fn several_answers_at_once_answer_nothing(
        #[values("yes\n", "no\n", "y\n", " Ja \n")] line: &str,
        #[values(1, 2, STREAM - 1, STREAM, 1_000)] count: usize,
        #[values("", "ye")] rest: &str,
    ) {
        let mut input = Input::default();
        let found = input.told_by((line.repeat(count) + rest).as_bytes());
        let expected = match count {
            1 => Read::Line(line.trim().to_owned()),
            _ if count < STREAM => Read::Several(count),
            _ => Read::End(STREAMS),
        };
        assert_eq!(found, [expected]);
        assert_eq!(input.ended(), count >= STREAM);
    }

    proptest! {
        /// However long the beginning of a line is, and wherever the question opens and a read ends in it.
        #[test]
        fn the_end_of_a_line_that_had_begun_is_no_answer(
            of in prop::sample::select(vec!['a', ' ']), whole in length(), at in any::<prop::sample::Index>(), read in 1..=4_096_usize,
        ) {
            let before = [0, at.index(whole + 1), whole][at.index(3)];
            let begun = of.to_string().repeat(whole);
            let mut input = Input::default();
            let _before = input.lines(&begun.as_bytes()[..before]);
            input.question_opens();
            let text = [&begun.as_bytes()[before..], b"yes\nno\n"].concat();
            let lines: Vec<_> = text.chunks(read).flat_map(|bytes| input.lines(bytes)).collect();
            let answers: Vec<_> = lines.iter().filter(|(line, early)| !early && ["yes", "no"].contains(&line.as_str())).collect();
            let whole_line = before == 0 && whole + 3 < LONGEST_LINE && begun.trim().is_empty();
            prop_assert_eq!(answers.len(), if whole_line { 2 } else { 1 });
            prop_assert_eq!(lines.last(), Some(&(String::from("no"), false)));
        }
    }
}
