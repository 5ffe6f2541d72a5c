//! Starts: of the mounted round, of other devices and sheets, and of a device that was left undecided.

use super::rigs::{body, rig_of};
use crate::document::Placing;
use crate::problem::{BodyRefused, Problem};
use crate::stage::Daemon;
use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use tripbench_bench::{Devices, Given, Start, Started};
use tripbench_sheet::Source;
use utoipa::ToSchema;

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
    /// Revision of the round that was seen: it is to be the same still.
    revision: u64,
}

/// What is to be run.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct StartBody {
    /// Revision of the round that is mounted, to run that; each revision starts one run.
    #[serde(default)]
    revision: Option<u64>,
    /// `stops` of the rig as it was seen: where STOP TEST was pressed since, nothing is started.
    stops: u64,
    /// In place of the mounted round: a device that an earlier run left undecided, as it still stands there.
    #[serde(default)]
    again: Option<AgainBody>,
    /// Without `revision`: where devices are.
    #[serde(default)]
    places: Vec<Placing>,
    /// What `to-confirm` asked is right: a number that stands twice, a plug that was not pulled.
    #[serde(default)]
    confirmed: bool,
    /// The run may wait for the one in progress and begin by itself: no devices have to be changed. It is withdrawn if that run does not
    /// end normally.
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
#[schema(as = Started)]
pub(crate) struct StartedRun {
    /// Its identifier.
    run: String,
    /// Seconds that it takes, foreseen.
    predicted_s: f64,
}

/// Starts a run, or puts it at the end of the rig's queue.
#[utoipa::path(post, path = "/api/v1/rigs/{rig}/runs", params(("rig" = String, Path, description = "Name of the rig")),
    request_body = StartBody,
    responses(BodyRefused, (status = 201, body = StartedRun),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json"),
        (status = 503, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn start(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
    given: Result<Json<StartBody>, JsonRejection>,
) -> Result<(StatusCode, Json<StartedRun>), Problem> {
    let given = body(given)?;
    let rig = rig_of(&daemon, &name)?;
    rig.status().ready()?;
    let press = rig.press()?;
    // Sheets are read from the disk, which may hang: not on a thread that others wait for.
    let work = move || {
        let Started { run, predicted_s } = daemon.bench.start(&rig, asked(given)?, press)?;
        Ok::<_, Problem>(StartedRun { run, predicted_s })
    };
    let started = tokio::task::spawn_blocking(work).await;
    let started = started.map_err(|error| Problem::inside(error.to_string()))??;
    Ok((StatusCode::CREATED, Json(started)))
}

/// What is asked for, if it makes sense as such.
fn asked(given: StartBody) -> Result<Start, Problem> {
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
    if given.again.is_some() && given.unattended {
        return Err(Problem::bad_request("`again` and `unattended` exclude each other: somebody sees to it"));
    }
    // The round on the page is judged by the sheets that the page shows.
    if given.revision.is_some() && has_sheets {
        return Err(Problem::bad_request(
            "the mounted round is tested with the rig's own sheets: give `places` to test devices with other sheets",
        ));
    }
    if given.again.is_some() && has_sheets {
        return Err(Problem::bad_request(
            "`again` takes the sheets of the earlier run: none is given with it",
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
    let StartBody { stops, confirmed, unattended, operators, .. } = given;
    Ok(Start { devices, stops, confirmed, unattended, operators, sheets })
}
