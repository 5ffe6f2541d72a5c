//! What a rig is, as those who watch it see it. The names are the API's: a change here is a change of the API.

mod standing;

use serde::{Deserialize, Serialize};
use tripbench_record::Verdict;
use utoipa::ToSchema;

/// What a rig is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Doing {
    /// Not looked at yet.
    #[default]
    Starting,
    /// Nothing; it answers and its outputs are safe.
    Idle,
    /// A run.
    Running,
    /// It does not answer, or its outputs could not be made safe.
    NotReady,
    /// The daemon is ending.
    Ending,
}

/// A rig, whole: one of these takes the place of every one before.
#[derive(Debug, Clone, PartialEq, Default, Serialize, ToSchema)]
pub(crate) struct RigState {
    /// Name of the rig.
    pub rig: String,
    /// What it does.
    pub doing: Doing,
    /// Why it is not ready.
    pub problem: Option<String>,
    /// Whether its outputs were last read back as safe; `null` while nobody knows.
    pub outputs_safe: Option<bool>,
    /// Vacuum at rest between runs, in the unit of the site; `null` if it is not known.
    pub level: Option<f64>,
    /// Whether the reference reads next to nothing at rest; `null` if that is not known.
    pub vented: Option<bool>,
    /// Whether the rig is a simulated one: then no device is tested.
    pub simulated: bool,
    /// Unit of levels, as it is shown.
    pub unit: String,
    /// Decimals of a level.
    pub decimals: usize,
    /// Language of the site.
    pub language: String,
    /// The sheets that a run takes when it names no others.
    pub sheets: DefaultSheets,
    /// The reference.
    pub reference: ReferenceState,
    /// Seconds that the default script takes, foreseen; `null` if it cannot be planned.
    pub predicted_s: Option<f64>,
    /// What the default sheets lack, as text; empty when a run could start.
    pub findings: Vec<String>,
    /// What is mounted for the next round.
    pub round: Round,
    /// What came of the last start, where no verdict did: `withdrawn`, `no-run`, or `no-record` where there is a journal and a record
    /// cannot be made of it yet. None once something new is mounted or started.
    pub failed: Option<Reason>,
    /// Runs that have a journal and no record yet: tried again every ten seconds.
    pub owed: Vec<String>,
    /// How often STOP TEST was pressed since the daemon began: a start names it as it was seen.
    pub stops: u64,
    /// Runs that wait for the rig.
    pub queue: Vec<Queued>,
    /// The run that goes on, or the last one.
    pub run: Option<RunState>,
    /// The run whose verdict was taken note of: it is not shown any more.
    pub seen: Option<String>,
    /// More cautions of the site.
    pub cautions: Option<String>,
    /// Width of the visible screen at the bench, millimetres.
    pub screen_width_mm: Option<f64>,
}

/// Names of the sheets that a run takes by itself.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, ToSchema)]
pub(crate) struct DefaultSheets {
    /// The script.
    pub script: Option<String>,
    /// The type sheet.
    pub device_type: Option<String>,
    /// The settings sheet, with its revision.
    pub settings: Option<String>,
    /// SHA-256 over the texts of all sheets, hexadecimal: a start may name the one that was seen.
    pub digest: String,
}

/// The reference of a rig.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, ToSchema)]
pub(crate) struct ReferenceState {
    /// Its name.
    pub name: String,
    /// Day on which its calibration is due, ISO 8601.
    pub due: String,
    /// Whether that day is past.
    pub expired: bool,
    /// Day of its calibration, ISO 8601, where that is still to come: sheet or clock is wrong.
    pub dated_ahead: Option<String>,
}

/// One filling of the positions.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, ToSchema)]
pub(crate) struct Round {
    /// Number of its last change: a change or a start that names another one is refused.
    pub revision: u64,
    /// Whether a run was started from it: the next change begins another round.
    pub started: bool,
    /// The positions in order.
    pub places: Vec<Place>,
}

