//! Rigs: their state, what is mounted, start, stop, answers.

use crate::daemon::Daemon;
use crate::problem::{BodyRefused, Problem, Refused, chain};
use crate::rig::{Job, Order, Repeat, Rig};
use crate::runs::{RunEntry, Runs};
use crate::sheets::{Given, NotPlanned};
use crate::state::{Placing, RigState, Round};
use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use tripbench_job::go_on;
use tripbench_record::Halt;
use tripbench_sheet::Source;
use utoipa::ToSchema;

/// A body, or what is wrong with it.
fn body<T>(body: Result<Json<T>, JsonRejection>) -> Result<T, Problem> {
    body.map(|Json(body)| body).map_err(|rejection| {
        let mut problem = Problem::bad_request(plain(&rejection.body_text()));
        problem.status = rejection.status().as_u16();
        problem
    })
}

/// What the library says of a body, without the words of a programmer.
fn plain(text: &str) -> String {
    let text =
        text.strip_prefix("Failed to deserialize the JSON body into the target type: ").unwrap_or(text);
    let kinds = [
        ("expected u8", "expected a whole number from 0 to 255"),
        ("expected u32", "expected a whole number from 0 to 4294967295"),
        ("expected u64", "expected a whole number, not below 0"),
        ("expected struct MountBody", "expected an object"),
        ("expected struct StartBody", "expected an object"),
        ("expected struct AnswerBody", "expected an object"),
        ("expected struct Placing", "expected an object with `position`"),
    ];
    kinds.into_iter().fold(text.to_owned(), |text, (raw, plain)| text.replace(raw, plain))
}

fn rig_of(daemon: &Daemon, name: &str) -> Result<Arc<Rig>, Problem> {
    daemon.rig(name).ok_or_else(|| {
        let there: Vec<&str> = daemon.rigs.iter().map(|rig| rig.name.as_str()).collect();
        Problem::not_found(format!("there is no rig `{name}`; this bench has {}", there.join(", ")))
    })
}

/// All rigs as they are.
#[utoipa::path(get, path = "/api/v1/rigs", responses(Refused, (status = 200, body = [RigState])))]
pub(crate) async fn all(State(daemon): State<Arc<Daemon>>) -> Json<Vec<RigState>> {
    Json(daemon.rigs.iter().map(|rig| rig.state()).collect())
}

/// One rig as it is.
#[utoipa::path(get, path = "/api/v1/rigs/{rig}", params(("rig" = String, Path, description = "Name of the rig")),
    responses(Refused, (status = 200, body = RigState), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn one(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
) -> Result<Json<RigState>, Problem> {
    Ok(Json(rig_of(&daemon, &name)?.state()))
}

/// What is put at the positions of a rig: the whole round.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct MountBody {
    /// Revision of the round that was seen.
    revision: u64,
    /// The positions where something is; all others are empty.
    places: Vec<Placing>,
    /// The run whose verdict was taken note of, where this begins the next round.
    #[serde(default)]
    #[schema(max_length = 80)]
    seen: Option<String>,
}

/// Puts devices at positions.
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
    Ok(Json(rig_of(&daemon, &name)?.mount(given.revision, &given.places, given.seen)?))
}

/// A sheet as text.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct SheetText {
    /// File name, for findings and for the record.
    #[schema(max_length = 200)]
    file: String,
    /// The text, TOML.
    text: String,
}

/// A device that was left undecided.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct AgainBody {
    /// The run that left it undecided.
    #[schema(max_length = 80)]
    run: String,
    /// Its position there.
    #[schema(minimum = 1, maximum = 64)]
    position: u8,
}

