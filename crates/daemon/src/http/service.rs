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
use tripbench_bench::Status;
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
    /// Whether every rig answers with its outputs safe, or has a run in progress, and no record is owed.
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

/// The problems of a rig, if it has any.
fn problem_of(status: &Status) -> Option<String> {
    let why = status.problems();
    (!why.is_empty()).then(|| format!("{}: {}", status.rig, why.join("; ")))
}
