//! Finished runs: their list, records, reports and traces.

use super::download::file;
use super::genuine::genuine;
use crate::document::{VerdictWord, verdict_key};
use crate::problem::{Problem, ProblemKind, Refused};
use crate::stage::Daemon;
use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Semaphore;
use tokio::time::timeout;
use tripbench_bench::{Genuine, Runs, place_before};
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
    /// Whether no device was tested, because the rig is simulated or its module reports that it is a simulator.
    pub simulated: bool,
    /// Whether a sheet was a draft.
    pub trial: bool,
    /// Why the run was stopped early, in English; `null` if it came to its end.
    pub halted: Option<String>,
    /// SHA-256 of its record, the bytes that `/runs/{run}` gives, hexadecimal. The record contains that of its trace.
    pub sha256: String,
    /// SHA-256 of other records of this run, in copies of its folder whose files are as sound as these: which record is right cannot be known.
    /// Usually empty.
    pub others: Vec<String>,
    /// Why its files cannot be trusted: record and journal contradict each other, or one of them cannot be read. Then its positions have no
    /// verdicts, its files are not given out, and what the files no longer tell is empty: its rig, or its positions. A run of which nothing
    /// else is known has the name of its folder as `run`. Usually `null`.
    pub untrusted: Option<String>,
    /// Place in the order in which finished runs were listed. `after` takes it too.
    pub listed: u64,
}

/// A position of a finished run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct EntryPosition {
    /// Number of the position.
    pub position: u8,
    /// Serial number or own number.
    pub serial: String,
    /// The verdict; never `set-aside`; `null` if it is not known, because the run is `untrusted` or has `others`.
    #[schema(value_type = Option<VerdictWord>)]
    pub verdict: Option<String>,
    /// Quantities of the record that the verdict does not cover.
    pub not_checked: Vec<String>,
}

impl From<&tripbench_bench::RunEntry> for RunEntry {
    fn from(entry: &tripbench_bench::RunEntry) -> Self {
        let position = |position: &tripbench_bench::EntryPosition| EntryPosition {
            position: position.position,
            serial: position.serial.clone(),
            verdict: position.verdict.map(|verdict| verdict_key(verdict).to_owned()),
            not_checked: position.not_checked.iter().map(ToString::to_string).collect(),
        };
        Self {
            run: entry.run.clone(),
            rig: entry.rig.clone(),
            started: entry.started.clone(),
            positions: entry.positions.iter().map(position).collect(),
            again: entry.again.clone(),
            attempt: entry.attempt,
            simulated: entry.simulated,
            trial: entry.trial,
            halted: entry.halted.clone(),
            sha256: entry.sha256.clone(),
            others: entry.others.clone(),
            untrusted: entry.untrusted.clone(),
            listed: entry.listed,
        }
    }
}

/// Selection of runs.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct Which {
    /// Only runs of this rig.
    rig: Option<String>,
    /// Largest number of runs, 1 to 500; 50 by default.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<u16>,
    /// Only runs that tested a device with this serial number, or of which it is not known which devices they tested.
    serial: Option<String>,
    /// Only runs that started at this time or later, RFC 3339.
    since: Option<String>,
    /// Only runs that were listed after this one, **in the order in which they were listed**: a program that was offline continues where it
    /// was. The place of the last run (`listed`), or its identifier. By the place no run is missed and none comes twice, also if that run was
    /// deleted; by the identifier of a run that was deleted, runs listed while it was in progress are returned again.
    after: Option<String>,
}

impl Which {
    /// The runs wanted.
    ///
    /// # Errors
    /// If `since` is not a time, or `after` names neither a run nor a place.
    fn of(&self, runs: &Runs) -> Result<Vec<tripbench_bench::RunEntry>, Problem> {
        let rig = self.rig.as_deref();
        let mut all = if let Some(after) = &self.after {
            let last = runs.place(after).or_else(|| place(after)).ok_or_else(|| {
                let after = after.escape_debug();
                Problem::bad_request(format!(
                    "after `{after}`: expected the identifier of a finished run, or its place in the list (`listed`)"
                ))
            })?;
            runs.listed_after(rig, last)
        } else {
            runs.newest(rig, usize::MAX)
        };
        if let Some(since) = &self.since {
            let time = |text: &str| text.parse::<jiff::Timestamp>().ok();
            let since = time(since).ok_or_else(|| {
                let since = since.escape_debug();
                Problem::bad_request(format!(
                    "since `{since}`: expected a time, such as 2026-11-28T06:00:00Z"
                ))
            })?;
            all.retain(|entry| time(&entry.started).is_none_or(|started| started >= since));
        }
        if let Some(serial) = &self.serial {
            all.retain(|entry| entry.may_have_tested(serial));
        }
        Ok(all)
    }
}

