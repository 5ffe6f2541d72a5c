//! Starts runs: of the mounted round, of other devices and sheets, and of a device that an earlier run left undecided.

use super::rigs::{body, rig_of};
use crate::document::{Placing, StartedRun};
use crate::problem::{BodyRefused, Problem};
use crate::stage::Daemon;
use axum::Json;
use axum::body::{Body, to_bytes};
use axum::extract::{FromRequest, Path, Request, State};
use axum::http::StatusCode;
use serde::Deserialize;
use std::sync::Arc;
use tripbench_bench::{Devices, Given, Start, Started};
use tripbench_sheet::Source;
use utoipa::ToSchema;

/// A sheet as text.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, expecting = "an object")]
pub(crate) struct SheetText {
    /// File name, for findings and for the record.
    #[schema(max_length = 200)]
    file: String,
    /// The text, TOML.
    text: String,
}

/// A device that an earlier run left undecided.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, expecting = "an object")]
pub(crate) struct AgainBody {
    /// The run that left it undecided.
    #[schema(max_length = 80)]
    run: String,
    /// Position of the device in that run.
    #[schema(minimum = 1, maximum = 64)]
    position: u8,
    /// Revision of the round that the client has seen; the start is refused if it has changed.
    revision: u64,
}

/// A request for a run.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, expecting = "an object")]
pub(crate) struct StartBody {
    /// Revision of the mounted round, to test that round. Each revision starts one run.
    #[serde(default)]
    revision: Option<u64>,
    /// `stops` of the rig that the client has seen: if STOP TEST was pressed since, nothing is started.
    stops: u64,
    /// Instead of the mounted round: a device that an earlier run left undecided and that is still at its position.
    #[serde(default)]
    again: Option<AgainBody>,
    /// Instead of the mounted round: devices at positions.
    #[serde(default)]
    places: Vec<Placing>,
    /// Confirms what a `to-confirm` problem asked, such as a serial number given twice or a plug that was not pulled.
    #[serde(default)]
    confirmed: bool,
    /// The run may wait for the one in progress and begin by itself: no devices have to be changed. It is withdrawn if that run does not
    /// end normally.
    #[serde(default)]
    unattended: bool,
    /// The operators, each at most 80 characters.
    #[serde(default)]
    #[schema(max_items = 8)]
    operators: Vec<String>,
    /// Site sheet that replaces the rig's own.
    #[serde(default)]
    site: Option<SheetText>,
    /// Rig sheet that the client has seen: the run is refused if it differs from the daemon's own.
    #[serde(default)]
    rig: Option<SheetText>,
    /// Type sheet that replaces the rig's own.
    #[serde(default)]
    device_type: Option<SheetText>,
    /// Settings sheet that replaces the rig's own.
    #[serde(default)]
    settings: Option<SheetText>,
    /// Script that replaces the rig's own.
    #[serde(default)]
    script: Option<SheetText>,
    /// Whether to use no type and no settings sheet: nothing is judged.
    #[serde(default)]
    measure_only: bool,
    /// `sheets.digest` of the rig that the client has seen: the run is refused if the rig's own sheets have changed since.
    #[serde(default)]
    sheets_seen: Option<String>,
}

impl StartBody {
    /// All sheets in the request.
    fn sheets(&self) -> Vec<&SheetText> {
        let all = [&self.site, &self.rig, &self.device_type, &self.settings, &self.script];
        all.into_iter().flatten().collect()
    }
}

