//! Every state of every output over the whole run, against what the level allowed: changes that should not have happened, and changes
//! that did not happen. A wrong state counts against a device, whatever the ramps show.

use crate::channel::{Channels, Zero, changes, conversions_show, zero_before};
use crate::condition::blank;
use crate::level::{Counted, between_reads, between_reads_remark};
use crate::promised::{longest_delay_s, promised_spread_pa};
use crate::window::Extreme;
use tripbench_device::{Expected, LevelLimits, Logic, SupplyValve, expected};
use tripbench_measure::{Sample, mean};
use tripbench_quantity::{Mono, Span, VacuumLevel};
use tripbench_record::{Check, CheckVerdict, Mark, QuantityName, Role, Segment, Task};
use tripbench_rig::{DigitalInput, OutputName, Position, Scan};

/// A delay up to this much longer than promised does not count against a device here, because the delay has a check of its own,
/// seconds. Judgement of this project.
pub(crate) const SPARE_S: f64 = 0.1;
/// Time with power after which a device shows its state, seconds: three times the longest start-up delay of a proximity switch (IEC
/// 60947-5-2, 300 ms; value from memory, and an analogy).
const STARTED_S: f64 = 1.0;

/// The whole run, with the range of levels that an output may still respond to in each scan.
#[derive(Debug)]
pub(crate) struct Run<'c> {
    pub(crate) channels: &'c Channels<'c>,
    pub(crate) moments: Vec<Moment<'c>>,
}

/// One scan.
#[derive(Debug)]
pub(crate) struct Moment<'c> {
    pub(crate) scan: &'c Scan,
    /// Level as read in this scan, pascal, and its time, seconds. The mean age of a reading is subtracted where the readings do not
    /// show it.
    pub(crate) level_pa: f64,
    pub(crate) read_s: f64,
    /// Least and greatest level within the longest delay before the scan, pascal.
    pub(crate) least_pa: f64,
    pub(crate) greatest_pa: f64,
    /// Whether the devices have had power for long enough.
    pub(crate) powered: bool,
}

impl<'c> Run<'c> {
    /// From the start of the run to the last mark of a step; `None` without a zero.
    pub(crate) fn up_to(channels: &'c Channels<'c>, marks: &[Mark], step: u16) -> Option<Self> {
        Self::with_delay(channels, (marks, step), longest_delay_s(channels.task))
    }

    /// The same for outputs that may be late by `delay_s`.
    pub(crate) fn with_delay(
        channels: &'c Channels<'c>,
        (marks, step): (&[Mark], u16),
        delay_s: f64,
    ) -> Option<Self> {
        let first = marks.iter().find(|mark| mark.segment == Segment::Vented)?;
        let zero = channels.zero(first)?;
        let to = marks.iter().filter(|mark| mark.step <= step).map(|mark| mark.to).max()?;
        let whole = Mark { step, segment: Segment::AtRest, from: Mono::START, to };
        let scans: Vec<&Scan> = channels.scans(&whole).collect();
        let samples = channels.samples(&whole, zero);
        (scans.len() == samples.len())
            .then(|| Self { channels, moments: moments(channels, (&scans, &samples), delay_s) })
    }
}

fn moments<'c>(
    channels: &Channels<'_>,
    (scans, samples): (&[&'c Scan], &[Sample]),
    delay_s: f64,
) -> Vec<Moment<'c>> {
    let rig = &channels.task.sheets.rig;
    let lag = &rig.reference.lag;
    let module = &rig.module;
    let before_s = delay_s + SPARE_S + module.input_filter.si() + module.image_age.si();
    let lag_s = lag.value.si() + lag.uncertainty.si();
    let after_s = lag_s + module.converter.si();
    let (mut from, mut to) = (0, 0);
    let (mut least, mut greatest) = (Extreme::least(samples), Extreme::greatest(samples));
    let mut since: Option<f64> = None;
    let moment = |(scan, read): (&&'c Scan, &Sample)| {
        let (begin_s, end_s) = (scan.start().seconds(), scan.end().seconds());
        while samples.get(from).is_some_and(|sample| sample.t_s < begin_s - before_s) {
            from += 1;
        }
        while samples.get(to).is_some_and(|sample| sample.t_s <= end_s + after_s) {
            to += 1;
        }
        // One more reading at each end: between two readings the level may have been anywhere between them.
        let here = from.saturating_sub(1)..(to + 1).min(samples.len());
        since = if is_powered(channels, scan) { since.or(Some(begin_s)) } else { None };
        let (least_pa, greatest_pa) = (least.within(&here), greatest.within(&here));
        // Where the level turns, a reading stops short of it: by less than the lag times the rate, and the level may have moved there and
        // back.
        let short_pa = 2.0 * lag_s / (end_s - begin_s + before_s + after_s) * (greatest_pa - least_pa);
        Moment {
            scan,
            level_pa: read.level_pa,
            read_s: read.t_s,
            least_pa: least_pa - short_pa,
            greatest_pa: greatest_pa + short_pa,
            powered: since.is_some_and(|since_s| begin_s - since_s >= STARTED_S),
        }
    };
    scans.iter().zip(samples).map(moment).collect()
}

