//! A run, as the API has it. The names are the API's: a change here is a change of the API.

use super::reason::Reason;
use serde::Serialize;
use utoipa::ToSchema;

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