/// What is to be run.
#[derive(Debug, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct StartBody {
    /// Revision of the round that is mounted, to run that; each revision starts one run.
    #[serde(default)]
    revision: Option<u64>,
    /// In place of the mounted round: a device that an earlier run left undecided, as it still stands there.
    #[serde(default)]
    again: Option<AgainBody>,
    /// Without `revision`: where devices are.
    #[serde(default)]
    places: Vec<Placing>,
    /// That a serial number stands twice is right.
    #[serde(default)]
    repeats_confirmed: bool,
    /// It may wait for the run that goes on, and begin by itself: nobody has to change devices. It is taken back where that run does
    /// not end in order.
    #[serde(default)]
    unattended: bool,
    /// Who operates, each at most 80 characters.
    #[serde(default)]
    #[schema(max_items = 8)]
    operators: Vec<String>,
    /// Site sheet in place of the rig's own.
    #[serde(default)]
    site: Option<SheetText>,
    /// Rig sheet as it was seen: a run is refused where it is not the daemon's own.
    #[serde(default)]
    rig: Option<SheetText>,
    /// Type sheet in place of the rig's own.
    #[serde(default)]
    device_type: Option<SheetText>,
    /// Settings sheet in place of the rig's own.
    #[serde(default)]
    settings: Option<SheetText>,
    /// Script in place of the rig's own.
    #[serde(default)]
    script: Option<SheetText>,
    /// Take no type and no settings sheet: nothing is judged.
    #[serde(default)]
    measure_only: bool,
    /// `sheets.digest` of the rig as it was seen: the run is refused where the rig's own sheets are others by now.
    #[serde(default)]
    sheets_seen: Option<String>,
}

impl StartBody {
    /// Those that take the place of the rig's own.
    fn sheets(&self) -> Vec<&SheetText> {
        let all = [&self.site, &self.rig, &self.device_type, &self.settings, &self.script];
        all.into_iter().flatten().collect()
    }
}

/// A run that was taken.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Started {
    /// Its identifier.
    run: String,
    /// Seconds that it takes, foreseen.
    predicted_s: f64,
}

