//! Service endpoints for other programs: health, metrics, and the document of the API.

use crate::http::{events, metrics, rigs, runs, start, watch};
use crate::problem::{Problem, Refused};
use crate::samples::Samples;
use crate::stage::Daemon;
use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::sync::Arc;
use tripbench_bench::{Phase, RunSnapshot, Status};
use utoipa::{OpenApi, ToSchema};

/// The API.
#[derive(OpenApi)]
#[openapi(
    info(
        title = "tripbench",
        version = "1",
        description = "The daemon of a bench where vacuum switches are accepted. \
        tripbench is not a safety device: STOP TEST is not an emergency stop.",
        license(name = "MIT OR Apache-2.0")
    ),
    paths(
        openapi,
        health,
        metrics::metrics,
        rigs::all,
        rigs::one,
        rigs::mount,
        start::start,
        rigs::stop,
        rigs::answer,
        watch::watch_all,
        watch::watch,
        runs::newest,
        runs::record,
        runs::report,
        runs::trace,
        events::events
    ),
    components(schemas(Problem, Samples))
)]
struct Api;

/// The `OpenAPI` document, pretty.
pub(crate) fn document() -> String {
    Api::openapi().to_pretty_json().unwrap_or_default()
}

/// The `OpenAPI` document of this API.
#[utoipa::path(get, path = "/api/v1/openapi.json", responses(Refused, (status = 200, description = "OpenAPI 3.1", content_type = "application/json")))]
pub(crate) async fn openapi() -> Response {
    ([(header::CONTENT_TYPE, "application/json")], document()).into_response()
}

/// Health of the daemon and its rigs.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Health {
    /// Whether every rig has a run in progress, or answers with its outputs safe.
    well: bool,
    /// Version of the program.
    version: &'static str,
    /// The rigs with a problem, and why.
    problems: Vec<String>,
}

/// Health of the daemon and its rigs: 200 if all are well, 503 otherwise.
#[utoipa::path(get, path = "/api/v1/health", responses(Refused, (status = 200, body = Health), (status = 503, body = Health)))]
pub(crate) async fn health(State(daemon): State<Arc<Daemon>>) -> (StatusCode, Json<Health>) {
    let rigs = daemon.bench.rigs.iter();
    let problems: Vec<String> = rigs.filter_map(|rig| problem_of(&rig.status())).collect();
    let well = problems.is_empty();
    let status = if well { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (status, Json(Health { well, version: env!("CARGO_PKG_VERSION"), problems }))
}

/// The problem of a rig, if it has one.
fn problem_of(status: &Status) -> Option<String> {
    let why = match &status.phase {
        Phase::Idle(_) if status.owed.is_empty() => return None,
        Phase::Idle(_) => {
            let owed: Vec<&str> = status.owed.iter().map(|owed| owed.run.as_str()).collect();
            format!("no record yet for {}", owed.join(", "))
        }
        Phase::Preparing { .. } | Phase::Running(_) | Phase::MakingSafe { .. } => {
            let view = |run: &Arc<RunSnapshot>| run.view.halted.is_some() && run.view.safe != Some(true);
            let run = status.run.as_ref().filter(|run| view(run))?;
            format!("run {} was stopped, outputs not confirmed safe yet", run.run())
        }
        Phase::Starting => String::from("not looked at yet"),
        Phase::Faulted(fault) => fault.to_string(),
        Phase::Ending { fault: Some(fault), .. } => format!("the daemon is ending; {fault}"),
        Phase::Ending { fault: None, .. } => String::from("the daemon is ending"),
    };
    Some(format!("{}: {why}", status.rig))
}
