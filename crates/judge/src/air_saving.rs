//! Step `air-saving`, in which the device drives the evacuation valve: cut-off level, resume level and least deep level, and whether
//! the switch output stays on.

use crate::channel::{Change, Channels, Zero, age_half_s, changes, marks_of, zero_before};
use crate::condition::{acceptance, blank, judged};
use crate::least_deep::{Around, ValveEdge, least_deep};
use crate::level::{Counted, Crossings, between_reads, between_reads_remark};
use crate::level_check::{level_check, limits_of};
use crate::place::{Placed, crossing};
use crate::promised::net_delay_s;
use crate::result::{Basis, Delay, level};
use crate::stamp::edge;
use crate::states::surely_pa;
use crate::switch_points::other_before_s;
use tripbench_device::{Expected, LevelLimits, Logic, expected};
use tripbench_measure::{Limits, Sample, combine, fit_curve};
use tripbench_quantity::VacuumLevel;
use tripbench_record::{AirSavingTask, Check, CheckVerdict, Mark, QuantityName, Role, Segment};
use tripbench_rig::Position;

mod missing;

pub use missing::{unanswered_pa, unanswered_s};

/// Checks of each position.
pub(crate) fn air_saving(
    channels: &Channels<'_>,
    marks: &[Mark],
    step: u16,
    task: &AirSavingTask,
) -> Vec<Check> {
    let sheets = &channels.task.sheets;
    let zero = zero_before(marks, step).and_then(|mark| channels.zero(mark));
    let (Some(zero), Some((settings, device))) = (zero, sheets.settings.as_ref().zip(sheets.device.as_ref()))
    else {
        return Vec::new();
    };
    let expected = expected(settings, device);
    let held = settings.logic == Logic::NormallyOpen;
    let mut checks = Vec::new();
    for plan in &channels.task.positions {
        let number = plan.number;
        let Some(position) = sheets.rig.position(number) else { continue };
        let of_it = |segment| segment == Segment::Saving { position: number };
        let Some(mark) = marks_of(marks, step, of_it).last().copied() else { continue };
        let other_delay_s = other_before_s(channels, (marks, step), position);
        let at = At { channels, mark, step, task, zero, position, held, other_delay_s };
        checks
            .extend(at.checks(&expected).into_iter().map(|check| Check { position: Some(number), ..check }));
    }
    checks
}

/// One position in one step.
struct At<'c> {
    channels: &'c Channels<'c>,
    mark: Mark,
    step: u16,
    task: &'c AirSavingTask,
    zero: Zero,
    position: &'c Position,
    /// State of the switch output while a part is held.
    held: bool,
    /// Largest distance from the selected delay to another one that the run does not exclude, seconds.
    other_delay_s: f64,
}

