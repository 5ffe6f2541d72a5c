//! One output in one direction: its crossings, its delay and its level. The delay is determined first, because the level depends on it.

use crate::channel::{Channels, Zero};
use crate::level::{Crossings, Sought, crossings};
use crate::promised::{longest_delay_s, net_delay_s, response_s, selectable_s, selected_delay_s};
use crate::result::{Basis, Delay, Level, at_rates, delay, level, seems_later_s};
use crate::screening::doubted_s;
use tripbench_device::{Logic, SupplyValve};
use tripbench_measure::{AtRates, Limits, MeasurementResult};
use tripbench_record::{Mark, QuantityName, SURELY_IN_U, SwitchPointsTask, Task};
use tripbench_rig::{DigitalInput, Position};

/// An output in one direction, with the names of its checks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Transition<'r> {
    pub(crate) input: &'r DigitalInput,
    /// The state that it changes to.
    pub(crate) to: bool,
    pub(crate) rising: bool,
    pub(crate) level: QuantityName,
    pub(crate) spread: QuantityName,
    pub(crate) delay: QuantityName,
}

impl<'r> Transition<'r> {
    /// The switch output, changing to a state in a direction.
    pub(crate) const fn of_switch(input: &'r DigitalInput, to: bool, rising: bool) -> Self {
        let [level, spread, delay] = SWITCH[if rising { 0 } else { 1 }];
        Self { input, to, rising, level, spread, delay }
    }

    /// The valve output, changing to a state in a direction.
    pub(crate) const fn of_valve(input: &'r DigitalInput, to: bool, rising: bool) -> Self {
        let [level, spread, delay] = VALVE[if rising { 0 } else { 1 }];
        Self { input, to, rising, level, spread, delay }
    }
}

/// The outputs of a position that the ramps check: the switch output, and the valve output where it is judged.
pub(crate) fn transitions<'r>(task: &Task, position: &'r Position, valve: bool) -> Vec<Transition<'r>> {
    let settings = task.sheets.settings.as_ref();
    let closed = settings.is_some_and(|settings| settings.logic == Logic::NormallyClosed);
    let switch = &position.switch;
    let mut all =
        vec![Transition::of_switch(switch, !closed, true), Transition::of_switch(switch, closed, false)];
    if let (true, Some(valve)) = (valve, &position.valve) {
        let saving = settings.and_then(|settings| settings.air_saving.as_ref());
        let feeding = saving.is_none_or(|saving| saving.supply_valve == SupplyValve::ClosedWithoutPower);
        all.extend([
            Transition::of_valve(valve, !feeding, true),
            Transition::of_valve(valve, feeding, false),
        ]);
    }
    all
}

/// Names of level, spread and delay of the switch output, rising and falling.
pub(crate) const SWITCH: [[QuantityName; 3]; 2] = [
    [QuantityName::SwitchPoint, QuantityName::Repeatability, QuantityName::OnDelay],
    [QuantityName::ResetPoint, QuantityName::ResetSpread, QuantityName::OffDelay],
];

/// The same for the valve output.
pub(crate) const VALVE: [[QuantityName; 3]; 2] = [
    [QuantityName::CutOff, QuantityName::CutOffSpread, QuantityName::CutOffDelay],
    [QuantityName::Resume, QuantityName::ResumeSpread, QuantityName::ResumeDelay],
];

/// Crossings and delay of a transition.
#[derive(Debug, Clone)]
pub(crate) struct Found {
    pub(crate) crossings: Crossings,
    /// Level and delay from the crossings at their rates, for the selected delay.
    pub(crate) rates: Option<AtRates>,
    /// The delay, where the crossings are at two rates.
    pub(crate) delay: Option<MeasurementResult>,
    /// By how much the output can seem late because of comparator noise, seconds.
    pub(crate) seems_later_s: f64,
    /// Whether the edges were followed back by the delay that they show.
    pub(crate) settled: bool,
}

/// The ramps of a step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ramps<'c> {
    pub(crate) channels: &'c Channels<'c>,
    pub(crate) marks: &'c [Mark],
    pub(crate) step: u16,
    pub(crate) task: &'c SwitchPointsTask,
    pub(crate) zero: Zero,
}

