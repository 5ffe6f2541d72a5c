//! The journal, version 1: one text line for each event, each with its own checksum.
//!
//! A line is `crc32c seq at_ns kind json` and ends with LF. `durable=N` before the kind states that everything up to event N is on
//! the disk. The checksum covers the rest of the line.

use crate::canonical::{hex, sha256_hex};
use crate::event::{Event, EventKind, Seq};
use serde_json::Value;
use sha2::{Digest, Sha256};
use thiserror::Error;
use tripbench_quantity::Mono;

/// First line of every journal.
pub const MAGIC: &str = "tripbench-journal 1\n";

/// Why an event cannot be written.
#[derive(Debug, Error)]
#[error("an event cannot be written as JSON: {0}")]
pub struct NotWritable(#[from] serde_json::Error);

/// The line for an event. `durable` is the last event known to be on the disk, if no earlier line states it.
///
/// # Errors
/// If the event contains a value that JSON cannot represent.
pub fn line(event: &Event, durable: Option<Seq>) -> Result<String, NotWritable> {
    let value = serde_json::to_value(&event.kind)?;
    // An event without data is a string, one with data an object of one key.
    let (kind, json) = match value.as_object().and_then(|map| map.iter().next()) {
        Some((kind, json)) => (kind.as_str(), json),
        None => (value.as_str().unwrap_or_default(), &Value::Null),
    };
    let durable = durable.map_or(String::new(), |seq| format!("durable={} ", seq.0));
    let rest = format!("{} {} {durable}{kind} {json}", event.seq.0, event.at.nanos());
    Ok(format!("{:08x} {rest}\n", crc32c::crc32c(rest.as_bytes())))
}

/// Running length and SHA-256 of a journal.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    bytes: usize,
    hash: Sha256,
}

impl Tally {
    /// Adds bytes that were written.
    pub fn add(&mut self, bytes: &[u8]) {
        self.bytes += bytes.len();
        self.hash.update(bytes);
    }

    /// Number of bytes added.
    pub const fn bytes(&self) -> usize {
        self.bytes
    }

    /// SHA-256 of the bytes added, hexadecimal.
    pub fn hex(&self) -> String {
        hex(&self.hash.clone().finalize())
    }
}

/// The closing line, which states the length and the SHA-256 of everything before it.
///
/// # Errors
/// As [`line()`].
pub fn closing_line(event: &Event, before: &Tally) -> Result<String, NotWritable> {
    let plain = line(event, None)?;
    let rest = plain.trim_end().split_once(' ').map_or("", |(_, rest)| rest);
    let rest = format!("{rest} bytes={} sha256={}", before.bytes(), before.hex());
    Ok(format!("{:08x} {rest}\n", crc32c::crc32c(rest.as_bytes())))
}

/// A journal as read.
#[derive(Debug, Clone, PartialEq)]
pub struct Opened {
    /// The valid events, in order.
    pub events: Vec<Event>,
    /// Length up to the end of the last valid line, bytes.
    pub good_bytes: usize,
    /// How the journal ends.
    pub ending: Ending,
}

/// How a journal ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// With a closing line that matches.
    Complete,
    /// With valid lines, but no closing line.
    Open,
    /// With an invalid line, after everything that was known to be on the disk.
    Torn,
}

/// Why a journal cannot be trusted.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Damaged {
    /// The bytes are not a journal.
    #[error("this is not a journal of version 1")]
    NotAJournal,
    /// A line is invalid although it was known to be on the disk.
    #[error("line {line} is damaged although a later line states that it was on the disk")]
    Line {
        /// Line number, from 1.
        line: usize,
    },
    /// The closing line is followed by more.
    #[error("line {line} follows the closing line: it was added after the run")]
    Behind {
        /// Line number, from 1.
        line: usize,
    },
    /// The length or hash in the closing line does not match.
    #[error("the length or hash in the closing line does not match the journal before it")]
    Hash,
}

