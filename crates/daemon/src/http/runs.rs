//! Runs: their records, reports and traces, and the events of a run as they are recorded.

use super::watch::Seat;
use crate::document::verdict_key;
use crate::problem::{Problem, Refused};
use crate::stage::Daemon;
use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::Stream;
use futures_util::stream::unfold;
use serde::{Deserialize, Serialize};
use std::convert::Infallible;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncSeekExt};
use tripbench_job::folder;
use utoipa::ToSchema;

/// A finished run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct RunEntry {
    /// Identifier of the run.
    pub run: String,
    /// The rig.
    pub rig: String,
    /// Wall time of the start, RFC 3339.
    pub started: String,
    /// Serial numbers and verdicts by position.
    pub positions: Vec<EntryPosition>,
    /// The earlier run that it continues, for devices left undecided there.
    pub again: Option<String>,
    /// Number of the attempt, if it continues an earlier run.
    pub attempt: Option<u16>,
}

/// A position of a finished run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct EntryPosition {
    /// Number of the position.
    pub position: u8,
    /// Serial number or own number.
    pub serial: String,
    /// `pass`, `fail`, `undecided`, `aborted`, `measured`.
    pub verdict: String,
    /// Quantities of the record that the verdict does not cover.
    pub not_checked: Vec<String>,
}

impl From<&tripbench_bench::RunEntry> for RunEntry {
    fn from(entry: &tripbench_bench::RunEntry) -> Self {
        let position = |position: &tripbench_bench::EntryPosition| EntryPosition {
            position: position.position,
            serial: position.serial.clone(),
            verdict: verdict_key(position.verdict).to_owned(),
            not_checked: position.not_checked.iter().map(ToString::to_string).collect(),
        };
        Self {
            run: entry.run.clone(),
            rig: entry.rig.clone(),
            started: entry.started.clone(),
            positions: entry.positions.iter().map(position).collect(),
            again: entry.again.clone(),
            attempt: entry.attempt,
        }
    }
}

/// Selection of runs.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub(crate) struct Which {
    /// Only runs of this rig.
    rig: Option<String>,
    /// Largest number of runs, 1 to 500; 50 by default.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u16>,
}

/// Finished runs, the newest first.
#[utoipa::path(get, path = "/api/v1/runs", params(Which),
    responses(Refused, (status = 200, body = [RunEntry]), (status = 400, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn newest(
    State(daemon): State<Arc<Daemon>>,
    which: Result<Query<Which>, axum::extract::rejection::QueryRejection>,
) -> Result<Json<Vec<RunEntry>>, Problem> {
    let Query(which) = which.map_err(|rejection| {
        let allowed = "allowed are `rig`, a name, and `limit`, a whole number from 1 to 500";
        Problem::bad_request(format!("{}: {allowed}", rejection.body_text()))
    })?;
    let limit = usize::from(which.limit.unwrap_or(50));
    if !(1..=500).contains(&limit) {
        return Err(Problem::bad_request(format!("limit {limit}: 1 to 500 is allowed")));
    }
    let entries = daemon.bench.runs.newest(which.rig.as_deref(), limit);
    Ok(Json(entries.iter().map(RunEntry::from).collect()))
}

fn folder_of(daemon: &Daemon, run: &str) -> Result<PathBuf, Problem> {
    daemon.bench.runs.find(run).ok_or_else(|| Problem::not_found(format!("there is no finished run `{run}`")))
}

async fn file(daemon: &Daemon, run: &str, name: &str, kind: &'static str) -> Result<Response, Problem> {
    let path = folder_of(daemon, run)?.join(name);
    let bytes = tokio::fs::read(&path)
        .await
        .map_err(|error| Problem::not_found(format!("`{name}` of run `{run}` cannot be read: {error}")))?;
    Ok(([(header::CONTENT_TYPE, kind)], bytes).into_response())
}

/// The record of a finished run.
#[utoipa::path(get, path = "/api/v1/runs/{run}", params(("run" = String, Path, description = "Identifier of the run")),
    responses(Refused, (status = 200, description = "The record, as `record.json`", content_type = "application/json"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn record(
    State(daemon): State<Arc<Daemon>>,
    Path(run): Path<String>,
) -> Result<Response, Problem> {
    file(&daemon, &run, folder::RECORD, "application/json").await
}

/// The report of a finished run.
#[utoipa::path(get, path = "/api/v1/runs/{run}/report", params(("run" = String, Path, description = "Identifier of the run")),
    responses(Refused, (status = 200, description = "The report", content_type = "text/html"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn report(
    State(daemon): State<Arc<Daemon>>,
    Path(run): Path<String>,
) -> Result<Response, Problem> {
    let mut response = file(&daemon, &run, folder::REPORT, "text/html; charset=utf-8").await?;
    // A report contains its style, but no script.
    let policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'";
    response
        .headers_mut()
        .insert(header::CONTENT_SECURITY_POLICY, axum::http::HeaderValue::from_static(policy));
    Ok(response)
}

/// The raw trace of a finished run.
#[utoipa::path(get, path = "/api/v1/runs/{run}/trace", params(("run" = String, Path, description = "Identifier of the run")),
    responses(Refused, (status = 200, description = "The trace", content_type = "text/csv"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn trace(
    State(daemon): State<Arc<Daemon>>,
    Path(run): Path<String>,
) -> Result<Response, Problem> {
    file(&daemon, &run, folder::TRACE, "text/csv; charset=utf-8").await
}

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
    let path = place.ok_or_else(|| Problem::not_found(format!("there is no run `{run}`")))?;
    let after = after(&headers)?;
    let seat = Seat::take()?;
    let tail = Tail { path, read: 0, rest: Vec::new(), after, held: Vec::new(), over: false };
    let stream = unfold((tail, Vec::<Event>::new(), seat), |(mut tail, mut ready, seat)| async move {
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
                tokio::time::sleep(Duration::from_millis(50)).await;
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