impl Ramps<'_> {
    /// What every result depends on besides the crossings.
    pub(crate) fn basis(&self) -> Basis<'_> {
        Basis { task: self.channels.task, zero: self.zero, resolution_pa: self.channels.resolution_pa() }
    }

    /// Finds crossings and delay of an output. Each level is read from the reference's history, the delay before the edge; where the
    /// rates show a delay other than the one subtracted, the edges are placed again with it.
    pub(crate) fn find(&self, transition: Transition<'_>) -> Found {
        /// A remaining delay within this is covered by the rate at the level alone, seconds. Judgement of this project.
        const NEAR_S: f64 = 0.01;
        const ROUNDS: usize = 6;
        let task = self.channels.task;
        let mut found = self.crossings(transition, net_delay_s(task));
        let mut rates = at_rates(task, &found, 0.0);
        let mut settled = true;
        for _ in 0..ROUNDS {
            let Some(beyond_s) = rates.as_ref().map(|rates| rates.delay.mean()) else { break };
            settled = beyond_s.abs() <= NEAR_S.max(response_s(task) / 2.0);
            if settled {
                break;
            }
            let again = self.crossings(transition, found.taken_off_s + beyond_s);
            if again.records.len() < found.records.len() {
                break;
            }
            found = again;
            rates = at_rates(task, &found, 0.0);
        }
        let left_s = rates.as_ref().filter(|_| !settled).map_or(0.0, |rates| rates.delay.mean().abs());
        let delay = rates.as_ref().and_then(|rates| delay(self.basis(), (&found, left_s), rates));
        let seems_later_s = rates.as_ref().map_or(0.0, |rates| seems_later_s(&found, rates));
        Found { crossings: found, rates, delay, seems_later_s, settled }
    }

    pub(crate) fn crossings(&self, transition: Transition<'_>, delay_s: f64) -> Crossings {
        let Transition { input, to, rising, .. } = transition;
        let motion = if rising { self.task.rising } else { self.task.falling };
        let sought = Sought { input, to, rising, motion, slow: self.task.slow(rising), delay_s };
        let mut found = crossings(self.channels, self.marks, self.step, self.zero, sought);
        if matches!(transition.level, QuantityName::SwitchPoint | QuantityName::ResetPoint) {
            for record in found.records.iter_mut().filter(|record| !record.fast) {
                record.planned_phase = self.task.phase(rising, record.cycle);
            }
        }
        found
    }
}

impl Found {
    /// Its delay, where the crossings show it.
    pub(crate) fn timed(&self) -> Option<Timed<'_>> {
        Some(Timed { delay: self.delay.as_ref()?, seems_later_s: self.seems_later_s })
    }

    /// Whether the crossings rule out the promised delay.
    pub(crate) fn refutes(&self, task: &Task) -> bool {
        self.delay.as_ref().is_some_and(|delay| ruled_out(delay, self.promised_delay(task)))
    }

    /// The delay assumed for its level: the promised one, unless the crossings rule it out.
    pub(crate) fn believed(&self, task: &Task, other_s: f64) -> Delay {
        if self.refutes(task) { Delay::AsFound } else { Delay::AsPromised { other_s } }
    }

    /// Largest distance of the measured delay from the promise, its U included, where the crossings rule the promise out, seconds; else
    /// 0. The output's other direction can have the same delay.
    pub(crate) fn beyond_s(&self, task: &Task) -> f64 {
        let Some(found) = self.delay.as_ref().filter(|_| self.refutes(task)) else { return 0.0 };
        let later_s = found.value + found.expanded_uncertainty - longest_delay_s(task);
        let earlier_s = selected_delay_s(task) - (found.value - found.expanded_uncertainty);
        later_s.max(earlier_s)
    }

    /// Limits of its delay as the sheets promise it, widened by the apparent lateness from noise, seconds.
    pub(crate) fn promised_delay(&self, task: &Task) -> Limits {
        let selected_s = selected_delay_s(task);
        let low = (selected_s > 0.0).then_some(selected_s);
        Limits { low, high: Some(longest_delay_s(task) + self.seems_later_s) }
    }

    /// Bounds of its delay, seconds: as measured where the ramps show it, else as promised, with another delay `other_s` away. A
    /// measured delay that fits the promise is limited to the overlap of both.
    pub(crate) fn delay_bounds_s(&self, task: &Task, other_s: f64) -> [f64; 2] {
        let selected_s = selected_delay_s(task);
        let promised = [(selected_s - other_s).max(0.0), selected_s + other_s + response_s(task)];
        let Some(delay) = &self.delay else { return promised };
        let shown = [delay.value - delay.expanded_uncertainty, delay.value + delay.expanded_uncertainty];
        if shown[0] <= promised[1] && promised[0] <= shown[1] {
            [shown[0].max(promised[0]), shown[1].min(promised[1])]
        } else {
            [shown[0].max(0.0), shown[1].max(0.0)]
        }
    }

    /// Whether it surely answered before its level, which no output does: its edges do not belong to the rates that they were found at.
    pub(crate) fn answered_before(&self) -> bool {
        self.delay.as_ref().is_some_and(answered_before)
    }

    /// Why no level is stated although its delay is found.
    pub(crate) fn no_level(&self) -> String {
        let why = if self.answered_before() {
            "seems to have answered before its level"
        } else {
            "is so late that its level cannot be determined"
        };
        format!("its output {why}: no level is stated; see its delay")
    }

    /// Its level; `None` if its edges could not be followed back by the delay that they show, or show that it answered before its level.
    pub(crate) fn level(&self, basis: Basis<'_>, other_s: f64) -> Option<Level> {
        let believed = self.believed(basis.task, other_s);
        let whole = self.settled && self.crossings.missing == 0 && self.crossings.unplaced == 0;
        let dropped = self.rates.as_ref().is_some_and(|rates| rates.prior_dropped);
        if self.crossings.placed() == 0
            || self.answered_before()
            || (!whole && (dropped || believed == Delay::AsFound))
        {
            return None;
        }
        let again = other_s > 0.0 && believed != Delay::AsFound && self.rates.is_some();
        let rates = if again { at_rates(basis.task, &self.crossings, other_s) } else { self.rates.clone() };
        level(basis, &self.crossings, rates, believed)
    }
}

