//! Standard input, read only when somebody asks, in lines.

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use rustix::termios::{QueueSelector, tcflush};
use std::io::IsTerminal;

/// Most bytes that can be there before a question: the largest pipe of an unprivileged user.
const MOST: usize = 1 << 20;
/// Bytes after which a line without an end is cut.
const LONGEST_LINE: usize = 4_096;

/// What was read.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Read {
    /// A line, without spaces at its ends.
    Line(String),
    /// A line whose beginning was discarded.
    Early(String),
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
                // A terminal goes on after Ctrl-D.
                self.end = Some("standard input has ended").filter(|_| !terminal);
                break;
            }
            read += bytes.len();
            lines.extend(self.lines(&bytes));
            if read > MOST {
                self.end = Some("standard input is a stream that does not wait for the question");
            }
        }
        if terminal {
            // Also the beginning of a line that is still being edited. Without it the question has to be answered again.
            let _nothing_to_discard = tcflush(std::io::stdin(), QueueSelector::IFlush);
            self.rest.clear();
        }
        self.early = !self.rest.is_empty();
        lines.into_iter().map(|(line, _)| line).collect()
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
                let read = |(line, early)| if early { Read::Early(line) } else { Read::Line(line) };
                return self.lines(&bytes).into_iter().map(read).collect();
            }
            self.end = Some("standard input has ended");
        }
        self.end.map(Read::End).into_iter().collect()
    }

    /// The lines that end in these bytes, and whether each began before the question.
    fn lines(&mut self, bytes: &[u8]) -> Vec<(String, bool)> {
        let mut lines = Vec::new();
        for byte in bytes {
            if *byte != b'\n' {
                self.rest.push(*byte);
            }
            if *byte == b'\n' || self.rest.len() >= LONGEST_LINE {
                let line = String::from_utf8_lossy(&self.rest).trim().to_owned();
                lines.push((line, std::mem::take(&mut self.early)));
                self.rest.clear();
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
    #[case(3 * LONGEST_LINE + 7, 3)]
    fn a_line_without_an_end_is_cut(#[case] count: usize, #[case] lines: usize) {
        let mut input = Input::default();
        assert_eq!(input.lines(&vec![b'y'; count]).len(), lines);
        assert!(input.rest.len() < LONGEST_LINE);
    }

    #[test]
    fn only_the_line_that_began_before_the_question_is_early() {
        let mut input = Input { rest: b"ye".to_vec(), early: true, end: None };
        let lines = input.lines(b"s\nno\n");
        assert_eq!(lines, [(String::from("yes"), true), (String::from("no"), false)]);
    }
}
