//! What a run will not be able to decide, reported before any air flows: uncertainties predicted by the judge, compared with the
//! tolerances.

use super::Planner;
use super::mix::Wanted;
use super::shares::{errors, guard_of_u, late_share, late_share_over, undecided_share_by};
use tripbench_device::{Expected, LevelLimits};
use tripbench_judge::PredictedLevel;
use tripbench_measure::Limits;
use tripbench_record::{
    AirSavingTask, Motion, Prediction, QuantityName, ResponseTask, StepTask, SwitchPointsTask, Task,
};
use tripbench_sheet::{Findings, Place};

/// A quantity of a step with its predicted uncertainty, in the quantity's own unit.
#[derive(Debug, Clone, Copy)]
pub(super) struct PredictedCheck {
    /// Name in a warning.
    pub(super) name: &'static str,
    pub(super) quantity: QuantityName,
    pub(super) half_tolerance: f64,
    /// For a delay shown by ramps: shares of devices left undecided, at nominal and at half a tolerance from nominal.
    late_shares: Option<[f64; 2]>,
    /// The judge's limits, shifted so that nominal is 0; for a time, unshifted.
    pub(super) limits: Limits,
    pub(super) uncertainty: f64,
    /// Whether nothing can be decided at any U: a leak too small to be measured could shift the level behind the hose too far.
    pub(super) open: bool,
    /// Uncertainty in a run that shows that no other delay of the type is selected.
    pub(super) as_set: f64,
}

impl PredictedCheck {
    /// For a level, or a difference of two levels.
    const fn of_level(
        name: &'static str,
        quantity: QuantityName,
        half_tolerance: f64,
        uncertainty: f64,
    ) -> Self {
        Self {
            name,
            quantity,
            half_tolerance,
            late_shares: None,
            limits: around_nominal(half_tolerance),
            uncertainty,
            open: false,
            as_set: uncertainty,
        }
    }
}

/// Limits at both ends of a tolerance.
pub(super) const fn around_nominal(half_tolerance: f64) -> Limits {
    Limits { low: Some(-half_tolerance), high: Some(half_tolerance) }
}

/// Predicted uncertainty and share of undecided devices for every check of a task, from its sheets alone.
pub fn predictions(task: &Task) -> Vec<Prediction> {
    let findings = Findings::new();
    let planner = Planner::new(&task.sheets, &task.positions, &findings).told_by(&task.steps);
    let Some(expected) = planner.expected() else { return Vec::new() };
    let mut all = Vec::new();
    for (step, planned) in (0..).zip(&task.steps) {
        let prediction = |predicted: PredictedCheck, unit: &str| {
            let site = &task.sheets.site;
            let PredictedCheck { quantity, half_tolerance, late_shares, limits, uncertainty, .. } = predicted;
            let guard = guard_of_u(site, limits, uncertainty);
            // A time has an upper limit only.
            let [at_nominal, at_half] = match (late_shares, unit) {
                (Some(shares), _) => shares,
                (None, "s") => [late_share(half_tolerance, uncertainty, guard * uncertainty); 2],
                (None, _) => [0.0, half_tolerance / 2.0]
                    .map(|off| undecided_share_by(half_tolerance, uncertainty, off, guard)),
            };
            let whole = |share: f64| if predicted.open { 1.0 } else { share };
            Prediction {
                step,
                quantity,
                unit: unit.to_owned(),
                expanded_uncertainty: uncertainty,
                half_tolerance,
                undecided_at_nominal: whole(at_nominal),
                undecided_at_half: whole(at_half),
            }
        };
        let told = |all: Vec<PredictedCheck>, unit: &str| {
            all.into_iter().map(|one| prediction(one, unit)).collect::<Vec<_>>()
        };
        match &planned.task {
            StepTask::SwitchPoints(ramps) => {
                all.extend(told(planner.predicted(ramps, &expected), "Pa"));
                all.extend(told(planner.predicted_delays(ramps, &expected), "s"));
            }
            StepTask::Response(response) => {
                all.extend(told(planner.predicted_responses(task, response, &expected), "s"));
            }
            StepTask::AirSaving(saving) => {
                all.extend(told(planner.predicted_saving(task, saving, &expected), "Pa"));
            }
            StepTask::Zero { .. }
            | StepTask::Leak(_)
            | StepTask::Signals { .. }
            | StepTask::TryOutput { .. }
            | StepTask::OwnInput { .. }
            | StepTask::PathLag { .. }
            | StepTask::Silence { .. }
            | StepTask::Settling { .. }
            | StepTask::Drive { .. }
            | StepTask::Hold { .. }
            | StepTask::WaitUntil { .. }
            | StepTask::Ask { .. } => {}
        }
    }
    all
}

/// Names of the levels, in the order of prediction.
const LEVELS: [(&str, QuantityName, QuantityName); 4] = [
    ("switch point", QuantityName::SwitchPoint, QuantityName::OnDelay),
    ("reset point", QuantityName::ResetPoint, QuantityName::OffDelay),
    ("cut-off level", QuantityName::CutOff, QuantityName::CutOffDelay),
    ("resume level", QuantityName::Resume, QuantityName::ResumeDelay),
];

