//! The events of a run as they are recorded, in progress or finished.

use super::genuine::not_given_out;
use super::unfinished::unfinished;
use super::watch::seat;
use crate::problem::{Problem, Refused};
use crate::stage::Daemon;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::Stream;
use futures_util::stream::unfold;
use std::convert::Infallible;
use std::fs::OpenOptions;
use std::io::{Read, Seek, SeekFrom};
use std::path::PathBuf;
use std::sync::Arc;
use tripbench_record::journal;
use tripbench_runner::disk;

/// The events of a run, in progress or finished, as lines of its journal: all, or those after the one in `Last-Event-ID`.
#[utoipa::path(get, path = "/api/v1/runs/{run}/events",
    params(("run" = String, Path, description = "Identifier of the run"), ("last-event-id" = Option<u64>, Header, description = "Number of the last event received")),
    responses(Refused, (status = 200, description = "Events: `id` is the event's number, `data` its journal line. The last one is `ended`, or an event `problem` with a Problem as `data` if the journal is damaged, or has no end and the run is not in progress", content_type = "text/event-stream"),
        (status = 503, description = "Too many watchers", body = Problem, content_type = "application/problem+json"),
        (status = 400, description = "Last-Event-ID is not a number, or a query key", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "Two folders have different records of the run", body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn events(
    State(daemon): State<Arc<Daemon>>,
    Path(run): Path<String>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let path = daemon.bench.journal_of(&run).ok_or_else(|| unfinished(&daemon, &run))?;
    daemon.bench.runs.undisputed(&run).map_err(|error| not_given_out(&run, &error))?;
    let after = after(&headers)?;
    let seat = seat(&daemon)?;
    let tail = Tail::of(path, after);
    let watcher = (tail, Vec::<Told>::new(), daemon, seat);
    let stream = unfold(watcher, move |(mut tail, mut ready, daemon, seat)| {
        let run = run.clone();
        async move {
            loop {
                if let Some(told) = ready.pop() {
                    return Some((Ok(told.into_event()), (tail, ready, daemon, seat)));
                }
                if tail.over {
                    return None;
                }
                // Asked before the journal is read: what ends meanwhile is in it.
                let in_progress = daemon.bench.is_in_progress(&run);
                let path = tail.path.clone();
                let read = move || {
                    let told = tail.more(in_progress);
                    (told, tail)
                };
                (ready, tail) = match daemon.at_disk.work(&run, read).await {
                    Ok(read) => read,
                    Err(problem) => {
                        let why =
                            format!("the journal `{}` cannot be read: {}", path.display(), problem.detail);
                        (vec![Told::Problem(why)], Tail { over: true, ..Tail::of(path, None) })
                    }
                };
                ready.reverse();
                if ready.is_empty() && !tail.over {
                    tokio::time::sleep(daemon.limits.journal_every).await;
                }
            }
        }
    });
    Ok(Sse::new(stream).keep_alive(KeepAlive::default()))
}

/// Number of the event that `Last-Event-ID` names.
fn after(headers: &HeaderMap) -> Result<Option<u64>, Problem> {
    let Some(value) = headers.get("last-event-id") else { return Ok(None) };
    // 63 bits, as in the OpenAPI document.
    let number = value.to_str().ok().and_then(|text| text.parse::<i64>().ok());
    number.and_then(|number| u64::try_from(number).ok()).map(Some).ok_or_else(|| {
        Problem::bad_request(format!("Last-Event-ID {value:?}: expected the number of an event of this run"))
    })
}

/// Reader of a journal that may still grow. Scans are sent once written; other events, and everything after them, once they are durable.
/// The last thing sent is the end of the run, or a problem.
struct Tail {
    path: PathBuf,
    /// Length of the lines that were read.
    read: u64,
    /// Most bytes to read at once. Grows if a line is longer.
    most: u64,
    after: Option<u64>,
    /// Lines not sent yet, because one of them or one before them is not known to be durable.
    held: Vec<Line>,
    over: bool,
}

/// A line of a journal.
#[derive(Debug)]
struct Line {
    seq: u64,
    /// Whether it may be sent.
    may: bool,
    text: String,
}

/// What a watcher is sent.
#[derive(Debug)]
enum Told {
    Line(Line),
    /// Why nothing more can be sent.
    Problem(String),
}

impl Told {
    fn into_event(self) -> Event {
        match self {
            Self::Line(line) => Event::default().id(line.seq.to_string()).data(line.text),
            Self::Problem(detail) => {
                let problem = Problem::inside(detail);
                let json = serde_json::to_string(&problem).unwrap_or_default();
                Event::default().event("problem").data(json)
            }
        }
    }
}

impl Tail {
    const fn of(path: PathBuf, after: Option<u64>) -> Self {
        Self { path, read: 0, most: 256 * 1024, after, held: Vec::new(), over: false }
    }

    /// New events that may be sent. A journal of a run that is not in progress must have an end.
    fn more(&mut self, in_progress: bool) -> Vec<Told> {
        let mut fault = match self.grow() {
            Ok(grown) if grown || in_progress || self.over => None,
            Ok(_) => Some(String::from("ends without the end of the run, and the run is not in progress")),
            Err(why) => Some(why),
        };
        // No later line confirms that the last ones are durable: this makes them durable.
        let is_durable = (self.over || fault.is_some()) && self.synced();
        if self.over && !is_durable {
            fault.get_or_insert_with(|| String::from("cannot be written to the disk"));
        }
        let known = self.known(is_durable);
        let mut told: Vec<Told> = self.held.drain(..known).map(Told::Line).collect();
        told.retain(|told| match (told, self.after) {
            (Told::Line(line), Some(after)) => line.seq > after,
            (Told::Line(_) | Told::Problem(_), _) => true,
        });
        if let Some(why) = fault {
            self.over = true;
            told.push(Told::Problem(format!("the journal `{}` {why}", self.path.display())));
        }
        told
    }

    /// Reads on; returns whether there was more. What is behind the last line feed is read again: a run that failed is closed there.
    ///
    /// # Errors
    /// What is wrong with the journal.
    fn grow(&mut self) -> Result<bool, String> {
        let unread = |error: std::io::Error| format!("cannot be read ({error})");
        let mut file = disk::open(&self.path, OpenOptions::new().read(true)).map_err(unread)?;
        if file.metadata().map_err(unread)?.len() < self.read {
            return Err(format!("was cut off before byte {}", self.read));
        }
        file.seek(SeekFrom::Start(self.read)).map_err(unread)?;
        let mut bytes = Vec::new();
        let found = file.take(self.most).read_to_end(&mut bytes).map_err(unread)? as u64;
        let mut grown = false;
        for line in bytes.split_inclusive(|byte| *byte == b'\n').filter(|line| line.ends_with(b"\n")) {
            self.check(line)?;
            self.read += line.len() as u64;
            grown = true;
        }
        let is_long = !grown && found == self.most;
        self.most *= if is_long { 2 } else { 1 };
        Ok(grown || is_long)
    }

    /// Takes the bytes of a line, if they are what was written.
    fn check(&mut self, line: &[u8]) -> Result<(), String> {
        if self.read == 0 && line == journal::MAGIC.as_bytes() {
            return Ok(());
        }
        let is_whole = self.read > 0 && journal::event(line).is_some();
        let text = str::from_utf8(line).ok().filter(|_| is_whole);
        let text = text.ok_or_else(|| format!("is damaged at byte {}", self.read))?;
        self.take(text.trim_end());
        Ok(())
    }

    fn synced(&self) -> bool {
        disk::open(&self.path, OpenOptions::new().read(true)).is_ok_and(|file| file.sync_data().is_ok())
    }

    /// Number of held lines that may be sent; `all` if all are durable.
    fn known(&self, all: bool) -> usize {
        if all { self.held.len() } else { self.held.iter().take_while(|line| line.may).count() }
    }

    /// Takes a line of a journal, `crc seq at [durable=N] kind json`; skips the header line.
    fn take(&mut self, text: &str) {
        let mut words = text.split(' ').skip(1);
        let Some(seq) = words.next().and_then(|seq| seq.parse::<u64>().ok()) else { return };
        let mut words = words.skip(1).take(2);
        let Some(mut kind) = words.next() else { return };
        if let Some(durable) = kind.strip_prefix("durable=") {
            let durable = durable.parse().unwrap_or(0);
            // These lines may now be sent, like scans.
            for line in self.held.iter_mut().filter(|line| line.seq <= durable) {
                line.may = true;
            }
            kind = words.next().unwrap_or_default();
        }
        // The last line of a journal.
        self.over |= kind == "ended";
        self.held.push(Line { seq, may: kind == "scan", text: text.to_owned() });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use tripbench_quantity::Mono;
    use tripbench_record::{EventKind, Seq};

    #[test]
    fn what_is_behind_a_check_is_told_once_the_check_is_durable() {
        let mut tail = Tail::of(PathBuf::new(), None);
        let known = |tail: &mut Tail, line: &str| {
            tail.take(line);
            tail.known(tail.over)
        };
        assert_eq!(known(&mut tail, "tripbench-journal 1"), 0);
        assert_eq!(known(&mut tail, "0123abcd 1 10 scan {}"), 1);
        assert_eq!(known(&mut tail, "0123abcd 2 20 check {}"), 1);
        assert_eq!(known(&mut tail, "0123abcd 3 30 durable=1 scan {}"), 1);
        assert_eq!(known(&mut tail, "0123abcd 4 40 durable=2 step-done {}"), 3);
        assert_eq!(known(&mut tail, "0123abcd 5 50 ended {}"), 5);
    }

    fn event(seq: u64, kind: EventKind) -> String {
        journal::line(&tripbench_record::Event { seq: Seq(seq), at: Mono::START, kind }, None)
            .expect("a line")
    }

    /// A journal of one event, and what follows it.
    #[rstest]
    #[case::nothing(b"", false, "ends without the end of the run")]
    #[case::part_of_a_line(b"0123abcd 1 10 sc", false, "ends without the end of the run")]
    #[case::not_utf8(b"\xFF\xFE\n", true, "is damaged at byte ")]
    #[case::no_event(b"no event\n", true, "is damaged at byte ")]
    #[case::wrong_sum(b"00000000 1 10 recovered {\"torn_bytes\":0}\n", true, "is damaged at byte ")]
    #[case::zeros(b"\0\0\0\0\n", false, "is damaged at byte ")]
    fn the_last_thing_sent_is_the_end_or_a_problem(
        #[case] then: &[u8],
        #[case] in_progress: bool,
        #[case] why: &str,
    ) {
        let name = format!("tripbench-events-{}-{}", std::process::id(), then.len());
        let path = std::env::temp_dir().join(format!("{name}-{in_progress}"));
        let first = event(0, EventKind::Recovered { torn_bytes: 0 });
        let good = [journal::MAGIC.as_bytes(), first.as_bytes()].concat();
        std::fs::write(&path, [&good, then].concat()).expect("a journal");
        let mut tail = Tail::of(path.clone(), None);
        let mut told = tail.more(in_progress);
        // Lines come first, and what is behind them with the next read.
        if !tail.over {
            told.extend(tail.more(in_progress));
        }
        assert!(tail.over && matches!(&told[0], Told::Line(line) if line.seq == 0), "{told:?}");
        assert!(matches!(&told[1..], [Told::Problem(text)] if text.contains(why)), "{told:?}");
        std::fs::remove_file(&path).expect("a journal");
    }

    /// The torn tail of a run that failed is removed, and the journal is closed there.
    #[test]
    fn a_journal_that_is_closed_while_it_is_watched_is_read_to_its_end() {
        let path = std::env::temp_dir().join(format!("tripbench-events-{}", std::process::id()));
        let first = format!("{}{}", journal::MAGIC, event(0, EventKind::Recovered { torn_bytes: 0 }));
        let end = event(1, EventKind::Ended { ended: None });
        let mut tail = Tail::of(path.clone(), None);
        let mut lines = 0;
        for then in ["0123abcd 1 10 sc", &end] {
            std::fs::write(&path, format!("{first}{then}")).expect("a journal");
            let told = tail.more(true);
            assert!(told.iter().all(|told| matches!(told, Told::Line(_))), "{told:?}");
            lines += told.len();
        }
        assert_eq!((lines, tail.over), (2, true));
        std::fs::remove_file(&path).expect("a journal");
    }
}
