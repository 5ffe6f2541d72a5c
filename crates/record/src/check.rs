//! Checks: one result judged against its limits.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tripbench_measure::{Contribution, MeasurementResult, ToDecide};
use tripbench_sheet::words;

words! {
    /// The quantity that a check judges.
    #[derive(JsonSchema)]
    pub enum QuantityName {
        /// Reading of the vented reference at the start.
        Zero = "zero",
        /// Change of the vented reading from start to end.
        ZeroDrift = "zero-drift",
        /// Rate at which the closed rig loses vacuum.
        LeakRate = "leak-rate",
        /// Largest ratio of evacuation rates between cycles.
        EvacuationSteady = "evacuation-steady",
        /// Level at which the switch output turns on with rising vacuum.
        SwitchPoint = "switch-point",
        /// Level at which the switch output turns off with falling vacuum.
        ResetPoint = "reset-point",
        /// Switch point minus reset point.
        Hysteresis = "hysteresis",
        /// Standard deviation of a single switch point.
        Repeatability = "repeatability",
        /// Standard deviation of a single reset point.
        ResetSpread = "reset-spread",
        /// Standard deviation of a single cut-off level.
        CutOffSpread = "cut-off-spread",
        /// Standard deviation of a single resume level.
        ResumeSpread = "resume-spread",
        /// Level at which the device cuts its supply valve, with rising vacuum.
        CutOff = "cut-off",
        /// Level at which the device feeds again, with falling vacuum.
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
        /// Which of the selectable delays of the type the device has.
        SelectedDelay = "selected-delay",
        /// Changes of an output that fall between two reads; only an edge counter shows them.
        Bounce = "bounce",
        /// Whether a hose lets the air through freely; only a delay shows it.
        Hose = "hose",
        /// Level of the first operation after rest.
        FirstOperation = "first-operation",
        /// States of the outputs over the whole run, compared with those that the level allows.
        OutputStates = "output-states",
        /// Whether each input has edges that no other input shares.
        OwnEdges = "own-edges",
        /// Whether an output that a person operated was seen at its own input and at no other.
        OwnInput = "own-input",
        /// Whether a person found the rig as its inputs show it.
        InputsAsRead = "inputs-as-read",
        /// Whether a person saw an output act whose effect the rig cannot see.
        SeenToAct = "seen-to-act",
        /// Longest time from the level to the output, turning on.
        ResponseOn = "response-on",
        /// Longest time from the level to the output, turning off.
        ResponseOff = "response-off",
        /// Median time from one scan to the next.
        ScanPeriod = "scan-period",
        /// Longest time from one scan to the next.
        ScanGap = "scan-gap",
        /// Longest time from a stop to the safe outputs.
        StopLatency = "stop-latency",
        /// Period of one count of the module's clock.
        ClockTick = "clock-tick",
        /// Standard deviation of the reference at rest.
        Noise = "noise",
        /// Time from the write of an output to the response of the level.
        ValveDelay = "valve-delay",
        /// Longest time from an output to the input that is wired to it.
        PathLag = "path-lag",
        /// Variation of the path lag.
        ImageAge = "image-age",
        /// Time without a master after which the outputs were found at their safe values.
        LossOfMaster = "loss-of-master",
        /// Time constant with which the gas assumes the temperature of the wall.
        ThermalTime = "thermal-time",
        /// Least deep level after a device has first cut its supply valve.
        LeastDeepLevel = "least-deep-level",
    }
}

words! {
    /// How a check counts towards the verdict.
    #[derive(JsonSchema)]
    pub enum Role {
        /// A pass needs it.
        Required = "required",
        /// Can fail a device or leave it undecided, but does not contribute to a pass.
        Screening = "screening",
        /// A condition of the rig; if it is not met, no device can be judged.
        Condition = "condition",
        /// Shown, never counted.
        Informative = "informative",
    }
}

words! {
    /// Result of a check.
    #[derive(JsonSchema)]
    pub enum CheckVerdict {
        /// Inside the limits by at least the guard band.
        Pass = "pass",
        /// Outside the limits by at least the guard band.
        Fail = "fail",
        /// Neither, or not measured.
        Undecided = "undecided",
        /// Measured without limits.
        Measured = "measured",
        /// The condition is met.
        Met = "met",
        /// The condition is not met.
        NotMet = "not-met",
    }
}

/// Limits in the unit of the check; `null` means no limit on that side.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct LimitsRecord {
    /// Smallest allowed value.
    pub low: Option<f64>,
    /// Largest allowed value.
    pub high: Option<f64>,
}

/// A measured value in the unit of the check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measured {
    /// The estimate.
    pub value: f64,
    /// Combined standard uncertainty.
    pub standard_uncertainty: f64,
    /// Expanded uncertainty, 95 % half width.
    pub expanded_uncertainty: f64,
    /// Expanded uncertainty divided by standard uncertainty.
    pub coverage_factor: f64,
    /// Effective degrees of freedom; `null` if infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Expanded uncertainty by Welch–Satterthwaite, for comparison.
    pub welch_satterthwaite: f64,
    /// Uncertainty budget.
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