/// A position in a round.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, ToSchema)]
pub(crate) struct Place {
    /// Its number.
    pub position: u8,
    /// Serial number of the device there; `null` if it is empty or has none.
    pub serial: Option<String>,
    /// Whether the bench gives the device there a number of its own.
    pub own_number: bool,
    /// Whether a plug is seen there; `null` if the rig cannot see it.
    pub present: Option<bool>,
}

/// What is put at a position.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Placing {
    /// The position.
    #[schema(minimum = 1, maximum = 64)]
    pub position: u8,
    /// Serial number of the device.
    #[serde(default)]
    #[schema(max_length = 80)]
    pub serial: Option<String>,
    /// The device has none: the bench gives it one.
    #[serde(default)]
    pub own_number: bool,
}

/// A run that waits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Queued {
    /// Its identifier.
    pub run: String,
    /// Its script.
    pub script: String,
    /// Its positions.
    pub positions: Vec<u8>,
}

/// How far a step of a run is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum StepNow {
    /// Not begun.
    Ahead,
    /// Under way.
    Running,
    /// Done.
    Done,
}

/// A step of a run.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct StepShown {
    /// Its name, as in the script.
    pub name: String,
    /// Seconds that it takes, foreseen.
    pub predicted_s: f64,
    /// How far it is.
    pub now: StepNow,
}

/// A run, live or over.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct RunState {
    /// Its identifier.
    pub run: String,
    /// Its script.
    pub script: String,
    /// Wall time of the start, RFC 3339.
    pub started: String,
    /// Whether it is over: record and report are there.
    pub over: bool,
    /// The steps.
    pub steps: Vec<StepShown>,
    /// Ramp of the step and of how many.
    pub cycle: Option<[u16; 2]>,
    /// Seconds left, foreseen, when this was told.
    pub left_s: f64,
    /// What a person at a rig without valves has to do.
    pub guide: Option<GuideShown>,
    /// The question that is open.
    pub question: Option<Question>,
    /// What the run waits for.
    pub waiting: Option<Reason>,
    /// Why it was stopped.
    pub halted: Option<Reason>,
    /// Wall time of the end, RFC 3339, where it is known.
    pub ended: Option<String>,
    /// Whether the safe state was read back at the end; none before.
    pub safe: Option<bool>,
    /// Whether a sheet is a draft.
    pub trial: bool,
    /// Whether no device is tested: the rig is a simulated one, or its module says so.
    pub simulated: bool,
    /// What was known to be not as it should be.
    pub warnings: Vec<String>,
    /// The run that it goes on from, where it tests a device again that was left undecided there.
    pub again_of: Option<String>,
    /// The settings sheet that it has, with its revision.
    pub settings: Option<String>,
    /// Unit of its levels: that of the site sheet that it has.
    pub unit: String,
    /// Decimals of its levels.
    pub decimals: usize,
    /// Limits of levels, while it runs.
    pub bands: Vec<Band>,
    /// The positions.
    pub tiles: Vec<Tile>,
}

/// Why something is as it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Reason {
    /// Kind of the reason, a word of the record.
    pub kind: String,
    /// The reason, in English.
    pub text: String,
}

/// What to do with a device next.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub(crate) enum AdviceShown {
    /// Set a level to the middle of its limits.
    Set {
        /// What is set.
        quantity: String,
        /// As found, in the unit of the site.
        from: String,
        /// As it should be.
        to: String,
        /// The difference, without a sign.
        by: String,
        /// Which way: `deeper`, `less deep`, `smaller`, `larger`.
        direction: &'static str,
    },
    /// So many ramps decide it.
    Ramps {
        /// How many.
        ramps: u16,
        /// How long a run with them takes, seconds, as it would be planned.
        seconds: Option<f64>,
        /// Whether they decide all that is open.
        all: bool,
    },
    /// Anything else.
    Other {
        /// A word for it: `test-again`, `keep-apart`, `apart-and-again`, `at-limit`, `reduce`, `not-here`, `select-delay`,
        /// `two-rates`, `closer-crossings`, `let-rest`, `look-at-output`, `look-at-bench`, `look-at-inputs`, `look-at-delay`.
        word: &'static str,
        /// In English.
        text: String,
    },
}

