//! Changes of the valve output that were planned and did not occur. Only the next one counts against the device, and only if the level
//! was beyond its limit for longer than any good output takes.

use super::At;
use crate::channel::{Zero, changes};
use crate::level::Crossings;
use crate::promised::longest_delay_s;
use crate::states::{SPARE_S, surely_pa};
use tripbench_device::expected;
use tripbench_measure::Sample;
use tripbench_quantity::VacuumLevel;
use tripbench_record::Task;

/// Distance beyond a limit from which on an output must answer, pascal: the reference and a single crossing can be off by no more. The
/// uncertainty of the zero, which a run adds, is not known before it.
pub fn unanswered_pa(task: &Task, level: VacuumLevel) -> f64 {
    let exact = Zero { offset_pa: 0.0, uncertainty_pa: 0.0, at_s: 0.0, spread_pa: 0.0, count: 0 };
    surely_pa(task, exact, level.si())
}

/// Longest time that a good output takes to show its answer, seconds: the longest promised delay, the time of the input, two scans, the
/// age of a reading, and 0.1 s to spare.
pub fn unanswered_s(task: &Task) -> f64 {
    let rig = &task.sheets.rig;
    longest_delay_s(task) + rig.input_time().si() + 2.0 * rig.scan_time().si() + late_s(task) + SPARE_S
}

/// By how much a reading of the reference may be later than its level, seconds.
pub(super) fn late_s(task: &Task) -> f64 {
    let rig = &task.sheets.rig;
    let lag = &rig.reference.lag;
    rig.module.converter.si() + lag.value.si() + lag.uncertainty.si()
}

/// What the run shows of a change that did not occur.
#[derive(Debug, Clone, Copy)]
pub(super) struct Missing {
    /// Whether the next change would have been a cut-off.
    cuts: bool,
    /// Level beyond which the output must answer, pascal.
    beyond_pa: f64,
    /// Longest time for which the level was beyond it after the last change, seconds.
    stayed_s: f64,
    /// Time that a good output may take, seconds.
    may_take_s: f64,
}

impl Missing {
    /// Whether the missing changes of these crossings begin with the next one. The others could not occur.
    pub(super) fn was_next(&self, found: &Crossings) -> bool {
        self.cuts == found.rising
    }

    /// Whether a good output would have changed.
    pub(super) fn is_shown(&self) -> bool {
        self.stayed_s > self.may_take_s
    }

    pub(super) fn remark(&self, at: &At<'_>, found: &Crossings) -> String {
        let which = format!("{} of {} changes of the valve output", found.missing, at.task.cycles);
        if !self.was_next(found) {
            let before = if self.cuts { "did not cut off" } else { "did not resume" };
            return format!("{which} could not occur, because the device {before} before them");
        }
        let side = if self.cuts { "deeper" } else { "less deep" };
        let level = at.channels.task.sheets.site.style.level(VacuumLevel::new(self.beyond_pa));
        let [stayed_s, may_take_s] = [self.stayed_s, self.may_take_s];
        if self.is_shown() {
            format!("{which} did not occur although the level was {side} than {level} for {stayed_s:.2} s")
        } else if stayed_s > 0.0 {
            format!(
                "{which} did not occur: the level was {side} than {level} for {stayed_s:.2} s only, and a good output may take {may_take_s:.2} s"
            )
        } else {
            format!("{which} did not occur: the level was never {side} than {level}")
        }
    }
}

impl At<'_> {
    /// The next change that did not occur, from the state in which the valve output remained.
    pub(super) fn missing(&self, samples: &[Sample], found: &Crossings) -> Missing {
        let task = self.channels.task;
        let bits = self.position.valve.as_ref().map(|valve| self.channels.bits(&self.mark, valve));
        let bits = bits.unwrap_or_default();
        let cuts = bits.last().map_or(found.rising, |bit| bit.on == self.task.feeding);
        let since_s = changes(&bits).last().map_or(self.mark.from, |change| change.first_new.after).seconds();
        let sheets = task.sheets.settings.as_ref().zip(task.sheets.device.as_ref());
        let expected = sheets.map(|(settings, device)| expected(settings, device));
        let limit = expected.and_then(|expected| if cuts { expected.cut_off } else { expected.resume });
        let side = if cuts { 1.0 } else { -1.0 };
        let beyond_pa = limit.map_or(side * f64::INFINITY, |limit| {
            let limit = if cuts { limit.high } else { limit.low };
            limit.si() + side * surely_pa(task, self.zero, limit.si())
        });
        let is_beyond = |sample: &Sample| side * (sample.level_pa - beyond_pa) > 0.0;
        let after: Vec<Sample> = samples.iter().filter(|sample| sample.t_s >= since_s).copied().collect();
        let stayed = after.chunk_by(|one, other| is_beyond(one) == is_beyond(other)).map(|stretch| {
            let [first, .., last] = stretch else { return 0.0 };
            if is_beyond(first) { last.t_s - first.t_s } else { 0.0 }
        });
        Missing { cuts, beyond_pa, stayed_s: stayed.fold(0.0, f64::max), may_take_s: unanswered_s(task) }
    }
}