/// A crossing that contributes to a level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CrossingRecord {
    /// Cycle, from 1.
    pub cycle: u16,
    /// Start of the interval in which the edge lies, seconds since the start of the run.
    pub earliest_s: f64,
    /// End of that interval, seconds since the start of the run.
    pub latest_s: f64,
    /// Least deep level in the interval, pascal, corrected.
    pub low_pa: f64,
    /// Deepest level in the interval, pascal, corrected.
    pub high_pa: f64,
    /// Rate of the level at the crossing, pascal per second.
    pub rate_pa_per_s: f64,
    /// Planned phase, a share of the time between two scans, 0 to 1; omitted if none was planned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub planned_phase: Option<f64>,
    /// Whether it belongs to the fast pair beside the ramps: a pull at full flow and a fall at full vent.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub fast: bool,
}

/// Margin in units of U beyond which a time is certainly outside its limit: 3.5 standard uncertainties, so that fewer than one in a
/// thousand good devices with several outputs fails. A guard band of U alone would fail, for each output, one in forty of the devices that
/// are exactly at the limit. Judgement of this project.
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
    /// The judged quantity.
    pub quantity: QuantityName,
    /// How the check counts towards the verdict.
    pub role: Role,
    /// Unit of all values: `Pa`, `Pa/s`, `s` or `1`.
    pub unit: String,
    /// The measurement result. Its fields are omitted from the record if nothing was measured.
    #[serde(flatten)]
    pub measured: Option<Measured>,
    /// The limits; `null` if there are none.
    pub limits: Option<LimitsRecord>,
    /// Probability that the quantity lies inside its limits, 0 to 1.
    pub conformance_probability: Option<f64>,
    /// Result of the check.
    pub verdict: CheckVerdict,
    /// What would decide the check, if only U leaves it undecided.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to_decide: Option<ToDecide>,
    /// Reason for the result, if the figures do not show it.
    pub remark: Option<String>,
    /// Crossings that contribute to the result.
    pub crossings: Vec<CrossingRecord>,
}

impl QuantityName {
    /// Whether a check of this quantity covers a setting or a possible fault. If such a check is undecided, the verdict is shown with
    /// "not checked".
    pub const fn covers(self) -> bool {
        matches!(
            self,
            Self::SelectedDelay
                | Self::Bounce
                | Self::Hose
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

    /// Whether this is the spread of a level.
    pub const fn is_spread(self) -> bool {
        matches!(self, Self::Repeatability | Self::ResetSpread | Self::CutOffSpread | Self::ResumeSpread)
    }

    /// Whether this is the delay of an output.
    pub const fn is_delay(self) -> bool {
        matches!(self, Self::OnDelay | Self::OffDelay | Self::CutOffDelay | Self::ResumeDelay)
    }
}

impl Check {
    /// Whether it reports that its quantity was not checked.
    pub fn not_checked(&self) -> bool {
        self.role == Role::Informative && self.quantity.covers() && self.verdict == CheckVerdict::Undecided
    }

    /// Whether it only confirms that another check of the same quantity was conclusive. Reports for people omit it.
    pub fn stands_behind_another(&self) -> bool {
        let twice = self.quantity.is_spread()
            || matches!(self.quantity, QuantityName::FirstOperation | QuantityName::OwnEdges);
        twice && self.role != Role::Screening && self.verdict == CheckVerdict::Pass
    }

    /// An informative check without a result: undecided.
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

    /// Distance of the value from its nearest limit in units of its expanded uncertainty, negative outside; 1 is the edge of a guard band
    /// of U.
    pub fn margin_in_u(&self) -> Option<f64> {
        let (measured, limits) = (self.measured.as_ref()?, self.limits?);
        let below = limits.low.map(|low| measured.value - low);
        let above = limits.high.map(|high| high - measured.value);
        let nearest = below.into_iter().chain(above).reduce(f64::min)?;
        Some(nearest / measured.expanded_uncertainty.max(f64::MIN_POSITIVE))
    }

    /// Whether it is a delay that exceeds its limit by 3.5 standard uncertainties, as is required for a fail. If such a check is undecided,
    /// the output is certainly late and only the cause is open.
    pub fn is_surely_late(&self) -> bool {
        let above = |measured: &Measured| Some(measured.value - self.limits?.high?);
        self.quantity.is_delay()
            && self.measured.as_ref().is_some_and(|measured| {
                above(measured).is_some_and(|above| above > SURELY_IN_U * measured.expanded_uncertainty)
            })
    }

    /// Distance of the value from its nearest limit as a share of the half tolerance: 1 in the middle, 0 at a limit, negative outside. With
    /// a limit on one side only, a share of that limit.
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