/// Whether the devices have power; always true where no output of the rig switches it.
fn is_powered(channels: &Channels<'_>, scan: &Scan) -> bool {
    let mut outputs = channels.task.sheets.rig.outputs.iter();
    let power = outputs.find(|output| output.name == OutputName::DevicePower);
    power.is_none_or(|output| channels.output(scan, output) == Some(1))
}

/// An output and the levels between which it must change.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Output<'r> {
    pub(crate) input: &'r DigitalInput,
    /// Its state at deep vacuum.
    pub(crate) deep: bool,
    /// Where it changes with rising vacuum, and with falling vacuum.
    pub(crate) rising: LevelLimits,
    pub(crate) falling: LevelLimits,
}

/// The outputs of a position whose levels are known: the switch output, and the valve output of a device that saves air.
pub(crate) fn outputs<'r>(task: &Task, position: &'r Position, expected: &Expected) -> Vec<Output<'r>> {
    let settings = task.sheets.settings.as_ref();
    let closed = settings.is_some_and(|settings| settings.logic == Logic::NormallyClosed);
    let switch =
        Output { input: &position.switch, deep: !closed, rising: expected.on, falling: expected.off };
    let saving = settings.and_then(|settings| settings.air_saving.as_ref());
    let valve = saving.zip(position.valve.as_ref()).and_then(|(saving, input)| {
        let feeding = saving.supply_valve == SupplyValve::ClosedWithoutPower;
        Some(Output { input, deep: !feeding, rising: expected.cut_off?, falling: expected.resume? })
    });
    std::iter::once(switch).chain(valve).collect()
}

/// Distance beyond a limit at which a level is surely outside it, pascal: for the reference, and for the spread of single crossings.
pub(crate) fn surely_pa(task: &Task, zero: Zero, level_pa: f64) -> f64 {
    let reference = &task.sheets.rig.reference;
    let calibration = reference.calibration.standard_uncertainty_pa(VacuumLevel::new(level_pa));
    2.0 * calibration.hypot(zero.uncertainty_pa)
        + reference.drift.si()
        + reference.hysteresis.si()
        + 3.0 * promised_spread_pa(task, level_pa)
}

/// A state in one scan that the level did not allow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wrong {
    /// In its state at deep vacuum, although the level was less deep than where it may be.
    OnTooShallow,
    /// Not in its state at deep vacuum, although the level was deeper than where it must be.
    OffTooDeep,
}

impl Wrong {
    fn of(
        output: &Output<'_>,
        (state, before): (bool, Option<bool>),
        moment: &Moment<'_>,
        surely_pa: f64,
    ) -> Option<Self> {
        let (on, was_on) = (state == output.deep, before.map(|before| before == output.deep));
        let turned_on = on && was_on == Some(false);
        let turned_off = !on && was_on == Some(true);
        let shallower = |limits: LevelLimits| moment.greatest_pa < limits.low.si() - surely_pa;
        let deeper = |limits: LevelLimits| moment.least_pa > limits.high.si() + surely_pa;
        if (on && shallower(output.falling)) || (turned_on && shallower(output.rising)) {
            Some(Self::OnTooShallow)
        } else if (!on && deeper(output.rising)) || (turned_off && deeper(output.falling)) {
            Some(Self::OffTooDeep)
        } else {
            None
        }
    }
}