/// A place in the order of listing: a number, or the identifier of a run that is not there.
fn place(after: &str) -> Option<u64> {
    after.parse().ok().or_else(|| place_before(after))
}

/// Finished runs, the newest first.
#[utoipa::path(get, path = "/api/v1/runs", params(Which),
    responses(Refused, (status = 200, body = [RunEntry]), (status = 400, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn newest(
    State(daemon): State<Arc<Daemon>>,
    which: Result<Query<Which>, axum::extract::rejection::QueryRejection>,
) -> Result<Json<Vec<RunEntry>>, Problem> {
    let Query(which) = which.map_err(|rejection| {
        let allowed =
            "allowed are `rig`, a name, `limit`, a whole number from 1 to 500, `serial`, `since` and `after`";
        Problem::bad_request(format!("{}: {allowed}", rejection.body_text()))
    })?;
    let limit = usize::from(which.limit.unwrap_or(50));
    if !(1..=500).contains(&limit) {
        return Err(Problem::bad_request(format!("limit {limit}: 1 to 500 is allowed")));
    }
    let entries = which.of(&daemon.bench.runs)?;
    Ok(Json(entries.iter().take(limit).map(RunEntry::from).collect()))
}

/// The record of a finished run.
#[utoipa::path(get, path = "/api/v1/runs/{run}", params(("run" = String, Path, description = "Identifier of the run")),
    responses(Refused, (status = 200, description = "The record, as `record.json`", content_type = "application/json"),
        (status = 409, description = "A file of the run was changed", body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn record(
    State(daemon): State<Arc<Daemon>>,
    Path(run): Path<String>,
) -> Result<Response, Problem> {
    let record = genuine(&daemon, &run, |files| Ok(files.record)).await?;
    Ok(([(header::CONTENT_TYPE, "application/json")], record).into_response())
}

/// Reports that are made at the same time: a trace may be long.
static REPORTS: Semaphore = Semaphore::const_new(1);
/// Longest wait for another report, which may hang at the disk.
const TURN_WITHIN: Duration = Duration::from_secs(10);

/// The report of a finished run, made from its record and its trace.
#[utoipa::path(get, path = "/api/v1/runs/{run}/report", params(("run" = String, Path, description = "Identifier of the run")),
    responses(Refused, (status = 200, description = "The report", content_type = "text/html"),
        (status = 409, description = "A file of the run was changed", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Other reports are being made", body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn report(
    State(daemon): State<Arc<Daemon>>,
    Path(run): Path<String>,
) -> Result<Response, Problem> {
    let turn = timeout(TURN_WITHIN, REPORTS.acquire()).await;
    let Ok(Ok(turn)) = turn else {
        let detail = format!("run `{run}`: other reports are being made; ask again later");
        return Err(Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            ProblemKind::TooMany,
            "Too many reports",
            detail,
        ));
    };
    let made = move |files: Genuine| {
        let _turn = turn;
        files.report()
    };
    let report = genuine(&daemon, &run, made).await?;
    let mut response = ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], report).into_response();
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
        (status = 409, description = "A file of the run was changed", body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn trace(
    State(daemon): State<Arc<Daemon>>,
    Path(run): Path<String>,
) -> Result<Response, Problem> {
    let path = genuine(&daemon, &run, |files| files.trace()).await?;
    file(daemon, path, run, "text/csv; charset=utf-8").await
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    /// A run is listed after its identifier was made, so that its own place and every later one lie behind it.
    #[rstest]
    fn the_identifier_of_a_run_that_is_gone_lies_before_its_place(
        #[values(1_600_000_000_000, 1_764_345_600_123, 4_000_000_000_999)] at_ms: u64,
        #[values(0, 1, 999_999)] took_us: u64,
        #[values(0, 0xFF)] filled: u8,
    ) {
        let gone = uuid::Builder::from_unix_timestamp_millis(at_ms, &[filled; 10]).into_uuid();
        let before = place(&gone.to_string()).expect("a place");
        assert!((at_ms * 1_000..=at_ms * 1_000 + took_us).contains(&before), "{before}");
        assert_eq!(place(&before.to_string()), Some(before));
    }

    /// Identifiers of other versions have no time.
    #[rstest]
    fn what_can_be_no_run_is_none(
        #[values("never", "", "-1", "67e55044-10b1-426f-9247-bb680e5fe0c8")] after: &str,
    ) {
        assert_eq!(place(after), None);
    }
}
