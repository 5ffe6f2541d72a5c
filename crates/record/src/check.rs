//! Checks: one result judged against its limits.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tripbench_measure::{Contribution, MeasurementResult, ToDecide};
use tripbench_sheet::words;

words! {
    /// What a check measures.
    #[derive(JsonSchema)]
    pub enum QuantityName {
        /// Reading of the vented reference at the start.
        Zero = "zero",
        /// Change of that reading up to the end.
        ZeroDrift = "zero-drift",
        /// Rate at which a closed rig loses vacuum.
        LeakRate = "leak-rate",
        /// Largest ratio of evacuation rates between cycles.
        EvacuationSteady = "evacuation-steady",
        /// Level at which the output turns on, rising.
        SwitchPoint = "switch-point",
        /// Level at which the output turns off, falling.
        ResetPoint = "reset-point",
        /// Switch point minus reset point.
        Hysteresis = "hysteresis",
        /// Spread of one switch point, as a standard deviation.
        Repeatability = "repeatability",
        /// Spread of one reset point, as a standard deviation.
        ResetSpread = "reset-spread",
        /// Spread of one cut-off level, as a standard deviation.
        CutOffSpread = "cut-off-spread",
        /// Spread of one resume level, as a standard deviation.
        ResumeSpread = "resume-spread",
        /// Level at which the device cuts its supply valve, rising.
        CutOff = "cut-off",
        /// Level at which it feeds again, falling.
        Resume = "resume",
        /// Changes of the output beyond the one expected in each ramp.
        Chatter = "chatter",
        /// Delay of the output when the vacuum rises, from crossings at two rates.
        OnDelay = "on-delay",
        /// Delay of the output when the vacuum falls, from crossings at two rates.
        OffDelay = "off-delay",
        /// Delay of the valve output when the device cuts its supply valve, from crossings at two rates.
        CutOffDelay = "cut-off-delay",
        /// Delay of the valve output when the device feeds again, from crossings at two rates.
        ResumeDelay = "resume-delay",
        /// Which of the delays that the type lets one select the device shows.
        SelectedDelay = "selected-delay",
        /// Changes of an output that are over between two reads: only a counter of its edges shows them.
        Bounce = "bounce",
        /// Level of the first operation after rest.
        FirstOperation = "first-operation",
        /// States of the outputs over the whole run, against what the level allowed.
        OutputStates = "output-states",
        /// Whether each input has edges of its own.
        OwnEdges = "own-edges",
        /// Whether an output that a person operated was shown by its own input, and by no other.
        OwnInput = "own-input",
        /// Longest time from the level to the output, turning on.
        ResponseOn = "response-on",
        /// Longest time from the level to the output, turning off.
        ResponseOff = "response-off",
        /// Time from one scan to the next, in the middle.
        ScanPeriod = "scan-period",
        /// Longest time from one scan to the next.
        ScanGap = "scan-gap",
        /// Longest time from a stop to the outputs.
        StopLatency = "stop-latency",
        /// Time of one count of the module's clock.
        ClockTick = "clock-tick",
        /// Standard deviation of the reference at rest.
        Noise = "noise",
        /// Time from an output's write to the level's answer.
        ValveDelay = "valve-delay",
        /// Longest time that an input needs to show an output that it is wired to.
        PathLag = "path-lag",
        /// How much that time varies.
        ImageAge = "image-age",
        /// Time without a master after which the outputs were at their safe values.
        LossOfMaster = "loss-of-master",
        /// Time constant with which the gas takes the wall's temperature.
        ThermalTime = "thermal-time",
        /// Lowest level after a device has cut its valve for the first time.
        LowestLevel = "lowest-level",
    }
}

words! {
    /// What a check counts for.
    #[derive(JsonSchema)]
    pub enum Role {
        /// The verdict needs it.
        Required = "required",
        /// Speaks only against a device: fails it, or leaves it undecided; never makes a pass.
        Screening = "screening",
        /// Of the rig, not the device: not met, nothing can be judged.
        Condition = "condition",
        /// Shown, never counted.
        Informative = "informative",
    }
}

