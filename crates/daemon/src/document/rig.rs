//! A rig in the API. The names are part of the API: a change here changes the API.

use super::reason::Reason;
use super::run::RunState;
use serde::{Deserialize, Serialize};
use tripbench_bench::{NoVerdict, Phase, SheetPreview, Status, Waiting};
use utoipa::ToSchema;

/// What a rig is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Doing {
    /// Not looked at yet.
    #[default]
    Starting,
    /// At rest: the rig answers and its outputs are safe.
    Idle,
    /// A run is in progress.
    Running,
    /// The rig does not answer, or its outputs could not be made safe.
    NotReady,
    /// The daemon is ending.
    Ending,
}

/// The complete state of a rig: each one replaces all earlier ones.
#[derive(Debug, Clone, PartialEq, Default, Serialize, ToSchema)]
pub(crate) struct RigState {
    /// Name of the rig.
    pub rig: String,
    /// What the rig is doing.
    pub doing: Doing,
    /// Why the rig is not ready.
    pub problem: Option<String>,
    /// Whether its outputs were last read back as safe; `null` while unknown.
    pub outputs_safe: Option<bool>,
    /// Vacuum at rest between runs, in the unit of the site; `null` if it is not known.
    pub level: Option<f64>,
    /// Whether the rig is vented at rest: the reference reads at most 3 kPa. `null` if it is not known.
    pub vented: Option<bool>,
    /// Whether the rig is simulated: then no device is tested.
    pub simulated: bool,
    /// Unit of levels, as shown.
    pub unit: String,
    /// Number of decimals of a level.
    pub decimals: usize,
    /// Language of the site.
    pub language: String,
    /// The sheets that a run uses by default.
    pub sheets: DefaultSheets,
    /// The reference.
    pub reference: ReferenceState,
    /// Predicted duration of the default script, seconds; `null` if it cannot be planned.
    pub predicted_s: Option<f64>,
    /// Errors of the default sheets, as text; empty if a run could start.
    pub findings: Vec<String>,
    /// The mounted round.
    pub round: Round,
    /// Why the last start gave no verdict: `withdrawn`, `no-run`, `no-record` if there is a journal but no record could be made of it
    /// yet, or `untrusted-record` if its record cannot be trusted or read. `null` once something new is mounted or started.
    pub failed: Option<Reason>,
    /// Runs that have a journal and no record yet; the record is tried again every ten seconds.
    pub owed: Vec<String>,
    /// Number of presses of STOP TEST since the daemon started. A start names the number that it has seen.
    pub stops: u64,
    /// Runs that wait for the rig.
    pub queue: Vec<Queued>,
    /// The run in progress, or the last one.
    pub run: Option<RunState>,
    /// The run whose verdict was acknowledged: it is no longer shown.
    pub seen: Option<String>,
    /// Additional cautions of the site.
    pub cautions: Option<String>,
    /// Width of the visible screen at the bench, millimetres.
    pub screen_width_mm: Option<f64>,
}

/// Names of the sheets that a run uses by default.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, ToSchema)]
pub(crate) struct DefaultSheets {
    /// The script.
    pub script: Option<String>,
    /// The type sheet.
    pub device_type: Option<String>,
    /// The settings sheet, with its revision.
    pub settings: Option<String>,
    /// SHA-256 over the texts of all sheets, hexadecimal. A start may name the digest that it has seen.
    pub digest: String,
}

/// The reference of a rig.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, ToSchema)]
pub(crate) struct ReferenceState {
    /// Name of the reference.
    pub name: String,
    /// Day on which its calibration is due, ISO 8601.
    pub due: String,
    /// Whether the calibration has expired.
    pub expired: bool,
    /// Day of its calibration, ISO 8601, if it is in the future: sheet or clock is wrong. `null` otherwise.
    pub dated_ahead: Option<String>,
}

/// One filling of the positions.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, ToSchema)]
pub(crate) struct Round {
    /// Number of the last change. A change or a start that names another revision is refused.
    pub revision: u64,
    /// Whether a run was started from this round; the next change then begins a new round.
    pub started: bool,
    /// The positions in order.
    pub places: Vec<Place>,
}

/// A position in a round.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, ToSchema)]
pub(crate) struct Place {
    /// Number of the position.
    pub position: u8,
    /// Serial number of the device there; `null` if it is empty or has none.
    pub serial: Option<String>,
    /// Whether the device there gets an own number from the bench.
    pub own_number: bool,
    /// Whether a plug is seen there; `null` if the rig has no input for it.
    pub present: Option<bool>,
}