/// Limits of the levels, in the order of [`LEVELS`].
fn limits_of(expected: &Expected) -> [Option<LevelLimits>; 4] {
    [Some(expected.on), Some(expected.off), expected.cut_off, expected.resume]
}

fn half_tolerance(limits: LevelLimits) -> f64 {
    (limits.high.si() - limits.low.si()) / 2.0
}

impl Planner<'_> {
    /// Adds a warning for each quantity of a step that may often, or always, be undecided.
    pub(super) fn foresee(&self, task: &SwitchPointsTask, expected: &Expected, place: &Place) {
        for predicted in &self.predicted(task, expected) {
            self.warn(predicted, place);
        }
        for predicted in &self.predicted_delays(task, expected) {
            self.warn_delay(predicted, place);
        }
    }

    /// Predicted levels and hysteresis of a step.
    fn predicted(&self, task: &SwitchPointsTask, expected: &Expected) -> Vec<PredictedCheck> {
        let levels = self.predicted_levels(task, expected);
        let mut all: Vec<PredictedCheck> = levels
            .iter()
            .zip(LEVELS)
            .zip(limits_of(expected))
            .filter_map(|((level, (name, quantity, _)), limits)| {
                let half_tolerance = half_tolerance(limits?);
                let one = PredictedCheck::of_level(name, quantity, half_tolerance, level.expanded_pa());
                Some(PredictedCheck {
                    open: level.hose_leaves_open(half_tolerance),
                    as_set: level.as_set_pa(),
                    ..one
                })
            })
            .collect();
        if let (Some([low, high]), [on, off, ..]) = (expected.hysteresis, levels.as_slice()) {
            let rates = self.rates(task, expected);
            let sight = self.foresight(task, &rates);
            let (uncertainty, as_set) = (sight.hysteresis_pa(on, off), sight.hysteresis_as_set_pa(on, off));
            let half_tolerance = (high.si() - low.si()) / 2.0;
            let one =
                PredictedCheck::of_level("hysteresis", QuantityName::Hysteresis, half_tolerance, uncertainty);
            all.push(PredictedCheck { as_set, ..one });
        }
        all
    }

    /// How finely a step resolves delays, where it shows them, compared with how late an output may be without changing the verdict of
    /// a device at nominal.
    fn predicted_delays(&self, task: &SwitchPointsTask, expected: &Expected) -> Vec<PredictedCheck> {
        let levels = self.predicted_levels(task, expected);
        let [mean_s, longest_s] = self.foresight(task, &self.rates(task, expected)).promised_s();
        // The hysteresis follows from both levels of the switch output and may have less to spare than they have; where both levels
        // are off nominal by the same amount, the hysteresis is at nominal.
        let hysteresis = self.predicted(task, expected).into_iter();
        let hysteresis: Vec<PredictedCheck> =
            hysteresis.filter(|one| one.quantity == QuantityName::Hysteresis).collect();
        let of_hysteresis = |quantity: QuantityName| {
            let switches = matches!(quantity, QuantityName::OnDelay | QuantityName::OffDelay);
            hysteresis.first().filter(|_| switches)
        };
        let spare = |level: &PredictedLevel, inside_pa: f64, hysteresis_pa: f64| {
            let left_pa = (inside_pa - level.expanded_pa()).min(hysteresis_pa).max(0.0);
            longest_s - mean_s + level.spare_s(left_pa)
        };
        // What the hysteresis has to spare: without an error, and with the errors that its U implies.
        let in_hysteresis = |quantity: QuantityName| {
            of_hysteresis(quantity).map_or(f64::INFINITY, |one| one.half_tolerance - one.uncertainty)
        };
        let with_errors = |quantity: QuantityName| {
            of_hysteresis(quantity).map_or([f64::INFINITY; 9], |one| {
                errors(one.uncertainty).map(|error_pa| in_hysteresis(quantity) - error_pa.abs())
            })
        };
        // A device half way to a limit of its levels is as late as any good one, but less lateness is allowed, depending on where its
        // level is found. A few ramps may find a U that is too large or too small. Lateness is decided the same way under every
        // decision rule.
        let late = |level: &PredictedLevel, half_pa: f64, quantity: QuantityName| {
            let freedom = level.delay_freedom().unwrap_or(f64::INFINITY);
            let delay = [level.delay_expanded_s().unwrap_or(f64::INFINITY), freedom];
            [0.0, half_pa / 2.0].map(|off_pa| {
                let inside = errors(level.expanded_pa()).map(|error_pa| half_pa - (off_pa + error_pa).abs());
                late_share_over(inside, with_errors(quantity), delay, |inside_pa, beside_pa| {
                    spare(level, inside_pa, beside_pa)
                })
            })
        };
        levels
            .iter()
            .zip(LEVELS)
            .zip(limits_of(expected))
            .filter_map(|((level, (name, _, quantity)), limits)| {
                let half_pa = half_tolerance(limits?);
                let uncertainty = level.delay_expanded_s()?;
                Some(PredictedCheck {
                    name,
                    quantity,
                    half_tolerance: spare(level, half_pa, in_hysteresis(quantity)),
                    late_shares: Some(late(level, half_pa, quantity)),
                    limits: Limits { low: None, high: Some(longest_s) },
                    uncertainty,
                    open: false,
                    as_set: uncertainty,
                })
            })
            .collect()
    }

    /// How finely a step resolves responses, compared with half of what its limit leaves to a device that is as promised on average.
    fn predicted_responses(
        &self,
        task: &Task,
        response: &ResponseTask,
        expected: &Expected,
    ) -> Vec<PredictedCheck> {
        let levels_of = task.steps.get(usize::from(response.levels_of)).map(|step| &step.task);
        let Some(StepTask::SwitchPoints(ramps)) = levels_of else { return Vec::new() };
        let told = self.responses_told_s(ramps, expected);
        let [mean_s, _] = self.foresight(ramps, &self.rates(ramps, expected)).promised_s();
        let names = [QuantityName::ResponseOn, QuantityName::ResponseOff];
        let half_tolerance = (response.limit.si() - mean_s).max(0.0);
        let predicted = |(quantity, uncertainty)| PredictedCheck {
            name: "response",
            quantity,
            half_tolerance,
            late_shares: None,
            limits: Limits { low: None, high: Some(response.limit.si()) },
            uncertainty,
            open: false,
            as_set: uncertainty,
        };
        names.into_iter().zip(told).map(predicted).collect()
    }

    /// Expanded uncertainty of a response, on and off, seconds.
    pub(super) fn responses_told_s(&self, ramps: &SwitchPointsTask, expected: &Expected) -> Vec<f64> {
        let rates = self.rates(ramps, expected);
        let sight = self.foresight(ramps, &rates);
        let levels = sight.levels(expected);
        levels.iter().zip([true, false]).map(|(level, deeper)| sight.response_s(level, deeper)).collect()
    }

    /// U of the levels that a device shows while it drives the valve itself: at one rate, its own.
    fn predicted_saving(
        &self,
        task: &Task,
        saving: &AirSavingTask,
        expected: &Expected,
    ) -> Vec<PredictedCheck> {
        let ramps = task.steps.iter().find_map(|step| {
            if let StepTask::SwitchPoints(ramps) = &step.task { Some(*ramps) } else { None }
        });
        let shown = ramps.is_some_and(|ramps| {
            self.predicted_levels(&ramps, expected).iter().any(|level| level.delay_expanded_s().is_some())
        });
        let still = ramps.unwrap_or_else(|| self.any_ramps(expected, saving.cycles));
        let rates = self.rates(&still, expected);
        let sight = self.foresight(&still, &rates);
        let limits = [
            ("cut-off level", QuantityName::CutOff, expected.cut_off, true),
            ("resume level", QuantityName::Resume, expected.resume, false),
        ];
        let predicted = |(name, quantity, limits, deeper): (_, _, Option<LevelLimits>, bool)| {
            let limits = limits?;
            let falling =
                crate::predict::rate(&self.sheets.rig, self.reached(), saving.falling, limits.low).si();
            let rate = if deeper {
                self.rate_at(Motion::FullFlow, true, limits.low)
            } else {
                falling.max(self.sheets.rig.manifold.largest_leak.si())
            };
            let uncertainty = sight.at_one_rate_pa(limits, (rate, deeper, saving.cycles), shown);
            Some(PredictedCheck::of_level(name, quantity, half_tolerance(limits), uncertainty))
        };
        limits.into_iter().filter_map(predicted).collect()
    }

    fn any_ramps(&self, expected: &Expected, cycles: u16) -> SwitchPointsTask {
        let wanted = Wanted { expected: Some(expected), cycles, valve: true, response_s: None };
        let ramps = super::mix::Ramps {
            rising: Motion::FullFlow,
            falling: Motion::FullFlow,
            slow_rising: 0,
            slow_falling: 0,
        };
        self.ramps_task(ramps, wanted)
    }

    /// Largest U of the levels of a step, pascal.
    pub(super) fn level_uncertainty_pa(&self, task: &SwitchPointsTask, limits: LevelLimits) -> f64 {
        let cycles = task.cycles;
        let rate = self.rate_at(task.rising, true, limits.low);
        self.foresight(task, &|ramp, level| self.rate_at(ramp.motion, ramp.deeper, level)).at_one_rate_pa(
            limits,
            (rate, true, cycles),
            true,
        )
    }

    /// Longest delay that the sheets promise, seconds.
    pub(super) fn response_s(&self) -> f64 {
        self.sheets.settings.as_ref().map_or(0.0, |settings| settings.delay.si())
            + self.sheets.device.as_ref().map_or(0.0, |device| device.promise.response_time.si())
    }
}
