//! The events of a run as they are recorded, in progress or finished.

use super::runs::unfinished;
use super::watch::seat;
use crate::problem::{Problem, Refused};
use crate::stage::Daemon;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::Stream;
use futures_util::stream::unfold;
use std::convert::Infallible;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::io::{AsyncReadExt, AsyncSeekExt};

/// The events of a run, in progress or finished, as lines of its journal: all, or those after the one in `Last-Event-ID`.
#[utoipa::path(get, path = "/api/v1/runs/{run}/events",
    params(("run" = String, Path, description = "Identifier of the run"), ("last-event-id" = Option<u64>, Header, description = "Number of the last event received")),
    responses(Refused, (status = 200, description = "Events: `id` is the event's number, `data` its journal line", content_type = "text/event-stream"),
        (status = 503, description = "Too many watchers", body = Problem, content_type = "application/problem+json"),
        (status = 400, description = "Last-Event-ID is not a number", body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn events(
    State(daemon): State<Arc<Daemon>>,
    Path(run): Path<String>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    // Reading a folder must not occupy a thread that a stop may wait for.
    let (there, wanted) = (Arc::clone(&daemon), run.clone());
    let place = tokio::task::spawn_blocking(move || there.bench.journal_of(&wanted)).await.ok().flatten();
    let path = place.ok_or_else(|| unfinished(&daemon, &run))?;
    let after = after(&headers)?;
    let seat = seat(&daemon)?;
    let every = daemon.limits.journal_every;
    let tail = Tail { path, read: 0, rest: Vec::new(), after, held: Vec::new(), over: false };
    let stream = unfold((tail, Vec::<Event>::new(), seat), move |(mut tail, mut ready, seat)| async move {
        loop {
            if let Some(event) = ready.pop() {
                return Some((Ok(event), (tail, ready, seat)));
            }
            if tail.over {
                return None;
            }
            ready = tail.more().await?;
            ready.reverse();
            if ready.is_empty() && !tail.over {
                tokio::time::sleep(every).await;
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
struct Tail {
    path: PathBuf,
    read: u64,
    rest: Vec<u8>,
    after: Option<u64>,
    /// Lines not sent yet, because one of them or one before them is not known to be durable.
    held: Vec<Line>,
    over: bool,
}

/// A line of a journal.
struct Line {
    seq: u64,
    /// Whether it may be sent.
    may: bool,
    text: String,
}

impl Tail {
    /// New events that may be sent; `None` if the file cannot be read.
    async fn more(&mut self) -> Option<Vec<Event>> {
        const MOST: u64 = 256 * 1024;
        let mut file = tokio::fs::File::open(&self.path).await.ok()?;
        file.seek(std::io::SeekFrom::Start(self.read)).await.ok()?;
        let mut bytes = Vec::new();
        self.read += (&mut file).take(MOST).read_to_end(&mut bytes).await.ok()? as u64;
        self.rest.append(&mut bytes);
        let whole = self.rest.iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
        let lines: Vec<u8> = self.rest.drain(..whole).collect();
        for line in std::str::from_utf8(&lines).ok()?.lines() {
            self.take(line);
        }
        if self.over {
            // No later line confirms that the last ones are durable: this call makes them durable.
            file.sync_data().await.ok()?;
        }
        let known = self.known();
        let told = self.held.drain(..known).filter(|line| self.after.is_none_or(|after| line.seq > after));
        Some(told.map(|line| Event::default().id(line.seq.to_string()).data(line.text)).collect())
    }

    /// Number of held lines that may be sent.
    fn known(&self) -> usize {
        if self.over { self.held.len() } else { self.held.iter().take_while(|line| line.may).count() }
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

    #[test]
    fn what_is_behind_a_check_is_told_once_the_check_is_durable() {
        let mut tail = Tail {
            path: PathBuf::new(),
            read: 0,
            rest: Vec::new(),
            after: None,
            held: Vec::new(),
            over: false,
        };
        let known = |tail: &mut Tail, line: &str| {
            tail.take(line);
            tail.known()
        };
        assert_eq!(known(&mut tail, "tripbench-journal 1"), 0);
        assert_eq!(known(&mut tail, "0123abcd 1 10 scan {}"), 1);
        assert_eq!(known(&mut tail, "0123abcd 2 20 check {}"), 1);
        assert_eq!(known(&mut tail, "0123abcd 3 30 durable=1 scan {}"), 1);
        assert_eq!(known(&mut tail, "0123abcd 4 40 durable=2 step-done {}"), 3);
        assert_eq!(known(&mut tail, "0123abcd 5 50 ended {}"), 5);
    }
}
