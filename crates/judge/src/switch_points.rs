//! Step `switch-points`: levels, hysteresis and repeatability of every position, and whether the rig stayed the same.

use crate::by_hand;
use crate::channel::{Channels, changes, marks_of, zero_before};
use crate::condition::{acceptance, blank, judged};
use crate::coverage::{bounce, not_seen, not_timed, selected_delay};
use crate::first_operation::first_operation;
use crate::hose::{self, Drop, has_hoses, lets_through};
use crate::level::{Crossings, between_reads_remark};
use crate::level_check::{level_check, limits_of, more_ramps};
use crate::promise::{is_first, valve_left_open};
use crate::result::{Level, hysteresis};
use crate::screening::{delay_check, slack_pa, speaks_against};
use crate::spread::spread;
use crate::states::Run;
use crate::steady::{largest_ratio, steady};
use crate::transition::{Found, Ramps, Timed, Transition, other_left_s, transitions};
use tripbench_device::{Expected, LevelLimits, expected};
use tripbench_measure::{Limits, MeasurementResult};
use tripbench_quantity::LevelDifference;
use tripbench_record::{Check, CheckVerdict, Mark, QuantityName, Role, Segment, StepTask, SwitchPointsTask};
use tripbench_rig::{DigitalInput, Position};

/// Checks of the rig and of each position, before delays shared by all positions are set to undecided.
pub(crate) fn switch_points(
    channels: &Channels<'_>,
    marks: &[Mark],
    step: u16,
    task: &SwitchPointsTask,
) -> Vec<Check> {
    let zero = zero_before(marks, step).and_then(|mark| channels.zero(mark));
    let inputs_live = inputs_live(channels, marks, step);
    let run = is_first(channels.task, step).then(|| Run::up_to(channels, marks, step)).flatten();
    // A regulated rate shows nothing about the rig; a second leak step does.
    let mut checks: Vec<Check> =
        task.rising.is_free().then(|| steady(channels, marks, step, task)).into_iter().collect();
    for plan in &channels.task.positions {
        let Some(position) = channels.task.sheets.rig.position(plan.number) else { continue };
        let of_position = match zero {
            Some(zero) => {
                let ramps = Ramps { channels, marks, step, task, zero };
                let run = run.as_ref();
                At { ramps, channels, marks, run, step, task, position, inputs_live }.checks()
            }
            None => Vec::new(),
        };
        checks.extend(of_position.into_iter().map(|check| Check { position: Some(plan.number), ..check }));
    }
    checks
}

/// Largest distance from the selected delay to another one that the ramps of an earlier step still allow, seconds. Without an earlier
/// step, every selectable delay of the type is allowed.
pub(crate) fn other_before_s(
    channels: &Channels<'_>,
    (marks, step): (&[Mark], u16),
    position: &Position,
) -> f64 {
    let found = (0..step).rev().find_map(|before| {
        let planned = channels.task.steps.get(usize::from(before)).map(|step| &step.task);
        let zero = zero_before(marks, before).and_then(|mark| channels.zero(mark))?;
        let Some(StepTask::SwitchPoints(task)) = planned else { return None };
        let ramps = Ramps { channels, marks, step: before, task, zero };
        Some(
            At { ramps, channels, marks, run: None, step: before, task, position, inputs_live: true }
                .found()
                .1,
        )
    });
    found.unwrap_or_else(|| other_left_s(channels.task, &[]))
}

/// One position in one step.
struct At<'c> {
    ramps: Ramps<'c>,
    channels: &'c Channels<'c>,
    marks: &'c [Mark],
    /// The run up to this step, where the first operation is checked.
    run: Option<&'c Run<'c>>,
    step: u16,
    task: &'c SwitchPointsTask,
    position: &'c Position,
    /// Whether any input of any position changed in the step. Inputs that never change may be frozen.
    inputs_live: bool,
}

/// Whether any device input changed in the ramps of a step.
fn inputs_live(channels: &Channels<'_>, marks: &[Mark], step: u16) -> bool {
    let ramps = marks_of(marks, step, |segment| !matches!(segment, Segment::Vented | Segment::Closed));
    let inputs = channels.task.sheets.rig.positions.iter();
    let mut inputs =
        inputs.flat_map(|position| std::iter::once(&position.switch).chain(position.valve.as_ref()));
    inputs.any(|input| ramps.iter().any(|mark| !changes(&channels.bits(mark, input)).is_empty()))
}

/// An output in one direction, with its crossings and level.
struct Judged<'r> {
    transition: Transition<'r>,
    found: Found,
    level: Option<Level>,
    /// Whether its own delay, or that of the output's other direction, is shown not to be the promised one.
    refuted: bool,
}