words! {
    /// What a check says.
    #[derive(JsonSchema)]
    pub enum CheckVerdict {
        /// Inside the limits by the guard band.
        Pass = "pass",
        /// Outside the limits by the guard band.
        Fail = "fail",
        /// Neither, or not measured.
        Undecided = "undecided",
        /// Judged against nothing.
        Measured = "measured",
        /// A condition that holds.
        Met = "met",
        /// A condition that does not hold.
        NotMet = "not-met",
    }
}

/// Limits in the check's unit; `null` is no limit on that side.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct LimitsRecord {
    /// Lowest allowed.
    pub low: Option<f64>,
    /// Highest allowed.
    pub high: Option<f64>,
}

/// A measured value in the check's unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measured {
    /// The estimate.
    pub value: f64,
    /// Combined standard uncertainty.
    pub standard_uncertainty: f64,
    /// 95 % half width.
    pub expanded_uncertainty: f64,
    /// Expanded over standard uncertainty.
    pub coverage_factor: f64,
    /// Effective degrees of freedom; `null` if infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Expanded uncertainty by Welch–Satterthwaite, for comparison.
    pub welch_satterthwaite: f64,
    /// The budget.
    pub contributions: Vec<Contribution>,
}

impl From<&MeasurementResult> for Measured {
    fn from(result: &MeasurementResult) -> Self {
        Self {
            value: result.value,
            standard_uncertainty: result.standard_uncertainty,
            expanded_uncertainty: result.expanded_uncertainty,
            coverage_factor: result.coverage_factor,
            degrees_of_freedom: result.degrees_of_freedom,
            welch_satterthwaite: result.welch_satterthwaite,
            contributions: result.contributions.clone(),
        }
    }
}

/// One crossing that a level was found from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CrossingRecord {
    /// Cycle, from 1.
    pub cycle: u16,
    /// Start of the interval in which the edge lies, seconds since the start of the run.
    pub earliest_s: f64,
    /// End of that interval.
    pub latest_s: f64,
    /// Lowest level in it, pascal, corrected.
    pub low_pa: f64,
    /// Highest level in it, pascal, corrected.
    pub high_pa: f64,
    /// Rate there, pascal per second.
    pub rate_pa_per_s: f64,
    /// Phase that was planned for it, a share of the time between two scans; `null` if none was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub planned_phase: Option<f64>,
    /// Whether it is of the fast pair beside the ramps: a pull at full flow, and a fall at full vent.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub fast: bool,
}

/// By so many U a time is surely no longer, or no shorter, than it was found: 3.5 standard uncertainties, so that of good devices with
/// several outputs less than one in a thousand fails. A guard band of U alone would fail one in forty of those that are just as promised,
/// for each output. Judgement of this project.
pub const SURELY_IN_U: f64 = 3.5 / 1.96;

/// One result judged against its limits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Check {
    /// The position; `null` for a check of the rig.
    pub position: Option<u8>,
    /// Index of the step, from 0.
    pub step: u16,
    /// Name of the step.
    pub step_name: String,
    /// What was measured.
    pub quantity: QuantityName,
    /// What it counts for.
    pub role: Role,
    /// Unit of all its values: `Pa`, `Pa/s` or `1`.
    pub unit: String,
    /// The result; `null` if it could not be measured.
    #[serde(flatten)]
    pub measured: Option<Measured>,
    /// The limits; `null` if it was judged against nothing.
    pub limits: Option<LimitsRecord>,
    /// Probability that the quantity lies inside its limits.
    pub conformance_probability: Option<f64>,
    /// What it says.
    pub verdict: CheckVerdict,
    /// What would decide it, where U alone leaves it undecided.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to_decide: Option<ToDecide>,
    /// Why, where that is not plain from the figures.
    pub remark: Option<String>,
    /// The crossings that it was found from.
    pub crossings: Vec<CrossingRecord>,
}