/// Limits of a level, for the chart.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Band {
    /// What is found there.
    pub quantity: String,
    /// Less deep limit, in the unit of the site.
    pub low: f64,
    /// Deep limit.
    pub high: f64,
}

/// What to do with the hand.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct GuideShown {
    /// The word: `deeper`, `less-deep`, `hold`, `let-in`, `slower`, `faster`, `steady`.
    pub hint: String,
    /// Level to go to, as text.
    pub toward: Option<String>,
}

/// A question to a person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Question {
    /// Its number within the run.
    pub number: u32,
    /// What is asked.
    pub text: String,
}

/// What a run says of a position.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Tile {
    /// The position.
    pub position: u8,
    /// Serial number or own number.
    pub serial: String,
    /// The verdict: only when the run is over. `pass`, `fail`, `undecided`, `aborted`, `measured`, `set-aside`.
    pub verdict: Option<String>,
    /// What the verdict says nothing about, as quantities of the record: to stand beside the verdict, no smaller. Only when the run
    /// is over.
    pub not_checked: Vec<String>,
    /// The figure that decided, or the last one found while the run goes on.
    pub figure: Option<Figure>,
    /// A sentence that says it all, in English.
    pub sentence: String,
    /// Why it was set aside.
    pub aside: Option<Reason>,
    /// What to do next.
    pub advice: Option<AdviceShown>,
    /// What else is outside or open.
    pub also: Vec<String>,
    /// Whether a start with `again` would test it as far as a decision.
    pub can_be_decided: bool,
    /// The earlier run that this is of, where the run tests another position of that round again.
    pub of_run: Option<String>,
    /// The run that left it undecided, where it was tested again.
    pub again_of: Option<String>,
    /// Which test of the device it is, where it was tested again: to stand beside the verdict.
    pub attempt: Option<u16>,
}

impl RunState {
    /// Shows what came of the devices beside those that are tested again.
    pub(crate) fn put_beside(&mut self, tiles: &[Tile]) {
        self.tiles.extend(tiles.iter().cloned());
        self.tiles.sort_by_key(|tile| tile.position);
    }
}

/// One figure with its limits.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Figure {
    /// What it is of.
    pub quantity: String,
    /// The value with its unit.
    pub value: String,
    /// Its expanded uncertainty with unit.
    pub uncertainty: String,
    /// What is allowed.
    pub limits: String,
    /// Where it lies between the limits: 0 at the low, 1 at the high one.
    pub place: Option<f64>,
    /// Whether it is outside its limits so far: no verdict.
    pub outside: bool,
}

/// Levels and signals since the frame before.
#[derive(Debug, Clone, PartialEq, Default, Serialize, ToSchema)]
pub(crate) struct Samples {
    /// Wall time of the start of the run, milliseconds since 1970.
    pub zero_ms: f64,
    /// Seconds since the start of the run.
    pub t: Vec<f64>,
    /// Vacuum in the unit of the site, as read, zero not taken off.
    pub level: Vec<f64>,
    /// Changes of signals.
    pub changes: Vec<SignalChange>,
    /// Seconds left, foreseen.
    pub left_s: f64,
}

/// A signal that changed, or its state at the beginning.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct SignalChange {
    /// Seconds since the start of the run.
    pub t: f64,
    /// The position.
    pub position: u8,
    /// `switch` or `valve`.
    pub signal: &'static str,
    /// Whether it is on.
    pub on: bool,
}

/// A verdict as the documents have it.
pub(crate) const fn verdict_key(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "pass",
        Verdict::Fail => "fail",
        Verdict::Undecided => "undecided",
        Verdict::Aborted => "aborted",
        Verdict::Measured => "measured",
    }
}