/// Whether a time is surely outside its limits.
pub(crate) fn ruled_out(found: &MeasurementResult, limits: Limits) -> bool {
    let away = surely(found);
    limits.high.is_some_and(|high| found.value - away > high)
        || limits.low.is_some_and(|low| found.value + away < low)
}

/// Whether an output surely answered before its level was crossed.
pub(crate) fn answered_before(delay: &MeasurementResult) -> bool {
    ruled_out(delay, Limits { low: Some(0.0), high: None })
}

/// Largest distance of a result's true value from its value, with near certainty.
fn surely(found: &MeasurementResult) -> f64 {
    /// Share of a normal distribution within ± 3.5 standard deviations, 2Φ(3.5) − 1; with few crossings the tails are longer.
    const HELD: f64 = 0.999_53;
    found.density.half_width(HELD).max(SURELY_IN_U * found.expanded_uncertainty)
}

/// A delay as the crossings of its output show it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Timed<'d> {
    pub(crate) delay: &'d MeasurementResult,
    /// By how much the output can seem late because of comparator noise, seconds.
    pub(crate) seems_later_s: f64,
}

impl Timed<'_> {
    /// Distance from a selectable delay and its response, seconds; 0 within them. No output can be earlier than without a selected
    /// delay: a negative delay points to the rig, not to the selection.
    pub(crate) fn beside_s(self, task: &Task, from_s: f64) -> f64 {
        let later_s = self.delay.value - (from_s + response_s(task) + self.seems_later_s);
        let earlier_s = if from_s > 0.0 { from_s - self.delay.value } else { 0.0 };
        later_s.max(earlier_s).max(0.0)
    }
}

/// The selectable delays that fit all outputs, each within its U, seconds.
pub(crate) fn fitting_s(task: &Task, delays: &[Timed<'_>]) -> Vec<f64> {
    selectable_within_s(task, delays, |delay| delay.expanded_uncertainty)
}

/// The selectable delays that no output puts in doubt, seconds. With four outputs, U alone would rule out the true delay for up to one
/// in ten devices; the limit of doubt does so for one or two in a hundred.
pub(crate) fn not_doubted_s(task: &Task, delays: &[Timed<'_>]) -> Vec<f64> {
    selectable_within_s(task, delays, doubted_s)
}

/// The selectable delays that no output surely rules out, seconds.
pub(crate) fn possible_s(task: &Task, delays: &[Timed<'_>]) -> Vec<f64> {
    selectable_within_s(task, delays, surely)
}

fn selectable_within_s(
    task: &Task,
    delays: &[Timed<'_>],
    away_s: impl Fn(&MeasurementResult) -> f64,
) -> Vec<f64> {
    let fits = |from_s: f64| delays.iter().all(|timed| timed.beside_s(task, from_s) <= away_s(timed.delay));
    selectable_s(task).into_iter().filter(|other_s| fits(*other_s)).collect()
}

/// Whether a delay is the one on the settings sheet.
pub(crate) fn is_set(task: &Task, delay_s: f64) -> bool {
    (delay_s - selected_delay_s(task)).abs() <= f64::EPSILON
}

/// Largest distance from the selected delay to another selectable one that no measured delay puts in doubt, seconds; 0 if only the
/// selected one is left.
pub(crate) fn other_left_s(task: &Task, delays: &[Timed<'_>]) -> f64 {
    let selected_s = selected_delay_s(task);
    let left = not_doubted_s(task, delays).into_iter();
    left.map(|other_s| (other_s - selected_s).abs()).fold(0.0, f64::max)
}

/// Whether all measured delays fit the selected one, and surely rule out every other.
pub(crate) fn shows_selected(task: &Task, delays: &[Timed<'_>]) -> bool {
    let is_set = |delay_s: &f64| is_set(task, *delay_s);
    !delays.is_empty()
        && fitting_s(task, delays).iter().any(is_set)
        && possible_s(task, delays).iter().all(is_set)
}

#[cfg(test)]
mod tests;