/// Checks of each position over the whole run.
pub(crate) fn output_states(
    channels: &Channels<'_>,
    run: Option<&Run<'_>>,
    (marks, step): (&[Mark], u16),
) -> Vec<Check> {
    let task = channels.task;
    let Some((settings, device)) = task.sheets.settings.as_ref().zip(task.sheets.device.as_ref()) else {
        return Vec::new();
    };
    let expected = expected(settings, device);
    let zero = zero_before(marks, step).and_then(|mark| channels.zero(mark));
    let check = |number| Check {
        position: Some(number),
        ..blank(task, step, QuantityName::OutputStates, Role::Required, "1")
    };
    let (Some(run), Some(zero)) = (run, zero) else {
        return task.positions.iter().map(|plan| check(plan.number)).collect();
    };
    let wrong: Vec<(u8, Vec<Option<Wrong>>)> = task
        .positions
        .iter()
        .filter_map(|plan| Some((plan.number, task.sheets.rig.position(plan.number)?)))
        .map(|(number, position)| (number, run.wrong(position, zero, &outputs(task, position, &expected))))
        .collect();
    // A wrong state of all devices in the same scan is attributed to the rig until shown otherwise.
    let common = |index: usize| wrong.len() > 1 && wrong.iter().all(|(_, all)| all[index].is_some());
    let live = run.live_until();
    let judged = |(number, all): &(u8, Vec<Option<Wrong>>)| {
        let alive = task.sheets.rig.position(*number).is_some_and(|position| run.alive(position));
        // After the last change of any input the inputs may be frozen. A position that never changed may be empty, and one without a
        // plug input may have been unplugged after its own last change.
        let until = task.sheets.rig.position(*number).map_or(0, |position| run.shown_until(position, live));
        let shown = |index: usize| alive && index < until && !common(index);
        let counted =
            task.sheets.rig.position(*number).map_or_else(Counted::default, |position| run.counted(position));
        run.judged((check(*number), counted), all, &shown)
    };
    wrong.iter().map(judged).collect()
}

impl Run<'_> {
    /// The wrong states of a position's outputs in each scan.
    fn wrong(&self, position: &Position, zero: Zero, outputs: &[Output<'_>]) -> Vec<Option<Wrong>> {
        let surely = surely_pa(
            self.channels.task,
            zero,
            outputs.first().map_or(0.0, |output| output.rising.high.si()),
        );
        let mut all = vec![None; self.moments.len()];
        let present = position.present.as_ref().map(|present| self.channels.state(present));
        for output in outputs {
            let state = self.channels.state(output.input);
            let mut before = None;
            for (moment, wrong) in self.moments.iter().zip(&mut all) {
                let plugged = present.as_ref().is_none_or(|present| present(moment.scan) == Some(true));
                let state = state(moment.scan);
                let Some(state) = state.filter(|_| moment.powered && plugged) else {
                    before = None;
                    continue;
                };
                *wrong = wrong.or_else(|| Wrong::of(output, (state, before), moment, surely));
                before = Some(state);
            }
        }
        all
    }

    /// Number of scans up to the last change of any input of the rig.
    fn live_until(&self) -> usize {
        let positions = &self.channels.task.sheets.rig.positions;
        let inputs = positions
            .iter()
            .flat_map(|position| std::iter::once(&position.switch).chain(position.valve.as_ref()));
        inputs.map(|input| self.last_change(input)).max().unwrap_or(0)
    }

    /// Disagreement between the module's counters and the reads, while the devices have power.
    fn counted(&self, position: &Position) -> Counted {
        let powered = || self.moments.iter().filter(|moment| moment.powered);
        let (Some(first), Some(last)) = (powered().next(), powered().next_back()) else {
            return Counted::default();
        };
        let whole = Mark { step: 0, segment: Segment::AtRest, from: first.scan.start(), to: last.scan.end() };
        let mut all = Counted::default();
        for input in std::iter::once(&position.switch).chain(position.valve.as_ref()) {
            let seen = changes(&self.channels.bits(&whole, input));
            all.add(between_reads(self.channels, &whole, input, &seen));
        }
        all
    }

    /// Number of scans up to which the states of a position are evidence.
    fn shown_until(&self, position: &Position, live: usize) -> usize {
        if position.present.is_some() {
            return live;
        }
        let inputs = std::iter::once(&position.switch).chain(position.valve.as_ref());
        inputs.map(|input| self.last_change(input)).max().unwrap_or(0)
    }

    /// Number of scans up to the last change of an input; 0 if it never changed.
    fn last_change(&self, input: &DigitalInput) -> usize {
        let state = self.channels.state(input);
        let changed = self.moments.windows(2).rposition(|pair| state(pair[0].scan) != state(pair[1].scan));
        changed.map_or(0, |index| index + 1)
    }

    /// Whether a position is in use: an output changed, or its plug was seen.
    fn alive(&self, position: &Position) -> bool {
        let changes = |input| self.last_change(input) > 0;
        let plugged = position.present.as_ref().is_some_and(|present| {
            let state = self.channels.state(present);
            self.moments.iter().any(|moment| state(moment.scan) == Some(true))
        });
        plugged || changes(&position.switch) || position.valve.as_ref().is_some_and(changes)
    }

    fn judged(
        &self,
        (check, counted): (Check, Counted),
        all: &[Option<Wrong>],
        shown: &dyn Fn(usize) -> bool,
    ) -> Check {
        let own = (0..all.len()).find(|index| all[*index].is_some() && shown(*index));
        if let Some(remark) = own.and_then(|index| self.remark(all, index)) {
            return Check { verdict: CheckVerdict::Fail, remark: Some(remark), ..check };
        }
        let first = all.iter().position(Option::is_some);
        if let Some(remark) = first.and_then(|index| self.remark(all, index)) {
            let remark = format!(
                "{remark}; every device did so in the same scan, or no input changed afterwards: check device power, module and connections"
            );
            return Check { remark: Some(remark), ..check };
        }
        if !self.moments.iter().any(|moment| moment.powered) {
            return Check { remark: Some("the devices were not powered for long enough".into()), ..check };
        }
        if !counted.agrees() {
            return Check { remark: Some(between_reads_remark(counted)), ..check };
        }
        let remark = "every scan of the run was as the level allowed";
        Check { verdict: CheckVerdict::Pass, remark: Some(remark.into()), ..check }
    }

    /// The first wrong state, and how often there was one.
    fn remark(&self, all: &[Option<Wrong>], index: usize) -> Option<String> {
        let (moment, wrong) = (self.moments.get(index)?, (*all.get(index)?)?);
        let times = all.windows(2).filter(|pair| pair[0].is_none() && pair[1].is_some()).count()
            + usize::from(all.first().is_some_and(Option::is_some));
        let level = self.channels.task.sheets.site.style.level(VacuumLevel::new(moment.level_pa.max(0.0)));
        let what = match wrong {
            Wrong::OnTooShallow => "an output showed deep vacuum",
            Wrong::OffTooDeep => "an output showed no vacuum",
        };
        Some(format!(
            "{what} at {level}, {:.1} s after the start; {} in the run",
            moment.scan.start().seconds(),
            if times == 1 { String::from("once") } else { format!("{times} times") }
        ))
    }
}

