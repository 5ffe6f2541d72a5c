//! Step `switch-points`: levels, hysteresis and repeatability of every position, and whether the rig stayed the same.

use crate::channel::{Channels, Zero, changes, marks_of, zero_before};
use crate::condition::{acceptance, blank, judged};
use crate::hose::{self, Drop};
use crate::level::{Counted, Crossings, Sought, crossings, net_delay_s, selected_delay_s};
use crate::level_check::{level_check, limits_of, more_ramps};
use crate::response::{Slow, delay, single_edge};
use crate::result::{Level, delay_at_rates, hysteresis};
use crate::screening::{delay_check, repeatability, slack_pa};
use crate::steady::{largest_ratio, steady};
use tripbench_device::{Expected, LevelLimits, Logic, SupplyValve, expected};
use tripbench_measure::{Limits, MeasurementResult};
use tripbench_quantity::LevelDifference;
use tripbench_record::{Check, CheckVerdict, Mark, QuantityName, Role, Segment, SwitchPointsTask};
use tripbench_rig::{DigitalInput, Position};

/// Checks of the rig and of each position that takes part.
pub(crate) fn switch_points(
    channels: &Channels<'_>,
    marks: &[Mark],
    step: u16,
    task: &SwitchPointsTask,
) -> Vec<Check> {
    let zero = zero_before(marks, step).and_then(|mark| channels.zero(mark));
    let inputs_live = inputs_live(channels, marks, step);
    // Where something else sets the rate, it tells nothing of the rig: a second leak step does.
    let mut checks: Vec<Check> =
        task.rising.is_free().then(|| steady(channels, marks, step, task)).into_iter().collect();
    for plan in &channels.task.positions {
        let Some(position) = channels.task.sheets.rig.position(plan.number) else { continue };
        let of_position = match zero {
            Some(zero) => At { channels, marks, step, task, zero, position, inputs_live }.checks(),
            None => Vec::new(),
        };
        checks.extend(of_position.into_iter().map(|check| Check { position: Some(plan.number), ..check }));
    }
    checks
}

/// One position in one step.
struct At<'c> {
    channels: &'c Channels<'c>,
    marks: &'c [Mark],
    step: u16,
    task: &'c SwitchPointsTask,
    zero: Zero,
    position: &'c Position,
    /// Whether any input of any position changed in the step: inputs that all stand still may be frozen.
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

