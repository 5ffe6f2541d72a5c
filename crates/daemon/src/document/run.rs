//! A run in the API. The names are part of the API: a change here changes the API.

use super::reason::Reason;
use serde::Serialize;
use utoipa::ToSchema;

/// Progress of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum StepNow {
    /// Not started.
    Ahead,
    /// In progress.
    Running,
    /// Done.
    Done,
}

/// A step of a run.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct StepShown {
    /// Name of the step, as in the script.
    pub name: String,
    /// Predicted duration, seconds.
    pub predicted_s: f64,
    /// Progress of the step.
    pub now: StepNow,
}

/// A run, in progress or finished.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct RunState {
    /// Identifier of the run.
    pub run: String,
    /// Its script.
    pub script: String,
    /// Wall time of the start, RFC 3339.
    pub started: String,
    /// Whether the run is finished: record and report exist.
    pub over: bool,
    /// The steps.
    pub steps: Vec<StepShown>,
    /// Number of the cycle in progress, and number of cycles in the step.
    pub cycle: Option<[u16; 2]>,
    /// Predicted time left when this state was published, seconds.
    pub left_s: f64,
    /// What the operator has to do, on a rig without valves.
    pub guide: Option<GuideShown>,
    /// The open question.
    pub question: Option<Question>,
    /// What the run waits for.
    pub waiting: Option<Reason>,
    /// Why the run ended early.
    pub halted: Option<Reason>,
    /// Wall time of the end, RFC 3339, if it is known.
    pub ended: Option<String>,
    /// Whether the outputs were read back as safe at the end; `null` before the end.
    pub safe: Option<bool>,
    /// Whether a sheet is a draft.
    pub trial: bool,
    /// Whether no device is tested, because the rig is simulated or its module reports that it is a simulator.
    pub simulated: bool,
    /// Warnings known at the start of the run.
    pub warnings: Vec<String>,
    /// The earlier run that it continues, if it tests a device again that was left undecided there.
    pub again_of: Option<String>,
    /// Its settings sheet, with the revision.
    pub settings: Option<String>,
    /// Unit of its levels, from its site sheet.
    pub unit: String,
    /// Number of decimals of its levels.
    pub decimals: usize,
    /// Limits of levels, while the run is in progress.
    pub bands: Vec<Band>,
    /// The positions.
    pub tiles: Vec<Tile>,
}

/// What to do with a device next.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub(crate) enum AdviceShown {
    /// Set a level to the middle of its limits.
    Set {
        /// What is set.
        quantity: String,
        /// Measured value, in the unit of the site.
        from: String,
        /// Target value.
        to: String,
        /// Absolute difference.
        by: String,
        /// Direction: `deeper`, `less deep`, `smaller`, `larger`.
        direction: &'static str,
    },
    /// Test again with this number of ramps, which may decide it.
    Ramps {
        /// Number of ramps.
        ramps: u16,
        /// Predicted duration of a run with them, seconds.
        seconds: Option<f64>,
        /// Whether they can decide everything that is open.
        all: bool,
    },
    /// Other advice.
    Other {
        /// Kind of the advice: `test-again`, `keep-apart`, `apart-and-again`, `at-limit`, `reduce`, `not-here`, `select-delay`,
        /// `two-rates`, `closer-crossings`, `let-rest`, `look-at-output`, `look-at-bench`, `look-at-inputs`, `look-at-delay`.
        word: &'static str,
        /// The advice, in English.
        text: String,
    },
}

/// Limits of a level, for the chart.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Band {
    /// Quantity with these limits.
    pub quantity: String,
    /// Less deep limit, in the unit of the site.
    pub low: f64,
    /// Deeper limit, in the unit of the site.
    pub high: f64,
}

/// What to do by hand.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct GuideShown {
    /// Kind of the instruction: `deeper`, `less-deep`, `hold`, `let-in`, `slower`, `faster`, `steady`.
    pub hint: String,
    /// Level to go to, as text.
    pub toward: Option<String>,
}

/// A question to the operator.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Question {
    /// Number of the question within the run.
    pub number: u32,
    /// Text of the question.
    pub text: String,
}

/// State and result of a position.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Tile {
    /// The position.
    pub position: u8,
    /// Serial number or own number.
    pub serial: String,
    /// The verdict, once the run is finished: `pass`, `fail`, `undecided`, `aborted`, `measured`, `set-aside`.
    #[schema(value_type = Option<VerdictWord>)]
    pub verdict: Option<String>,
    /// Quantities of the record that the verdict does not cover, once the run is finished. Show them beside the verdict, in the same
    /// size.
    pub not_checked: Vec<String>,
    /// The figure that decided, or the last one found while the run is in progress.
    pub figure: Option<Figure>,
    /// Summary in one sentence, in English.
    pub sentence: String,
    /// Why the position was set aside.
    pub aside: Option<Reason>,
    /// What to do next.
    pub advice: Option<AdviceShown>,
    /// Other quantities that are outside their limits or undecided.
    pub also: Vec<String>,
    /// Whether a start with `again` may decide it.
    pub can_be_decided: bool,
    /// The earlier run that gave this result, if the present run tests another position of that round again.
    pub of_run: Option<String>,
    /// The run that left the device undecided, if it was tested again.
    pub again_of: Option<String>,
    /// Number of the attempt, if the device was tested again. Show it beside the verdict.
    pub attempt: Option<u16>,
}

/// One figure with its limits.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Figure {
    /// Quantity of the figure.
    pub quantity: String,
    /// The value with its unit.
    pub value: String,
    /// Its expanded uncertainty with its unit.
    pub uncertainty: String,
    /// Allowed range, as text.
    pub limits: String,
    /// Position of the value between the limits: 0 at the lower, 1 at the upper limit.
    pub place: Option<f64>,
    /// Whether the value is outside its limits so far; this is not a verdict.
    pub outside: bool,
}

/// A run that was accepted.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = Started)]
pub(crate) struct StartedRun {
    /// Identifier of the run.
    pub run: String,
    /// Predicted duration, seconds.
    pub predicted_s: f64,
}

/// A verdict in the API.
#[derive(Debug, ToSchema)]
#[schema(rename_all = "kebab-case")]
#[expect(dead_code, reason = "describes the words of `verdict_key` for the schema")]
pub(crate) enum VerdictWord {
    Pass,
    Fail,
    Undecided,
    Aborted,
    Measured,
    /// The position was set aside; only in the state of a rig.
    SetAside,
}