/// Starts a run, or appends it to the rig's queue. A request that is repeated with the same `Idempotency-Key` gives the same run; the
/// last 1000 keys are kept until the daemon ends.
#[utoipa::path(post, path = "/api/v1/rigs/{rig}/runs", params(("rig" = String, Path, description = "Name of the rig"),
        ("idempotency-key" = Option<String>, Header, description = "A key of this request, at most 80 visible characters")),
    request_body = StartBody,
    responses(BodyRefused, (status = 201, body = StartedRun),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json"),
        (status = 503, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn start(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
    request: Request,
) -> Result<(StatusCode, Json<StartedRun>), Problem> {
    let key = key(&request)?;
    let (head, read) = request.into_parts();
    // The guard has read it already, and limits its length.
    let bytes = to_bytes(read, usize::MAX).await.map_err(|error| Problem::inside(error.to_string()))?;
    let request = Request::from_parts(head, Body::from(bytes.clone()));
    let given = body(Json::<StartBody>::from_request(request, &()).await)?;
    let started = start_of(Arc::clone(&daemon), name.clone(), given);
    let Some(key) = key else { return Ok((StatusCode::CREATED, Json(started.await?))) };
    // On a task of its own: a client that goes away must not keep the key from being known.
    let started = tokio::spawn(async move { daemon.keys.start(key, (name, bytes.to_vec()), started).await });
    let started = started.await.map_err(|error| Problem::inside(error.to_string()))??;
    Ok((StatusCode::CREATED, Json(started)))
}

/// The key of a request, if it has one.
fn key(request: &Request) -> Result<Option<String>, Problem> {
    let Some(value) = request.headers().get("idempotency-key") else { return Ok(None) };
    Problem::check_text("Idempotency-Key", &String::from_utf8_lossy(value.as_bytes()), 80).map(Some)
}

/// Starts a run.
async fn start_of(daemon: Arc<Daemon>, name: String, given: StartBody) -> Result<StartedRun, Problem> {
    let rig = rig_of(&daemon, &name)?;
    rig.status().ready()?;
    let press = rig.press()?;
    // Sheets are read from the disk, which may hang: use a thread that nobody else waits for.
    let there = Arc::clone(&daemon);
    let work = move || {
        let Started { run, predicted_s } = there.bench.start(&rig, asked(given)?, press)?;
        Ok::<_, Problem>(StartedRun { run, predicted_s })
    };
    daemon.at_disk.work(&name, work).await?
}

/// The request, checked for contradictions.
fn asked(given: StartBody) -> Result<Start, Problem> {
    if given.operators.len() > 8 {
        return Err(Problem::bad_request(format!(
            "{} operators: at most 8 are allowed",
            given.operators.len()
        )));
    }
    let operators = given.operators.iter().map(|operator| Problem::check_text("operators", operator, 80));
    let operators = operators.collect::<Result<Vec<_>, _>>()?;
    let sheets = given.sheets();
    for sheet in &sheets {
        Problem::check_text("file", &sheet.file, 200)?;
    }
    let has_sheets = !sheets.is_empty() || given.measure_only;
    let kinds = [given.revision.is_some(), given.again.is_some(), !given.places.is_empty()];
    if kinds.into_iter().filter(|there| *there).count() > 1 {
        let detail = "`revision`, `again` and `places` exclude each other: the mounted round, a device of an earlier run, or other positions";
        return Err(Problem::bad_request(detail));
    }
    if given.again.is_some() && given.unattended {
        return Err(Problem::bad_request(
            "`again` and `unattended` exclude each other: a retest needs an operator",
        ));
    }
    // The round on the page is judged by the sheets that the page shows.
    if given.revision.is_some() && has_sheets {
        return Err(Problem::bad_request(
            "the mounted round is tested with the rig's own sheets: give `places` to test devices with other sheets",
        ));
    }
    if given.again.is_some() && has_sheets {
        return Err(Problem::bad_request(
            "`again` uses the sheets of the earlier run: leave out sheets and `measure_only`",
        ));
    }
    let devices = match (given.revision, given.again) {
        (Some(revision), _) => Devices::Round(revision),
        (None, Some(again)) => {
            Devices::Again { run: again.run, position: again.position, revision: again.revision }
        }
        (None, None) => Devices::Places(given.places.into_iter().map(Into::into).collect()),
    };
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
    let StartBody { stops, confirmed, unattended, .. } = given;
    Ok(Start { devices, stops, confirmed, unattended, operators, sheets })
}