impl At<'_> {
    fn checks(&self) -> Vec<Check> {
        let sheets = &self.channels.task.sheets;
        let expected = sheets
            .settings
            .as_ref()
            .zip(sheets.device.as_ref())
            .map(|(settings, device)| expected(settings, device));
        let (all, other_s) = self.found();
        let limits = |quantity| expected.as_ref().and_then(|expected| level_limits(expected, quantity));
        let levels: Vec<Check> =
            all.iter().map(|one| self.level_check(one, limits(one.transition.level))).collect();
        let promised = expected.as_ref().and_then(|expected| expected.hysteresis);
        let promised = promised.map(|[low, high]| Limits { low: Some(low.si()), high: Some(high.si()) });
        let (on, off) = (&all[0], &all[1]);
        let hysteresis = self.hysteresis_check(on.level.as_ref(), off.level.as_ref(), promised);
        let chatter = self.chatter(&on.found.crossings, &off.found.crossings, expected.is_some());
        let slack =
            |judged: &[&Check]| judged.iter().map(|check| slack_pa(check)).fold(f64::INFINITY, f64::min);
        let (mut delays, mut spreads) = (Vec::new(), Vec::new());
        for (one, level) in all.iter().zip(&levels) {
            let blank = self.blank(one.transition.spread);
            let found = (one.level.as_ref(), &one.found.crossings);
            spreads.push(spread(self.channels.task, blank, self.task.cycles, found));
            // The hysteresis follows from both levels of the switch output.
            let switches = std::ptr::eq(one.transition.input, &raw const self.position.switch);
            let slack =
                if switches { slack(&[&levels[0], &levels[1], &hysteresis]) } else { slack(&[level]) };
            delays.push(self.delay(one, slack));
        }
        // Levels of the switch output first, then what follows from them, then those of the valve output.
        let mut checks = levels;
        let valve = checks.split_off(2);
        checks.push(hysteresis);
        checks.extend(spreads.drain(..1).flatten());
        checks.push(chatter);
        checks.extend(delays.drain(..2));
        checks.extend(valve.into_iter().chain(spreads.into_iter().flatten()).chain(delays));
        if expected.is_some() {
            if is_first(self.channels.task, self.step) {
                checks.extend(first_operation(
                    self.channels.task,
                    (self.run, self.step),
                    (self.ramps.zero, on.found.delay_bounds_s(self.channels.task, other_s)),
                    self.position,
                ));
            }
            checks.extend(self.valve_not_seen());
            checks.push(self.selected(&all));
            let (task, position) = (self.channels.task, self.position);
            checks.push(bounce(self.blank(QuantityName::Bounce), task, position, self.task.valve));
            if has_hoses(task) {
                let delays = all.iter().filter_map(|one| one.found.delay.clone());
                checks.push(lets_through(task, self.blank(QuantityName::Hose), position, delays));
            }
        }
        checks
    }

    /// Every output in each direction, with its level; and the largest distance to another selectable delay that all of them allow,
    /// seconds: one selection applies to all outputs of a device.
    fn found(&self) -> (Vec<Judged<'_>>, f64) {
        let task = self.channels.task;
        let mut found: Vec<(Transition<'_>, Found)> = transitions(task, self.position, self.task.valve)
            .into_iter()
            .map(|transition| (transition, self.ramps.find(transition)))
            .collect();
        let delays: Vec<MeasurementResult> =
            found.iter().filter_map(|(_, found)| found.delay.clone()).collect();
        let timed: Vec<Timed<'_>> = found.iter().filter_map(|(_, found)| found.timed()).collect();
        let other_s = other_left_s(task, &timed);
        for (_, one) in &mut found {
            one.crossings.hose = self.hose(&one.crossings, &delays.iter().collect::<Vec<_>>());
        }
        let beyond: Vec<(*const DigitalInput, f64)> =
            found.iter().map(|(of, one)| (&raw const *of.input, one.beyond_s(task))).collect();
        let judged = found.into_iter().map(|(transition, found)| {
            let same_output = beyond.iter().filter(|(input, _)| std::ptr::eq(*input, transition.input));
            let can_be_s = same_output.map(|(_, beyond_s)| *beyond_s).fold(other_s, f64::max);
            let level = found.level(self.ramps.basis(), can_be_s);
            let refuted = found.refutes(task) || can_be_s > other_s;
            Judged { transition, found, level, refuted }
        });
        (judged.collect(), other_s)
    }

    fn blank(&self, quantity: QuantityName) -> Check {
        blank(self.channels.task, self.step, quantity, Role::Screening, "Pa")
    }

    /// Checks that an output changes once in a ramp: more changes, read or counted by the module, are chatter.
    fn chatter(&self, on: &Crossings, off: &Crossings, judged: bool) -> Check {
        let role = if judged { Role::Required } else { Role::Informative };
        let check = blank(self.channels.task, self.step, QuantityName::Chatter, role, "1");
        let seen = u64::from(on.extra + off.extra);
        let counted = on.counted.more + off.counted.more;
        let ramps = 2 * self.task.cycles;
        let places: Vec<String> = [("rising", on), ("falling", off)]
            .into_iter()
            .filter(|(_, found)| found.extra > 0 || found.counted.more > 0)
            .map(|(direction, _)| direction.to_owned())
            .collect();
        let changed = on.placed() + on.unplaced + off.placed() + off.unplaced;
        let opposite = on.opposite_pa.len() + off.opposite_pa.len();
        let (verdict, remark) = if seen + counted == 0 && changed == 0 && opposite > 0 {
            let words = format!("the output changed in the opposite sense in {opposite} of {ramps} ramps");
            (CheckVerdict::Undecided, words)
        } else if seen + counted == 0 && changed == 0 {
            (CheckVerdict::Undecided, format!("the output never changed in {ramps} ramps"))
        } else if seen + counted == 0 {
            (CheckVerdict::Pass, format!("one change in {changed} of {ramps} ramps, no more"))
        } else {
            let words = format!(
                "{seen} changes more than expected were read and {counted} more counted in {ramps} ramps, {}",
                places.join(" and ")
            );
            // Read changes are proof; a count without them may come from the counter of another input.
            if seen > 0 && !by_hand::can_switch_back(&self.channels.task.sheets) {
                (CheckVerdict::Fail, words)
            } else if seen > 0 {
                (CheckVerdict::Undecided, format!("{words}: the hand may have turned back unnoticed"))
            } else {
                (CheckVerdict::Undecided, words)
            }
        };
        let verdict = if judged { verdict } else { CheckVerdict::Measured };
        Check { verdict, remark: Some(remark), ..check }
    }

    /// Effect of a leak behind the hose at the level of these crossings.
    fn hose(&self, found: &Crossings, delays: &[&MeasurementResult]) -> Drop {
        let level = found.intervals.first().map_or(0.0, |interval| interval.low_pa);
        hose::drop(self.channels, (self.marks, self.step), self.position, level, delays)
    }

    /// The delay of an output against the promise; reported as not checked where the ramps do not show it.
    fn delay(&self, one: &Judged<'_>, slack_pa: f64) -> Check {
        let task = self.channels.task;
        let check = Check { unit: String::from("s"), ..self.blank(one.transition.delay) };
        if !self.tells_delay(one) {
            return not_timed(task, check);
        }
        delay_check(task, check, &one.found, one.level.as_ref(), slack_pa)
    }

    /// Whether the ramps show the delay of an output. Ramps too similar to show that it is in time can still show that it is late.
    fn tells_delay(&self, one: &Judged<'_>) -> bool {
        let task = self.channels.task;
        let against = |found: &MeasurementResult| speaks_against(task, found, &one.found);
        self.task.timed(one.transition.rising) || one.found.delay.as_ref().is_some_and(against)
    }

    /// The valve output's quantities that no step of the run checks, for a device that saves air.
    fn valve_not_seen(&self) -> Vec<Check> {
        let task = self.channels.task;
        let open = valve_left_open(task, self.task).into_iter();
        open.map(|quantity| not_seen(task, self.blank(quantity))).collect()
    }

    /// Which delay is selected, from the delays of all outputs.
    fn selected(&self, all: &[Judged<'_>]) -> Check {
        let check = Check { unit: String::from("s"), ..self.blank(QuantityName::SelectedDelay) };
        let timed = all.iter().filter(|one| self.tells_delay(one));
        let timed = timed.filter_map(|one| Some((one.transition.delay, one.found.timed()?)));
        selected_delay(self.channels.task, check, &timed.collect::<Vec<_>>())
    }

    fn level_check(&self, one: &Judged<'_>, limits: Option<LevelLimits>) -> Check {
        let role = if limits.is_some() { Role::Required } else { Role::Informative };
        let check = Check { role, ..self.blank(one.transition.level) };
        let limits = limits.map(limits_of);
        let found = &one.found.crossings;
        let mut check = level_check(self.channels.task, check, (found, one.level.as_ref()), limits);
        self.doubts(&mut check, (found, one.transition.to), limits);
        if one.level.is_none() && one.found.delay.is_some() {
            check.remark = Some(one.found.no_level());
        } else if one.refuted && check.verdict == CheckVerdict::Undecided && check.remark.is_none() {
            check.remark = Some(String::from("its U includes the effect of the late output: see its delay"));
        }
        check
    }

    /// Adds doubts from the crossings: those left open prevent a pass, and a change that surely did not come is a fail.
    fn doubts(&self, check: &mut Check, (found, to): (&Crossings, bool), limits: Option<Limits>) {
        let cycles = u32::from(self.task.cycles);
        let motion = if found.rising { self.task.rising } else { self.task.falling };
        let placed = found.placed();
        let farthest_pa = if found.rising { found.least_top_pa } else { found.greatest_bottom_pa };
        let style = self.channels.task.sheets.site.style;
        let reached = style.level(tripbench_quantity::VacuumLevel::new(farthest_pa.max(0.0)));
        let remark = if !found.counted.agrees() {
            between_reads_remark(found.counted)
        } else if found.extra > 0 {
            format!("the output changed {} times more than expected: it chatters", found.extra)
        } else if placed == 0 && found.missing > 0 && !self.alive(found) {
            format!("no change seen up to {reached}: is it connected and powered?")
        } else if let Some(words) = found.other_way_round(to, style) {
            words
        } else if found.missing > 0 {
            format!("no change in {} of {cycles} ramps, which reached {reached}", found.missing)
        } else if found.early > 0 && check.verdict == CheckVerdict::Fail {
            // An output that changed before the throttled ramps began is that far outside.
            return;
        } else if placed < cycles {
            format!("only {placed} of {cycles} ramps could be used")
        } else if limits.is_some_and(|limits| found.hose.leaves_open(half_tolerance(limits))) {
            let shift = style.difference(LevelDifference::new(found.hose.largest_pa));
            format!(
                "a leak behind the hose could shift it by up to {shift}: leak too large for this hose, or is it pinched?"
            )
        } else if found.rate_ratio() > largest_ratio(motion, found.rising, self.task.falls_fast()) {
            let cause = if self.channels.task.sheets.rig.by_hand() {
                "keep a steady rate there"
            } else {
                "did a hose come off?"
            };
            format!(
                "the level passed {:.1} times as fast in one ramp as in another: {cause}",
                found.rate_ratio()
            )
        } else {
            return;
        };
        check.remark = Some(remark);
        if limits.is_some() {
            let past = limits.is_some_and(|limits| self.went_past(found, limits));
            let ruled_out =
                found.missing > 0 && past && self.alive(found) && found.extra == 0 && found.counted.agrees();
            check.verdict = if ruled_out { CheckVerdict::Fail } else { CheckVerdict::Undecided };
        }
    }

    /// Whether every ramp passed the far limit of a level by more than the error of the reference, and long enough before its end for a
    /// good device to change and its input to show it.
    fn went_past(&self, found: &Crossings, limits: Limits) -> bool {
        let reference = &self.channels.task.sheets.rig.reference;
        let level = tripbench_quantity::VacuumLevel::new(found.least_top_pa.max(0.0));
        let doubt = 2.0 * reference.calibration.standard_uncertainty_pa(level) + reference.drift.si();
        if found.rising {
            limits.high.is_some_and(|high| found.answered_pa[0] >= high + doubt)
        } else {
            limits.low.is_some_and(|low| found.answered_pa[1] <= low - doubt)
        }
    }

    /// Whether the device is connected and powered, as shown by its plug's input or by a change of this signal.
    fn alive(&self, found: &Crossings) -> bool {
        let plugged = self.position.present.as_ref().is_some_and(|present| {
            let ramps = marks_of(self.marks, self.step, |segment| {
                !matches!(segment, Segment::Vented | Segment::Closed)
            });
            !ramps.is_empty()
                && ramps.iter().all(|mark| self.channels.bits(mark, present).iter().all(|bit| bit.on))
        });
        found.alive || (plugged && self.inputs_live)
    }

    fn hysteresis_check(&self, on: Option<&Level>, off: Option<&Level>, limits: Option<Limits>) -> Check {
        let role = if limits.is_some() { Role::Required } else { Role::Informative };
        let check = blank(self.channels.task, self.step, QuantityName::Hysteresis, role, "Pa");
        let result = on.zip(off).and_then(|(on, off)| hysteresis(self.ramps.basis(), on, off));
        match result {
            Some(result) => {
                let mut check = judged(check, &result, limits, acceptance(self.channels.task));
                more_ramps(self.channels.task, &mut check, &result);
                check
            }
            None => Check { remark: Some("needs both levels".into()), ..check },
        }
    }
}

/// Limits of a level.
const fn level_limits(expected: &Expected, level: QuantityName) -> Option<LevelLimits> {
    if matches!(level, QuantityName::SwitchPoint) {
        Some(expected.on)
    } else if matches!(level, QuantityName::ResetPoint) {
        Some(expected.off)
    } else if matches!(level, QuantityName::CutOff) {
        expected.cut_off
    } else {
        expected.resume
    }
}

fn half_tolerance(limits: Limits) -> f64 {
    limits.low.zip(limits.high).map_or(f64::INFINITY, |(low, high)| (high - low) / 2.0)
}

#[cfg(test)]
mod tests;