impl QuantityName {
    /// Whether it says that something which is set, or could be wrong, was looked at: left open it stands beside the verdict as
    /// "not checked".
    pub const fn covers(self) -> bool {
        matches!(
            self,
            Self::SelectedDelay
                | Self::Bounce
                | Self::OnDelay
                | Self::OffDelay
                | Self::CutOffDelay
                | Self::ResumeDelay
                | Self::CutOff
                | Self::Resume
                | Self::Repeatability
                | Self::ResetSpread
                | Self::CutOffSpread
                | Self::ResumeSpread
                | Self::FirstOperation
                | Self::OwnEdges
        )
    }

    /// Whether it is the spread of a level.
    pub const fn is_spread(self) -> bool {
        matches!(self, Self::Repeatability | Self::ResetSpread | Self::CutOffSpread | Self::ResumeSpread)
    }

    /// Whether it is the delay of an output.
    pub const fn is_delay(self) -> bool {
        matches!(self, Self::OnDelay | Self::OffDelay | Self::CutOffDelay | Self::ResumeDelay)
    }
}

impl Check {
    /// Whether it says of something that it was not checked.
    pub fn not_checked(&self) -> bool {
        self.role == Role::Informative && self.quantity.covers() && self.verdict == CheckVerdict::Undecided
    }

    /// Whether it says no more than that another check of the same name was closely made: for people that one is enough.
    pub fn stands_behind_another(&self) -> bool {
        let twice = self.quantity.is_spread()
            || matches!(self.quantity, QuantityName::FirstOperation | QuantityName::OwnEdges);
        twice && self.role != Role::Screening && self.verdict == CheckVerdict::Pass
    }

    /// A check that was not measured: undecided.
    pub fn empty(quantity: QuantityName) -> Self {
        Self {
            position: None,
            step: 0,
            step_name: String::new(),
            quantity,
            role: Role::Informative,
            unit: String::from("Pa"),
            measured: None,
            limits: None,
            conformance_probability: None,
            verdict: CheckVerdict::Undecided,
            to_decide: None,
            remark: None,
            crossings: Vec::new(),
        }
    }

    /// Distance of the value from its nearest limit in units of its expanded uncertainty: 1 where a guard band of U just leaves it open.
    pub fn margin_in_u(&self) -> Option<f64> {
        let (measured, limits) = (self.measured.as_ref()?, self.limits?);
        let below = limits.low.map(|low| measured.value - low);
        let above = limits.high.map(|high| high - measured.value);
        let nearest = below.into_iter().chain(above).reduce(f64::min)?;
        Some(nearest / measured.expanded_uncertainty.max(f64::MIN_POSITIVE))
    }

    /// Whether it is a delay that is longer than its limit by 3.5 standard uncertainties, as one that fails is: left open, it is late, and only
    /// whose fault that is stays open.
    pub fn is_surely_late(&self) -> bool {
        let above = |measured: &Measured| Some(measured.value - self.limits?.high?);
        self.quantity.is_delay()
            && self.measured.as_ref().is_some_and(|measured| {
                above(measured).is_some_and(|above| above > SURELY_IN_U * measured.expanded_uncertainty)
            })
    }

    /// Distance of the value from its nearest limit as a share of the half tolerance: 1 in the middle, 0 at a limit,
    /// negative outside. For a limit on one side alone, the share of the limit.
    pub fn margin(&self) -> Option<f64> {
        let (value, limits) = (self.measured.as_ref()?.value, self.limits?);
        match (limits.low, limits.high) {
            (Some(low), Some(high)) => Some((value - low).min(high - value) / ((high - low) / 2.0)),
            (None, Some(high)) => Some((high - value) / high.abs()),
            (Some(low), None) => Some((value - low) / low.abs()),
            (None, None) => None,
        }
    }
}