/// Bounds of the level to which an output responded that changed between two reads with a delay within `delay_s`, pascal.
pub(crate) fn level_around(
    run: &Run<'_>,
    (from, to): (Span, Span),
    [least_s, most_s]: [f64; 2],
) -> Option<[f64; 2]> {
    let rig = &run.channels.task.sheets.rig;
    let (lag, module) = (&rig.reference.lag, &rig.module);
    // A reading shows the level of an earlier moment, by the lag and by its age.
    let converter_s = module.converter.si();
    let [newest_s, oldest_s] = if conversions_show(run.channels.task) {
        [0.0, converter_s]
    } else {
        [-0.5, 0.5].map(|share| share * converter_s)
    };
    let [soonest_s, latest_s] =
        [lag.value.si() - lag.uncertainty.si() + newest_s, lag.value.si() + lag.uncertainty.si() + oldest_s];
    let begin_s =
        from.before.seconds() - most_s - module.input_filter.si() - module.image_age.si() + soonest_s;
    let end_s = to.after.seconds() - least_s - module.input_filter.si() + latest_s;
    let within = |from_s: f64, to_s: f64| {
        run.moments.iter().filter(move |moment| (from_s..=to_s).contains(&moment.read_s))
    };
    let line = line(within(begin_s - BESIDE_S, end_s + BESIDE_S));
    // The readings in between, and the ends of a straight line through a slightly longer stretch, because a converter may repeat a
    // value.
    let read = within(begin_s, end_s).map(|moment| moment.level_pa);
    let ends = line.into_iter().flat_map(|[at_s, level_pa, slope_pa_per_s]| {
        [begin_s, end_s].map(|end_s| level_pa + slope_pa_per_s * (end_s - at_s))
    });
    let all: Vec<f64> = read.chain(ends).collect();
    Some([all.iter().copied().reduce(f64::min)?, all.iter().copied().reduce(f64::max)?])
}

/// Stretch on both sides of an edge that gives its rate, seconds.
const BESIDE_S: f64 = 0.025;

/// Least-squares line through the levels of moments: a time, the level at that time and the slope; `None` for fewer than three moments.
fn line<'m>(moments: impl Iterator<Item = &'m Moment<'m>>) -> Option<[f64; 3]> {
    let points: Vec<(f64, f64)> = moments.map(|moment| (moment.read_s, moment.level_pa)).collect();
    if points.len() < 3 {
        return None;
    }
    let at_s = mean(&points.iter().map(|point| point.0).collect::<Vec<_>>())?;
    let level_pa = mean(&points.iter().map(|point| point.1).collect::<Vec<_>>())?;
    let away = |point: &(f64, f64)| (point.0 - at_s, point.1 - level_pa);
    let squares: f64 = points.iter().map(|point| away(point).0.powi(2)).sum();
    let products: f64 = points.iter().map(away).map(|(time, level)| time * level).sum();
    (squares > 0.0).then(|| [at_s, level_pa, products / squares])
}

#[cfg(test)]
mod tests;
