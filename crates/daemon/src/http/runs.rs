//! Finished runs: their list, records, reports and traces.

use super::download::file;
use crate::document::{VerdictWord, verdict_key};
use crate::problem::{Problem, ProblemKind, Refused};
use crate::stage::Daemon;
use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::Response;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;
use std::sync::Arc;
use tripbench_runner::folder;
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
}

/// A position of a finished run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct EntryPosition {
    /// Number of the position.
    pub position: u8,
    /// Serial number or own number.
    pub serial: String,
    /// The verdict; never `set-aside`.
    #[schema(value_type = VerdictWord)]
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
            simulated: entry.simulated,
            trial: entry.trial,
            halted: entry.halted.clone(),
            sha256: entry.sha256.clone(),
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
    /// Only runs that tested a device with this serial number.
    serial: Option<String>,
    /// Only runs that started at this time or later, RFC 3339.
    since: Option<String>,
    /// Only runs that were listed after this one, **the oldest first**: a program that was offline continues where it was.
    after: Option<String>,
}

impl Which {
    /// The runs wanted among `all`, which has the newest first.
    ///
    /// # Errors
    /// If `since` is not a time, or `after` is not one of the runs.
    fn of(&self, mut all: Vec<tripbench_bench::RunEntry>) -> Result<Vec<tripbench_bench::RunEntry>, Problem> {
        if let Some(after) = &self.after {
            let at = all.iter().find(|entry| entry.run == *after).ok_or_else(|| {
                let after = after.escape_debug();
                Problem::bad_request(format!(
                    "after `{after}`: expected the identifier of a finished run of this selection"
                ))
            })?;
            let last = at.listed;
            all.retain(|entry| entry.listed > last);
            all.sort_by_key(|entry| entry.listed);
        }
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
            all.retain(|entry| entry.positions.iter().any(|position| position.serial == *serial));
        }
        Ok(all)
    }
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
    let entries = which.of(daemon.bench.runs.newest(which.rig.as_deref(), usize::MAX))?;
    Ok(Json(entries.iter().take(limit).map(RunEntry::from).collect()))
}

fn folder_of(daemon: &Daemon, run: &str) -> Result<PathBuf, Problem> {
    daemon.bench.runs.find(run).ok_or_else(|| unfinished(daemon, run))
}

/// What is known of a run that is not among the finished ones.
pub(super) fn unfinished(daemon: &Daemon, run: &str) -> Problem {
    let never = daemon.bench.rigs.iter().find_map(|rig| {
        let why = rig.status().why_never_began(run)?.to_owned();
        Some(format!("run `{run}` for the rig `{}` {why}", rig.name))
    });
    if let Some(detail) = never {
        return Problem::new(StatusCode::NOT_FOUND, ProblemKind::NeverBegan, "The run never began", detail);
    }
    let what = daemon.bench.rigs.iter().find_map(|rig| {
        let (status, rig) = (rig.status(), &rig.name);
        if status.queue.iter().any(|waiting| waiting.run == run) {
            return Some(format!("waits for the rig `{rig}`"));
        }
        if status.owed.iter().any(|owed| owed.run == run) {
            return Some(format!("has ended on the rig `{rig}`, and its record is not made yet; it is tried again every ten seconds"));
        }
        let is_there = status.folder_of(run).is_some() || status.phase.run() == Some(run);
        is_there.then(|| format!("is in preparation or in progress on the rig `{rig}`, or has just ended there"))
    });
    match what {
        Some(what) => {
            let detail = format!("run `{run}` {what}");
            Problem::new(StatusCode::NOT_FOUND, ProblemKind::NotFinished, "Not finished yet", detail)
        }
        None => Problem::not_found(format!(
            "there is no run `{}`: it was never started, or it never began and the daemon no longer knows why",
            run.escape_debug()
        )),
    }
}

/// The record of a finished run.
#[utoipa::path(get, path = "/api/v1/runs/{run}", params(("run" = String, Path, description = "Identifier of the run")),
    responses(Refused, (status = 200, description = "The record, as `record.json`", content_type = "application/json"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn record(
    State(daemon): State<Arc<Daemon>>,
    Path(run): Path<String>,
) -> Result<Response, Problem> {
    file(&folder_of(&daemon, &run)?.join(folder::RECORD), &run, "application/json").await
}

/// The report of a finished run.
#[utoipa::path(get, path = "/api/v1/runs/{run}/report", params(("run" = String, Path, description = "Identifier of the run")),
    responses(Refused, (status = 200, description = "The report", content_type = "text/html"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn report(
    State(daemon): State<Arc<Daemon>>,
    Path(run): Path<String>,
) -> Result<Response, Problem> {
    let mut response =
        file(&folder_of(&daemon, &run)?.join(folder::REPORT), &run, "text/html; charset=utf-8").await?;
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
    file(&folder_of(&daemon, &run)?.join(folder::TRACE), &run, "text/csv; charset=utf-8").await
}