/// Reads a journal up to the first invalid line and ignores everything after it.
///
/// # Errors
/// If the bytes are not a journal, the closing line does not match or is followed by more, or a line after the invalid one states that
/// the invalid one was on the disk: then the file is damaged, not torn.
pub fn open(bytes: &[u8]) -> Result<Opened, Damaged> {
    let body = bytes.strip_prefix(MAGIC.as_bytes()).ok_or(Damaged::NotAJournal)?;
    let mut opened = Opened { events: Vec::new(), good_bytes: MAGIC.len(), ending: Ending::Open };
    let mut lines = body.split_inclusive(|byte| *byte == b'\n').enumerate();
    for (index, raw) in lines.by_ref() {
        // The closing line covers everything before it. The program that recorded the run wrote nothing after it.
        if opened.ending == Ending::Complete {
            return Err(Damaged::Behind { line: index + 2 });
        }
        let expected = Seq(opened.events.len() as u64);
        match parse_line(raw).filter(|parsed| parsed.event.seq == expected) {
            Some(parsed) => {
                if let Some((count, hash)) = parsed.closing {
                    let before = &bytes[..opened.good_bytes];
                    if count != before.len() || hash != sha256_hex(before) {
                        return Err(Damaged::Hash);
                    }
                    opened.ending = Ending::Complete;
                }
                opened.good_bytes += raw.len();
                opened.events.push(parsed.event);
            }
            None => {
                let durable_after =
                    lines.filter_map(|(_, raw)| parse_line(raw)?.durable).any(|durable| durable >= expected);
                if durable_after {
                    return Err(Damaged::Line { line: index + 2 });
                }
                opened.ending = Ending::Torn;
                return Ok(opened);
            }
        }
    }
    Ok(opened)
}

/// The event of one line; `None` if the line is incomplete or malformed.
pub fn event(line: &[u8]) -> Option<Event> {
    parse_line(line).map(|parsed| parsed.event)
}

struct Parsed<'b> {
    event: Event,
    durable: Option<Seq>,
    closing: Option<(usize, &'b str)>,
}

fn parse_line(raw: &[u8]) -> Option<Parsed<'_>> {
    let text = std::str::from_utf8(raw).ok()?.strip_suffix('\n')?;
    let (crc, rest) = text.split_once(' ')?;
    if crc != format!("{:08x}", crc32c::crc32c(rest.as_bytes())) {
        return None;
    }
    let (seq, rest) = rest.split_once(' ')?;
    let (at, rest) = rest.split_once(' ')?;
    let (durable, rest) = match rest.strip_prefix("durable=") {
        Some(rest) => rest.split_once(' ').map(|(durable, rest)| (Some(durable), rest))?,
        None => (None, rest),
    };
    let (kind, json) = rest.split_once(' ')?;
    let (json, closing) = split_closing(json);
    let kind = event_kind(kind, json)?;
    let event = Event { seq: Seq(seq.parse().ok()?), at: Mono::from_nanos(at.parse().ok()?), kind };
    let durable = match durable {
        Some(durable) => Some(Seq(durable.parse().ok()?)),
        None => None,
    };
    Some(Parsed { event, durable, closing })
}

fn split_closing(json: &str) -> (&str, Option<(usize, &str)>) {
    let closing = json.rsplit_once(" sha256=").and_then(|(front, hash)| {
        let (json, count) = front.rsplit_once(" bytes=")?;
        Some((json, (count.parse().ok()?, hash)))
    });
    closing.map_or((json, None), |(json, closing)| (json, Some(closing)))
}

fn event_kind(kind: &str, json: &str) -> Option<EventKind> {
    let value: Value = serde_json::from_str(json).ok()?;
    let whole = if value.is_null() {
        Value::String(kind.to_owned())
    } else {
        Value::Object([(kind.to_owned(), value)].into_iter().collect())
    };
    serde_json::from_value(whole).ok()
}

#[cfg(test)]
mod tests;