/// Starts a run, or puts it at the end of the rig's queue.
#[utoipa::path(post, path = "/api/v1/rigs/{rig}/runs", params(("rig" = String, Path, description = "Name of the rig")),
    request_body = StartBody,
    responses(BodyRefused, (status = 201, body = Started),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json"),
        (status = 503, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn start(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
    given: Result<Json<StartBody>, JsonRejection>,
) -> Result<(StatusCode, Json<Started>), Problem> {
    let given = body(given)?;
    let rig = rig_of(&daemon, &name)?;
    rig.ready()?;
    let stops = rig.stops();
    // Sheets are read from the disk, which may hang: not on a thread that others wait for.
    let runs = Arc::clone(&daemon.runs);
    let started = tokio::task::spawn_blocking(move || begin(&rig, &runs, given, stops)).await;
    let started = started.map_err(|error| {
        let status = StatusCode::INTERNAL_SERVER_ERROR;
        Problem::new(status, "inside", "The program failed inside", error.to_string())
    })??;
    Ok((StatusCode::CREATED, Json(started)))
}

fn begin(rig: &Rig, runs: &Runs, given: StartBody, stops: u64) -> Result<Started, Problem> {
    if given.operators.len() > 8 {
        return Err(Problem::bad_request(format!(
            "{} operators: at most 8 are allowed",
            given.operators.len()
        )));
    }
    for operator in &given.operators {
        Problem::check_text("operators", operator, 80)?;
    }
    let sheets = given.sheets();
    for sheet in &sheets {
        Problem::check_text("file", &sheet.file, 200)?;
    }
    let has_sheets = !sheets.is_empty() || given.measure_only;
    let kinds = [given.revision.is_some(), given.again.is_some(), !given.places.is_empty()];
    if kinds.into_iter().filter(|there| *there).count() > 1 {
        let detail = "`revision`, `again` and `places` exclude each other: the mounted round, a device of an earlier run, or other places";
        return Err(Problem::bad_request(detail));
    }
    let of = Order { revision: given.revision, stops, unattended: given.unattended };
    let job = match given.again {
        Some(again) if !has_sheets => begin_again(rig, runs, &again, &given.operators)?,
        Some(_) => {
            return Err(Problem::bad_request(
                "`again` takes the sheets of the earlier run: none is given with it",
            ));
        }
        None => begin_new(rig, given)?,
    };
    let header = &job.prepared.header;
    let started = Started { run: header.run.clone(), predicted_s: job.prepared.task.predicted().si() };
    rig.enqueue(job, of)?;
    Ok(started)
}

/// A device that was left undecided, as it still stands there.
fn begin_again(rig: &Rig, runs: &Runs, of: &AgainBody, operators: &[String]) -> Result<Job, Problem> {
    let AgainBody { run, position } = of;
    let earlier = runs.entry(run).filter(|entry| entry.rig == rig.name).ok_or_else(|| {
        Problem::nothing_to_decide(format!("`{}` has no run `{}` that is over", rig.name, run.escape_debug()))
    })?;
    let judged = |later: &RunEntry| {
        later.positions.iter().any(|one| one.position == *position && one.verdict != "aborted")
    };
    if let Some(later) = runs.repeat_of(run, *position).filter(judged) {
        let detail = format!(
            "position {position} was tested again already, in run `{}`: go on from that one",
            later.run
        );
        return Err(Problem::nothing_to_decide(detail));
    }
    if !rig.state().is_there_still(run) {
        let detail = "another round was begun since that run: its device may be gone";
        return Err(Problem::nothing_to_decide(detail));
    }
    if rig.was_unplugged(*position) {
        let detail = format!(
            "position {position} was unplugged since the last run: what is there now may be another device, and is tested as a new one"
        );
        return Err(Problem::nothing_to_decide(detail));
    }
    let go_on =
        go_on(&earlier.folder, *position).map_err(|error| Problem::nothing_to_decide(chain(&error)))?;
    if go_on.simulated != rig.state().simulated {
        let detail = "of the two one is simulated: a run of a simulated rig tests no device";
        return Err(Problem::nothing_to_decide(detail));
    }
    let (prepared, script) = rig.sheets.prepare_again(go_on, operators)?;
    let beside = runs.beside(run, &[*position]);
    let again = Some(Repeat { folder: earlier.folder, position: *position, beside });
    Ok(Job { prepared, script, again })
}

fn begin_new(rig: &Rig, given: StartBody) -> Result<Job, Problem> {
    let source = |sheet: Option<SheetText>| sheet.map(|sheet| Source::new(sheet.file, sheet.text));
    let sheets = Given {
        rig: given.rig.map(|rig| rig.text),
        site: source(given.site),
        device_type: source(given.device_type),
        settings: source(given.settings),
        script: source(given.script),
        measure_only: given.measure_only,
        seen: given.sheets_seen,
    };
    let places = match given.revision {
        Some(revision) => rig.mounted(revision, given.repeats_confirmed)?,
        None => rig.places_of(&given.places, given.repeats_confirmed)?,
    };
    let planned = rig.sheets.prepare(sheets, &places, &given.operators);
    if matches!(planned, Err(NotPlanned::SheetsChanged)) {
        rig.look_at_sheets();
    }
    let (prepared, script) = planned?;
    Ok(Job { prepared, script, again: None })
}

/// STOP TEST: stops what runs on a rig at once, and takes back what waits. Not an emergency stop. Whatever is sent with it is not
/// waited for.
#[utoipa::path(post, path = "/api/v1/rigs/{rig}/stop", params(("rig" = String, Path, description = "Name of the rig")),
    responses(Refused, (status = 202), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn stop(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
) -> Result<StatusCode, Problem> {
    rig_of(&daemon, &name)?.stop(Halt::Operator { by: String::from("STOP TEST") });
    Ok(StatusCode::ACCEPTED)
}

/// What is taken for an answer; anything else would count as no, and end the run.
const ANSWERS: [&str; 8] = ["yes", "no", "y", "ja", "j", "ok", "n", "nein"];

/// An answer to a question.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct AnswerBody {
    /// The run that asks: an answer to another one is refused.
    run: Option<String>,
    /// Number of the question.
    #[schema(minimum = 0, maximum = 4_294_967_295_u64)]
    question: u32,
    /// The answer: `yes` or `no`, or `y`, `ja`, `j`, `ok`, `n`, `nein`. No ends the run.
    #[schema(max_length = 20)]
    answer: String,
    /// Who, for the record.
    #[schema(max_length = 80)]
    by: Option<String>,
}

/// Answers the question that a run has open.
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
    let by = given.by.unwrap_or_else(|| String::from("somebody who gave no name"));
    if !ANSWERS.contains(&given.answer.trim().to_lowercase().as_str()) {
        let detail = format!("answer `{}`: allowed are {}", given.answer.escape_debug(), ANSWERS.join(", "));
        return Err(Problem::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "bad-answer",
            "This is no answer",
            detail,
        ));
    }
    Problem::check_text("by", &by, 80)?;
    rig_of(&daemon, &name)?.answer(given.run.as_deref(), given.question, (given.answer, by))?;
    Ok(StatusCode::ACCEPTED)
}