/// A device to be mounted at a position.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, expecting = "an object with `position`")]
pub(crate) struct Placing {
    /// The position.
    #[schema(minimum = 1, maximum = 64)]
    pub position: u8,
    /// Serial number of the device.
    #[serde(default)]
    #[schema(max_length = 80)]
    pub serial: Option<String>,
    /// Whether the device has no serial number and gets an own number from the bench.
    #[serde(default)]
    pub own_number: bool,
}

/// A run that waits for its rig.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Queued {
    /// Identifier of the run.
    pub run: String,
    /// Its script.
    pub script: String,
    /// Its positions.
    pub positions: Vec<u8>,
}

impl RigState {
    /// The document of a status; `run` is the document of the run in the status.
    pub(crate) fn new(status: &Status, run: Option<RunState>) -> Self {
        let preview = &status.preview;
        let site = &preview.sheets.site;
        let rest = match &status.phase {
            Phase::Idle(rest) => Some(rest),
            Phase::Starting
            | Phase::Preparing { .. }
            | Phase::Running(_)
            | Phase::MakingSafe { .. }
            | Phase::Faulted(_)
            | Phase::Ending { .. } => None,
        };
        let decimals = 10_f64.powi(i32::try_from(site.style.decimals()).unwrap_or(1));
        Self {
            rig: status.rig.clone(),
            doing: Doing::from(&status.phase),
            problem: status.phase.fault().map(ToString::to_string),
            outputs_safe: status.phase.outputs_safe(),
            level: rest.map(|rest| (site.style.value(rest.level) * decimals).round() / decimals),
            vented: rest.map(|rest| rest.vented),
            simulated: status.simulated,
            unit: site.style.unit.symbol().to_owned(),
            decimals: site.style.decimals(),
            language: site.language.word().to_owned(),
            sheets: DefaultSheets::from(preview.as_ref()),
            reference: ReferenceState::from(preview.as_ref()),
            predicted_s: preview.predicted_s,
            findings: preview.findings.clone(),
            round: Round::from(&status.round),
            failed: status.failed.as_ref().map(Reason::from),
            owed: status.owed.iter().map(|owed| owed.run.clone()).collect(),
            stops: status.stops,
            queue: status.queue.iter().map(Queued::from).collect(),
            run,
            seen: status.seen.clone(),
            cautions: site.cautions.as_ref().map(|text| text.get(site.language.word()).to_owned()),
            screen_width_mm: site.screen_width.map(|width| (width.si() * 1e3).round()),
        }
    }
}

impl From<&Phase> for Doing {
    fn from(phase: &Phase) -> Self {
        match phase {
            Phase::Starting => Self::Starting,
            Phase::Idle(_) => Self::Idle,
            Phase::Preparing { .. } | Phase::Running(_) | Phase::MakingSafe { .. } => Self::Running,
            Phase::Faulted(_) => Self::NotReady,
            Phase::Ending { .. } => Self::Ending,
        }
    }
}

impl From<&SheetPreview> for DefaultSheets {
    fn from(preview: &SheetPreview) -> Self {
        let names = preview.names.clone();
        Self {
            script: names.script,
            device_type: names.device_type,
            settings: names.settings,
            digest: names.digest,
        }
    }
}

impl From<&SheetPreview> for ReferenceState {
    fn from(preview: &SheetPreview) -> Self {
        let reference = &preview.sheets.rig.reference;
        Self {
            name: reference.name.value.clone(),
            due: reference.calibration.due.value.to_string(),
            expired: preview.expired,
            dated_ahead: preview.dated_ahead.then(|| reference.calibration.date.value.to_string()),
        }
    }
}

impl From<&tripbench_bench::Round> for Round {
    fn from(round: &tripbench_bench::Round) -> Self {
        let place = |place: &tripbench_bench::Place| Place {
            position: place.position,
            serial: place.serial.clone(),
            own_number: place.own_number,
            present: place.present,
        };
        Self {
            revision: round.revision,
            started: round.started,
            places: round.places.iter().map(place).collect(),
        }
    }
}

impl From<Placing> for tripbench_bench::Placing {
    fn from(placing: Placing) -> Self {
        let Placing { position, serial, own_number } = placing;
        Self { position, serial, own_number }
    }
}

impl From<&Waiting> for Queued {
    fn from(waiting: &Waiting) -> Self {
        let Waiting { run, script, positions } = waiting.clone();
        Self { run, script, positions }
    }
}

impl From<&NoVerdict> for Reason {
    fn from(why: &NoVerdict) -> Self {
        let (kind, text) = match why {
            NoVerdict::Withdrawn(text) => ("withdrawn", text),
            NoVerdict::NoRun(text) => ("no-run", text),
            NoVerdict::NoRecord(text) => ("no-record", text),
            NoVerdict::Untrusted(text) => ("untrusted-record", text),
        };
        Self { kind: kind.to_owned(), text: text.clone() }
    }
}
