//! Requests to rigs: state, mounting, stop, answers.

use crate::document::{Placing, RigState, Round};
use crate::problem::{BodyRefused, Problem, ProblemKind, Refused};
use crate::stage::Daemon;
use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use serde::Deserialize;
use std::sync::Arc;
use tripbench_bench::Rig;
use tripbench_record::{Answer, Halt};
use utoipa::ToSchema;

/// The body, or a problem if it cannot be read.
pub(super) fn body<T>(body: Result<Json<T>, JsonRejection>) -> Result<T, Problem> {
    body.map(|Json(body)| body).map_err(|rejection| {
        let mut problem = Problem::bad_request(plain(&rejection.body_text()));
        problem.status = rejection.status().as_u16();
        problem
    })
}

/// The library's error text for a body, without programmers' terms.
fn plain(text: &str) -> String {
    let text =
        text.strip_prefix("Failed to deserialize the JSON body into the target type: ").unwrap_or(text);
    let kinds = [
        ("expected u8", "expected a whole number from 0 to 255"),
        ("expected u32", "expected a whole number from 0 to 4294967295"),
        ("expected u64", "expected a whole number, at least 0"),
    ];
    kinds.into_iter().fold(text.to_owned(), |text, (raw, plain)| text.replace(raw, plain))
}

pub(super) fn rig_of(daemon: &Daemon, name: &str) -> Result<Arc<Rig>, Problem> {
    daemon.find(name).map(|(rig, _)| Arc::clone(rig)).ok_or_else(|| no_rig(daemon, name))
}

fn no_rig(daemon: &Daemon, name: &str) -> Problem {
    let there: Vec<&str> = daemon.bench.rigs.iter().map(|rig| rig.name.as_str()).collect();
    Problem::not_found(format!("there is no rig `{name}`; the rigs of this bench are {}", there.join(", ")))
}

/// A document, made on a thread that no stop waits for: it may take planning.
async fn made<T: Send + 'static>(
    document: impl FnOnce() -> Result<T, Problem> + Send + 'static,
) -> Result<Json<T>, Problem> {
    let made = tokio::task::spawn_blocking(document).await;
    made.map_err(|error| Problem::inside(error.to_string()))?.map(Json)
}

/// All rigs as they are.
#[utoipa::path(get, path = "/api/v1/rigs", responses(Refused, (status = 200, body = [RigState])))]
pub(crate) async fn all(State(daemon): State<Arc<Daemon>>) -> Result<Json<Vec<RigState>>, Problem> {
    made(move || Ok(daemon.watched().map(|(rig, stage)| stage.document(rig)).collect())).await
}

/// One rig with its present state.
#[utoipa::path(get, path = "/api/v1/rigs/{rig}", params(("rig" = String, Path, description = "Name of the rig")),
    responses(Refused, (status = 200, body = RigState), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn one(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
) -> Result<Json<RigState>, Problem> {
    let document = move || {
        let found = daemon.find(&name).map(|(rig, stage)| stage.document(rig));
        found.ok_or_else(|| no_rig(&daemon, &name))
    };
    made(document).await
}

/// Devices to be mounted: the whole round.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, expecting = "an object")]
pub(crate) struct MountBody {
    /// Revision of the round that the client has seen.
    revision: u64,
    /// The occupied positions; all others are empty.
    places: Vec<Placing>,
    /// The run whose verdict was acknowledged, if this begins the next round.
    #[serde(default)]
    #[schema(max_length = 80)]
    seen: Option<String>,
}

/// Mounts devices at positions.
#[utoipa::path(put, path = "/api/v1/rigs/{rig}/round", params(("rig" = String, Path, description = "Name of the rig")),
    request_body = MountBody,
    responses(BodyRefused, (status = 200, body = Round),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json"),))]
pub(crate) async fn mount(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
    given: Result<Json<MountBody>, JsonRejection>,
) -> Result<Json<Round>, Problem> {
    let given = body(given)?;
    if let Some(seen) = &given.seen {
        Problem::check_text("seen", seen, 80)?;
    }
    let places = given.places.into_iter().map(Into::into).collect();
    let round = rig_of(&daemon, &name)?.mount(given.revision, places, given.seen.clone())?;
    if let Some(seen) = given.seen {
        // Not awaited: the disk may hang.
        tokio::spawn(async move {
            let (runs, run) = (Arc::clone(&daemon.bench.runs), seen.clone());
            // Without it the verdict is shown as new after the next start.
            let _or_the_disk_hangs = daemon.at_disk.work(&run, move || runs.mark_seen(&seen)).await;
        });
    }
    Ok(Json(Round::from(&round)))
}

/// STOP TEST: stops the run in progress on a rig at once, and withdraws the runs that wait. Not an emergency stop. A body is ignored.
#[utoipa::path(post, path = "/api/v1/rigs/{rig}/stop", params(("rig" = String, Path, description = "Name of the rig")),
    responses(Refused, (status = 202), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn stop(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
) -> Result<StatusCode, Problem> {
    rig_of(&daemon, &name)?.stop(Halt::Operator { by: String::from("STOP TEST") });
    Ok(StatusCode::ACCEPTED)
}

/// An answer to a question.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, expecting = "an object")]
pub(crate) struct AnswerBody {
    /// The run that asks; an answer to another run is refused.
    #[schema(max_length = 80)]
    run: String,
    /// Number of the question.
    #[schema(minimum = 0, maximum = 4_294_967_295_u64)]
    question: u32,
    /// The answer: `yes` or `no`, or `y`, `ja`, `j`, `ok`, `n`, `nein`. No ends the run.
    #[schema(max_length = 20)]
    answer: String,
    /// Who answers, for the record.
    #[schema(max_length = 80)]
    by: Option<String>,
}

/// Answers the open question of a run.
#[utoipa::path(post, path = "/api/v1/rigs/{rig}/answer", params(("rig" = String, Path, description = "Name of the rig")),
    request_body = AnswerBody,
    responses(BodyRefused, (status = 202),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn answer(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
    given: Result<Json<AnswerBody>, JsonRejection>,
) -> Result<StatusCode, Problem> {
    let given = body(given)?;
    let by = given.by.unwrap_or_else(|| String::from("unnamed operator"));
    if Answer::of(&given.answer).is_none() {
        let detail = format!("answer `{}`: allowed are {}", given.answer.escape_debug(), Answer::words());
        return Err(Problem::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            ProblemKind::BadAnswer,
            "Unknown answer",
            detail,
        ));
    }
    let by = Problem::check_text("by", &by, 80)?;
    rig_of(&daemon, &name)?.answer(given.run, given.question, (given.answer, by))?;
    Ok(StatusCode::ACCEPTED)
}
