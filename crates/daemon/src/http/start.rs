//! Starts: of the mounted round, of other devices and sheets, and of a device that was left undecided.

use super::rigs::{body, rig_of};
use crate::daemon::Daemon;
use crate::problem::{BodyRefused, Problem, chain};
use crate::refusal::{Refusal, to_confirm};
use crate::rig::{Job, Order, Press, Repeat, Rig};
use crate::runs::{RunEntry, Runs};
use crate::sheets::{Given, NotPlanned};
use crate::state::{Doing, Placing, RigState};
use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use tripbench_job::{Prepared, go_on};
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
    let press = rig.press();
    // Sheets are read from the disk, which may hang: not on a thread that others wait for.
    let started = tokio::task::spawn_blocking(move || begin(&daemon, &rig, given, press)).await;
    let started = started.map_err(|error| {
        let status = StatusCode::INTERNAL_SERVER_ERROR;
        Problem::new(status, "inside", "The program failed inside", error.to_string())
    })??;
    Ok((StatusCode::CREATED, Json(started)))
}

fn begin(daemon: &Daemon, rig: &Rig, given: StartBody, press: Press) -> Result<Started, Problem> {
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
    let round = given.again.as_ref().map(|again| again.revision);
    let of = Order { revision: given.revision, round, stops: given.stops, unattended: given.unattended };
    let (prepared, script, again) = match given.again {
        Some(again) if !has_sheets => begin_again(rig, &daemon.runs, &again, &given.operators)?,
        Some(_) => {
            return Err(Problem::bad_request(
                "`again` takes the sheets of the earlier run: none is given with it",
            ));
        }
        None => begin_new(rig, &daemon.others(&rig.name), given)?,
    };
    let started = Started { run: prepared.header.run.clone(), predicted_s: prepared.task.predicted().si() };
    rig.enqueue(Job { prepared, script, again, press }, of)?;
    Ok(started)
}

/// A run, the name of its script, and what it repeats.
type Planned = (Prepared, String, Option<Repeat>);

/// A device that was left undecided, as it still stands there.
fn begin_again(rig: &Rig, runs: &Runs, of: &AgainBody, operators: &[String]) -> Result<Planned, Problem> {
    let AgainBody { run, position, revision: _ } = of;
    let earlier = runs.entry(run).filter(|entry| entry.rig == rig.name).ok_or_else(|| {
        Problem::nothing_to_decide(format!("`{}` has no run `{}` that is over", rig.name, run.escape_debug()))
    })?;
    let repeats = runs.repeats_of(run, *position);
    let judged = |later: &&RunEntry| {
        later.positions.iter().any(|one| one.position == *position && one.verdict != "aborted")
    };
    if let Some(later) = repeats.iter().find(judged) {
        let detail = format!(
            "position {position} was tested again already, in run `{}`: go on from that one",
            later.run
        );
        return Err(Problem::nothing_to_decide(detail));
    }
    let known = repeats.iter().filter_map(|later| later.attempt).max().unwrap_or(0);
    if rig.state().next_is_mounted() {
        let detail = "the next round is mounted, and this rig does not see plugs: its device may be gone";
        return Err(Problem::nothing_to_decide(detail));
    }
    if !rig.state().is_there_still(run) {
        let detail = "another round was begun since that run: its device may be gone";
        return Err(Problem::nothing_to_decide(detail));
    }
    if rig.was_unplugged(*position) {
        let detail = format!(
            "position {position} may have been unplugged since it was tested: what is there now may be another device, and is tested as a new one"
        );
        return Err(Problem::nothing_to_decide(detail));
    }
    let go_on = go_on(&earlier.folder, *position, known)
        .map_err(|error| Problem::nothing_to_decide(chain(&error)))?;
    if go_on.simulated != rig.state().simulated && !go_on.at_simulator {
        let detail = "of the two one is simulated: a run of a simulated rig tests no device";
        return Err(Problem::nothing_to_decide(detail));
    }
    let (prepared, script) = rig.sheets.prepare_again(go_on, operators)?;
    let beside = runs.beside(run, &[*position]);
    let again = Some(Repeat { folder: earlier.folder, position: *position, beside });
    Ok((prepared, script, again))
}

fn begin_new(rig: &Rig, others: &[RigState], given: StartBody) -> Result<Planned, Problem> {
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
        Some(revision) => rig.mounted(revision)?,
        None if rig.state().is_mounted() => return Err(Refusal::Mounted.into()),
        None => rig.places_of(&given.places)?,
    };
    if !given.confirmed {
        // A simulated device is the same whatever its number is.
        let state = rig.state();
        if !given.unattended && (state.doing == Doing::Running || !state.queue.is_empty()) {
            return Err(Refusal::Busy.into());
        }
        let asks = !state.simulated && !given.unattended;
        let plugged = |position| asks && rig.is_plugged_since(position);
        let doubts = to_confirm(&places, &state, plugged, others);
        if !doubts.is_empty() {
            return Err(Refusal::ToConfirm(doubts.join("; ")).into());
        }
    }
    let planned = rig.sheets.prepare(sheets, &places, &given.operators);
    if matches!(planned, Err(NotPlanned::SheetsChanged)) {
        rig.look_at_sheets();
    }
    let (prepared, script) = planned?;
    Ok((prepared, script, None))
}