impl At<'_> {
    fn checks(&self) -> Vec<Check> {
        let sheets = &self.channels.task.sheets;
        let expected = sheets
            .settings
            .as_ref()
            .zip(sheets.device.as_ref())
            .map(|(settings, device)| expected(settings, device));
        let closed = sheets.settings.as_ref().is_some_and(|settings| settings.logic == Logic::NormallyClosed);
        let mut on = self.crossings(&self.position.switch, !closed, true);
        let mut off = self.crossings(&self.position.switch, closed, false);
        let on_delay =
            self.task.two_rates(true).then(|| delay_at_rates(self.channels, self.zero, &on)).flatten();
        let off_delay = if self.task.two_rates(false) {
            delay_at_rates(self.channels, self.zero, &off)
        } else if self.task.fast_fall {
            self.fast_fall_delay(closed)
        } else {
            None
        };
        let selected_s = selected_delay_s(self.channels.task);
        on.unshown_s = if on_delay.is_some() { 0.0 } else { selected_s };
        off.unshown_s = if off_delay.is_some() { 0.0 } else { selected_s };
        let delays: Vec<&MeasurementResult> = [&on_delay, &off_delay].into_iter().flatten().collect();
        (on.hose, off.hose) = (self.hose(&on, &delays), self.hose(&off, &delays));
        let limits = |pick: fn(&Expected) -> Option<LevelLimits>| expected.as_ref().and_then(pick);
        let (switch_point, on_level) =
            self.level_check(QuantityName::SwitchPoint, &on, limits(|e| Some(e.on)));
        let (reset_point, off_level) =
            self.level_check(QuantityName::ResetPoint, &off, limits(|e| Some(e.off)));
        let mut checks = vec![switch_point, reset_point];
        let promised = expected.as_ref().and_then(|expected| expected.hysteresis);
        let promised = promised.map(|[low, high]| Limits { low: Some(low.si()), high: Some(high.si()) });
        checks.push(self.hysteresis_check(on_level.as_ref(), off_level.as_ref(), promised));
        checks.push(repeatability(self.channels.task, self.step, self.task.cycles, on_level.as_ref()));
        checks.push(self.chatter(&on, &off, expected.is_some()));
        let slack =
            [&checks[0], &checks[1], &checks[2]].map(slack_pa).into_iter().fold(f64::INFINITY, f64::min);
        if self.task.two_rates(true) {
            checks.push(self.delay(QuantityName::OnDelay, on_delay, on_level.as_ref(), slack));
        }
        if self.task.two_rates(false) || self.task.fast_fall {
            checks.push(self.delay(QuantityName::OffDelay, off_delay, off_level.as_ref(), slack));
        }
        if let (true, Some(valve)) = (self.task.valve, &self.position.valve) {
            checks.extend(self.valve_checks(valve, expected.as_ref()));
        }
        checks
    }

    /// An output changes once in a ramp; more, seen by the reads or counted by the module, is chatter and no switching.
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
        let (verdict, remark) = if seen + counted == 0 {
            (CheckVerdict::Pass, format!("one change in each of {ramps} ramps, none more"))
        } else {
            let words = format!(
                "{seen} changes more than expected were read and {counted} more counted in {ramps} ramps, {}",
                places.join(" and ")
            );
            // What was read is shown; a counter that no read agrees with may be the counter of another input.
            (if seen > 0 { CheckVerdict::Fail } else { CheckVerdict::Undecided }, words)
        };
        let verdict = if judged { verdict } else { CheckVerdict::Measured };
        Check { verdict, remark: Some(remark), ..check }
    }

    /// What a leak behind the hose can do at the level of these crossings.
    fn hose(&self, found: &Crossings, delays: &[&MeasurementResult]) -> Drop {
        let level = found.intervals.first().map_or(0.0, |interval| interval.low_pa);
        hose::drop(self.channels, (self.marks, self.step), self.position, level, delays)
    }

    /// Delay of the output from the slow ramps and the one fast fall.
    fn fast_fall_delay(&self, to: bool) -> Option<MeasurementResult> {
        let sought = Sought {
            input: &self.position.switch,
            to,
            rising: false,
            motion: self.task.falling,
            slow: self.task.slow(false),
            delay_s: 0.0,
        };
        let slow = crossings(self.channels, self.marks, self.step, self.zero, sought);
        let slow = Slow::of(self.channels, &slow)?;
        let fast = marks_of(self.marks, self.step, |segment| segment == Segment::FastFalling { cycle: 1 });
        let mark = fast.last()?;
        let edge = single_edge(self.channels, mark, &self.position.switch, to)?;
        delay(self.channels, &self.channels.samples(mark, self.zero), edge, slow)
    }

    fn delay(
        &self,
        quantity: QuantityName,
        found: Option<MeasurementResult>,
        level: Option<&Level>,
        slack_pa: f64,
    ) -> Check {
        let task = self.channels.task;
        delay_check(task, blank(task, self.step, quantity, Role::Screening, "s"), found, level, slack_pa)
    }

    /// Cut-off and resume, seen at the device's valve output while the rig drives the air.
    fn valve_checks(&self, valve: &DigitalInput, expected: Option<&Expected>) -> Vec<Check> {
        let saving =
            self.channels.task.sheets.settings.as_ref().and_then(|settings| settings.air_saving.as_ref());
        let feeding = saving.is_none_or(|saving| saving.supply_valve == SupplyValve::ClosedWithoutPower);
        let mut cut = self.crossings(valve, !feeding, true);
        let mut fed = self.crossings(valve, feeding, false);
        let selected_s = selected_delay_s(self.channels.task);
        (cut.unshown_s, fed.unshown_s) = (selected_s, selected_s);
        (cut.hose, fed.hose) = (self.hose(&cut, &[]), self.hose(&fed, &[]));
        let (cut_off, _) =
            self.level_check(QuantityName::CutOff, &cut, expected.and_then(|expected| expected.cut_off));
        let (resume, _) =
            self.level_check(QuantityName::Resume, &fed, expected.and_then(|expected| expected.resume));
        vec![cut_off, resume]
    }

    fn crossings(&self, input: &DigitalInput, to: bool, rising: bool) -> Crossings {
        let motion = if rising { self.task.rising } else { self.task.falling };
        let delay_s = net_delay_s(self.channels.task);
        let sought = Sought { input, to, rising, motion, slow: self.task.slow(rising), delay_s };
        let mut found = crossings(self.channels, self.marks, self.step, self.zero, sought);
        if std::ptr::eq(input, &raw const self.position.switch) {
            for record in &mut found.records {
                record.planned_phase = self.task.phase(rising, record.cycle);
            }
        }
        found
    }

    fn level_check(
        &self,
        quantity: QuantityName,
        found: &Crossings,
        limits: Option<LevelLimits>,
    ) -> (Check, Option<Level>) {
        let role = if limits.is_some() { Role::Required } else { Role::Informative };
        let check = blank(self.channels.task, self.step, quantity, role, "Pa");
        let limits = limits.map(limits_of);
        let (mut check, level) = level_check(self.channels, self.zero, check, found, limits);
        self.doubts(&mut check, found, limits);
        (check, level)
    }

    /// What the crossings leave open takes a pass away, and what they rule out makes a fail.
    fn doubts(&self, check: &mut Check, found: &Crossings, limits: Option<Limits>) {
        let cycles = u32::from(self.task.cycles);
        let motion = if found.rising { self.task.rising } else { self.task.falling };
        let placed = u32::try_from(found.records.len()).unwrap_or(0);
        let reached = self
            .channels
            .task
            .sheets
            .site
            .style
            .level(tripbench_quantity::VacuumLevel::new(found.least_top_pa.max(0.0)));
        let remark = if !found.counted.agrees() {
            between_reads_remark(found.counted)
        } else if found.extra > 0 {
            format!("the output changed {} times more than expected: it chatters", found.extra)
        } else if placed == 0 && found.missing > 0 && !self.alive(found) {
            format!("no change seen up to {reached}: is it connected and powered?")
        } else if found.missing > 0 {
            format!("no change in {} of {cycles} ramps, which reached {reached}", found.missing)
        } else if found.early > 0 && check.verdict == CheckVerdict::Fail {
            // What was crossed before the throttled ramps began is that far outside.
            return;
        } else if placed < cycles {
            format!("only {placed} of {cycles} ramps could be used")
        } else if limits
            .is_some_and(|limits| found.hose.largest_pa > SMALL_OF_TOLERANCE * half_tolerance(limits))
        {
            let shift =
                self.channels.task.sheets.site.style.difference(LevelDifference::new(found.hose.largest_pa));
            format!(
                "a leak behind the hose could shift it by up to {shift}: leak too large for this hose, or is it pinched?"
            )
        } else if found.rate_ratio() > largest_ratio(motion, found.rising, self.task.falls_fast()) {
            format!(
                "the level passed {:.1} times as fast in one ramp as in another: did a hose come off?",
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

    /// Whether every ramp went past the far limit of a level by more than the reference may be wrong, so that a good device
    /// would have changed.
    fn went_past(&self, found: &Crossings, limits: Limits) -> bool {
        let reference = &self.channels.task.sheets.rig.reference;
        let level = tripbench_quantity::VacuumLevel::new(found.least_top_pa.max(0.0));
        let doubt = 2.0 * reference.calibration.standard_uncertainty_pa(level) + reference.drift.si();
        if found.rising {
            limits.high.is_some_and(|high| found.least_top_pa >= high + doubt)
        } else {
            limits.low.is_some_and(|low| found.greatest_bottom_pa <= low - doubt)
        }
    }

    /// Whether the device shows that it is connected and powered: by its plug's input, or a change of this signal.
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
        let result = on.zip(off).and_then(|(on, off)| hysteresis(self.channels, self.zero, on, off));
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

/// The module's counter and the reads do not agree: the output changed between two reads, or the counter does not count.
pub(crate) fn between_reads_remark(counted: Counted) -> String {
    if counted.less > 0 {
        String::from(
            "the module's edge counter counted less than the reads saw, or elsewhere: is it the counter of this input?",
        )
    } else {
        format!(
            "the output changed {} times more between two reads, as the module counted: it chatters",
            counted.more
        )
    }
}

/// Share of half the tolerance up to which the shift by a leak behind the hose is a contribution like others.
const SMALL_OF_TOLERANCE: f64 = 0.25;

fn half_tolerance(limits: Limits) -> f64 {
    limits.low.zip(limits.high).map_or(f64::INFINITY, |(low, high)| (high - low) / 2.0)
}