impl At<'_> {
    fn checks(&self, expected: &Expected) -> Vec<Check> {
        let samples = self.channels.samples(&self.mark, self.zero);
        let (cut, fed) = self.crossings(&samples);
        vec![
            self.level(QuantityName::CutOff, (&samples, &cut), expected.cut_off),
            self.level(QuantityName::Resume, (&samples, &fed), expected.resume),
            self.lowest(&samples, (&cut, &fed), &expected.off),
        ]
    }

    /// Crossings at which the valve output cut off and at which it resumed.
    fn crossings(&self, samples: &[Sample]) -> (Crossings, Crossings) {
        let taken_off_s = net_delay_s(self.channels.task);
        let found = |rising| Crossings { rising, alive: true, taken_off_s, ..Crossings::default() };
        let (mut cut, mut fed) = (found(true), found(false));
        let Some(valve) = &self.position.valve else { return (cut, fed) };
        let all = changes(&self.channels.bits(&self.mark, valve));
        let counted = between_reads(self.channels, &self.mark, valve, &all);
        // A change at power-up is not a resume: a device feeds as soon as a part is to be gripped.
        let first_cut = all.iter().position(|change| change.on != self.task.feeding);
        let mut before_s = self.mark.from.seconds();
        for change in all.iter().skip(first_cut.unwrap_or(all.len())) {
            let cuts = change.on != self.task.feeding;
            let into = if cuts { &mut cut } else { &mut fed };
            match self.place(samples, before_s, change, cuts) {
                Some(mut placed) => {
                    placed.record.cycle = u16::try_from(into.records.len() + 1).unwrap_or(u16::MAX);
                    into.push(placed);
                }
                None => into.unplaced += 1,
            }
            before_s = change.first_new.after.seconds();
        }
        (cut.counted, fed.counted) = (counted, counted);
        let wanted = u32::from(self.task.cycles);
        for one in [&mut cut, &mut fed] {
            let seen = u32::try_from(one.records.len()).unwrap_or(0) + one.unplaced;
            one.missing = wanted.saturating_sub(seen);
        }
        (cut, fed)
    }

    /// Places an edge from the samples before it only, because the device changes the ramp at the edge.
    fn place(&self, samples: &[Sample], before_s: f64, change: &Change, rising: bool) -> Option<Placed> {
        /// Longest stretch that is fitted; shorter than the time constants of the air. Judgement of this project.
        const LONGEST_S: f64 = 0.3;
        let valve = self.position.valve.as_ref()?;
        let edge = edge(self.channels, &self.mark, valve, change)?;
        let delay_s = net_delay_s(self.channels.task);
        let age_s = age_half_s(self.channels.task);
        let (from_s, to_s) = (edge.earliest_s - delay_s - age_s, edge.latest_s - delay_s + age_s);
        // Only half of the time since the last change of the valve is used: at its start that change still shows. Judgement of this
        // project.
        let start_s = f64::midpoint(before_s, edge.earliest_s).max(edge.earliest_s - LONGEST_S);
        let here: Vec<Sample> = samples
            .iter()
            .filter(|sample| start_s <= sample.t_s && sample.t_s <= edge.earliest_s)
            .copied()
            .collect();
        let centre_s = f64::midpoint(from_s, to_s);
        let curve = fit_curve(&self.channels.fitted(&here), centre_s, self.channels.resolution_pa())?;
        let slope = curve.slope_pa_per_s(centre_s);
        if (slope > 0.0) != rising || !slope.is_finite() {
            return None;
        }
        let ends = [curve.level_pa(from_s), curve.level_pa(to_s)];
        let (interval, record) = crossing(edge, ends, curve.level_uncertainty_pa(to_s), slope);
        Some(Placed { interval, record, rate_uncertainty_pa_per_s: curve.slope_uncertainty_pa_per_s() })
    }

    fn level(
        &self,
        quantity: QuantityName,
        (samples, found): (&[Sample], &Crossings),
        limits: Option<LevelLimits>,
    ) -> Check {
        let check = blank(self.channels.task, self.step, quantity, Role::Required, "Pa");
        let basis =
            Basis { task: self.channels.task, zero: self.zero, resolution_pa: self.channels.resolution_pa() };
        let found_level = level(basis, found, None, Delay::AsPromised { other_s: self.other_delay_s });
        let limits = limits.map(limits_of);
        let mut check = level_check(self.channels.task, check, (found, found_level.as_ref()), limits);
        let missing = (found.missing > 0).then(|| self.missing(samples, found));
        let certain = found.counted.agrees() && found.unplaced == 0;
        // The changes that did occur count.
        let outside = certain && missing.is_some() && check.verdict == CheckVerdict::Fail;
        let remark = if !found.counted.agrees() {
            between_reads_remark(found.counted)
        } else if let Some(missing) = &missing {
            let of_missing = missing.remark(self, found);
            if outside {
                format!("a level that was found is outside its limits; {of_missing}")
            } else {
                of_missing
            }
        } else if found.unplaced > 0 {
            let all = found.unplaced as usize + found.records.len();
            format!(
                "{} of {all} changes could not be placed between the readings around them",
                found.unplaced
            )
        } else {
            return check;
        };
        check.remark = Some(remark);
        // A missing change is a fail only if it was the next one, the output did not change although it had to, and the input is alive.
        let owed = missing.is_some_and(|missing| missing.was_next(found) && missing.is_shown());
        let fails = outside || (owed && certain && self.seen_live());
        check.verdict = if fails { CheckVerdict::Fail } else { CheckVerdict::Undecided };
        check
    }

    /// Whether the valve output changed, or the plug was seen in place while the switch output changed.
    fn seen_live(&self) -> bool {
        let changed = |input| !changes(&self.channels.bits(&self.mark, input)).is_empty();
        let plugged = self
            .position
            .present
            .as_ref()
            .is_some_and(|present| self.channels.bits(&self.mark, present).iter().all(|bit| bit.on));
        self.position.valve.as_ref().is_some_and(changed) || (plugged && changed(&self.position.switch))
    }

    /// Check from the first cut-off to the end: the switch output never drops, and the level stays deeper than where it may drop.
    fn lowest(&self, samples: &[Sample], (cuts, fed): (&Crossings, &Crossings), off: &LevelLimits) -> Check {
        let task = self.channels.task;
        let mut check = blank(task, self.step, QuantityName::LeastDeepLevel, Role::Required, "Pa");
        let Some(cut) = cuts.records.first() else {
            return Check { remark: Some("the device never cut its valve".into()), ..check };
        };
        let rates = cuts.records.iter().chain(&fed.records).map(|record| record.rate_pa_per_s);
        let around = Around::of(self.channels, rates.clone());
        let Some(found) = least_deep(samples, &self.valve_edges(), cut.earliest_s, around) else {
            return check;
        };
        let lowest_pa = found.level.value;
        let contributions = found.contributions(task, self.zero);
        let limits = Limits { low: Some(off.high.si()), high: None };
        let Ok(result) = combine(lowest_pa, self.channels.resolution_pa(), contributions) else {
            return check;
        };
        check = judged(check, &result, Some(limits), acceptance(task));
        let (dropped, counted) = self.drops(cut.latest_s);
        let stays_deep = check.verdict == CheckVerdict::Pass;
        let read_s = missing::late_s(task);
        let held_pa = off.high.si()
            + result.expanded_uncertainty.max(surely_pa(task, self.zero, off.high.si()))
            + read_s * rates.map(f64::abs).fold(0.0, f64::max);
        if dropped.iter().any(|after| stays_deep || self.was_deep(samples, *after, held_pa)) {
            check.verdict = CheckVerdict::Fail;
            check.remark = Some(String::from(
                "the switch output dropped while the device saved air: the part would have been reported lost",
            ));
        } else if !dropped.is_empty() {
            check.verdict = CheckVerdict::Undecided;
            check.remark = Some(String::from(
                "the switch output dropped, but only after the rig had let the level fall so far that a good output may drop: use a slower bleed \
                 valve",
            ));
        } else if !counted.agrees() {
            // The level is still reported. A counter that disagrees with the reads may have counted before the first cut-off, or
            // another input.
            check.verdict = CheckVerdict::Undecided;
            check.remark = Some(between_reads_remark(counted));
        } else if check.verdict == CheckVerdict::Fail {
            // At this level a good output may drop, but this one did not.
            check.verdict = CheckVerdict::Undecided;
            check.remark =
                Some(String::from("the level fell to where the output may drop, although it did not"));
        } else {
            check.remark = Some(self.with_the_leak_alone());
        }
        check
    }

    /// Every change of the valve output, placed or not.
    fn valve_edges(&self) -> Vec<ValveEdge> {
        let Some(valve) = &self.position.valve else { return Vec::new() };
        let all = changes(&self.channels.bits(&self.mark, valve));
        all.iter().map(|change| ValveEdge::of(change, self.task.feeding)).collect()
    }

    /// When the switch output dropped after a moment, seconds, and how its edge counter disagrees with the reads of the whole stretch.
    fn drops(&self, after_s: f64) -> (Vec<f64>, Counted) {
        let bits = self.channels.bits(&self.mark, &self.position.switch);
        let counted = between_reads(self.channels, &self.mark, &self.position.switch, &changes(&bits));
        let from = bits.partition_point(|bit| bit.span.before.seconds() <= after_s);
        let stretches = bits[from..].chunk_by(|one, next| one.on == next.on);
        let dropped = stretches.filter_map(|stretch| stretch.first().filter(|bit| bit.on != self.held));
        (dropped.map(|bit| bit.span.after.seconds()).collect(), counted)
    }

    /// Whether the level was read deeper than `held_pa` for as long before a moment as a good output may take.
    fn was_deep(&self, samples: &[Sample], at_s: f64, held_pa: f64) -> bool {
        let from_s = at_s - unanswered_s(self.channels.task);
        let here = samples.iter().filter(|sample| from_s <= sample.t_s && sample.t_s <= at_s);
        here.map(|sample| sample.level_pa).reduce(f64::min).is_some_and(|least_pa| least_pa > held_pa)
    }

    /// The remark with the least deep level for the rig's largest leak alone: resume level less leak times delays.
    fn with_the_leak_alone(&self) -> String {
        let remark = String::from("the switch output never dropped");
        let rig = &self.channels.task.sheets.rig;
        let Some(settings) = &self.channels.task.sheets.settings else { return remark };
        let Some(saving) = &settings.air_saving else { return remark };
        let delay_s = crate::promised::longest_delay_s(self.channels.task) + rig.manifold.valve_delay.si();
        let level = saving.resume.si() - rig.manifold.largest_leak.si() * delay_s;
        let level = self.channels.task.sheets.site.style.level(VacuumLevel::new(level));
        format!("{remark}; with the largest leak of this rig alone the least deep level would be {level}")
    }
}

#[cfg(test)]
mod tests;
