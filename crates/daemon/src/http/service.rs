//! Service endpoints for other programs: health, metrics, and the document of the API.

use crate::document::{Doing, verdict_key};
use crate::http::{rigs, runs, start, watch};
use crate::problem::{Problem, Refused};
use crate::samples::Samples;
use crate::stage::Daemon;
use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::sync::Arc;
use tripbench_bench::{Phase, RunTold, Status};
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
        metrics,
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
        runs::events
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
            let view = |run: &Arc<RunTold>| run.view.halted.is_some() && run.view.safe != Some(true);
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

/// Metrics for Prometheus (text format 0.0.4).
#[utoipa::path(get, path = "/metrics", responses(Refused, (status = 200, description = "State of the rigs, runs that wait, and devices tested by verdict", content_type = "text/plain")))]
pub(crate) async fn metrics(State(daemon): State<Arc<Daemon>>) -> Response {
    let mut lines = vec![
        String::from(
            "# HELP tripbench_rig_doing What a rig is doing: 1 for the present state, 0 for the others.",
        ),
        String::from("# TYPE tripbench_rig_doing gauge"),
    ];
    let states: Vec<_> = daemon.bench.rigs.iter().map(|rig| rig.status()).collect();
    for state in &states {
        for (doing, word) in [
            (Doing::Starting, "starting"),
            (Doing::Idle, "idle"),
            (Doing::Running, "running"),
            (Doing::NotReady, "not-ready"),
            (Doing::Ending, "ending"),
        ] {
            let one = u8::from(Doing::from(&state.phase) == doing);
            let rig = escaped(&state.rig);
            lines.push(format!("tripbench_rig_doing{{rig=\"{rig}\",doing=\"{word}\"}} {one}"));
        }
    }
    lines.push(String::from("# HELP tripbench_queue Runs that wait for the rig."));
    lines.push(String::from("# TYPE tripbench_queue gauge"));
    for state in &states {
        lines.push(format!("tripbench_queue{{rig=\"{}\"}} {}", escaped(&state.rig), state.queue.len()));
    }
    lines.push(String::from("# HELP tripbench_looks_total Scans of a rig between runs."));
    lines.push(String::from("# TYPE tripbench_looks_total counter"));
    for rig in &daemon.bench.rigs {
        lines.push(format!("tripbench_looks_total{{rig=\"{}\"}} {}", escaped(&rig.name), rig.looks()));
    }
    lines.push(String::from(
        "# HELP tripbench_positions_total Devices tested in all runs of the folder, by verdict.",
    ));
    lines.push(String::from("# TYPE tripbench_positions_total counter"));
    for (rig, verdict, count) in daemon.bench.runs.counts() {
        let (rig, verdict) = (escaped(&rig), verdict_key(verdict));
        lines.push(format!("tripbench_positions_total{{rig=\"{rig}\",verdict=\"{verdict}\"}} {count}"));
    }
    let text = lines.join("\n") + "\n";
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4")], text).into_response()
}

fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}
