//! Every state of every output over the whole run, against what the level allowed: evidence against a device, whatever the ramps
//! show. What should not have changed and did, and what should have and did not.

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

/// A delay that is in doubt may be so much longer than promised without being held against a device here: the delay has a check of
/// its own. Seconds.
const SPARE_S: f64 = 0.1;
/// A device that was powered for so long shows its state, seconds: three times the longest start-up delay of a proximity switch
/// (IEC 60947-5-2, 300 ms; value from memory, and an analogy).
const STARTED_S: f64 = 1.0;

/// The whole run: in each scan the least and the greatest level that an output may still answer to.
#[derive(Debug)]
pub(crate) struct Run<'c> {
    pub(crate) channels: &'c Channels<'c>,
    pub(crate) moments: Vec<Moment<'c>>,
}

/// One scan.
#[derive(Debug)]
pub(crate) struct Moment<'c> {
    pub(crate) scan: &'c Scan,
    /// Level as it was read in it, pascal, and when that was, seconds: the mean age of a reading is taken off where readings do not show
    /// it themselves.
    pub(crate) level_pa: f64,
    pub(crate) read_s: f64,
    /// Least and greatest level since the longest delay before it, pascal.
    pub(crate) least_pa: f64,
    pub(crate) greatest_pa: f64,
    /// Whether the devices have power for long enough.
    pub(crate) powered: bool,
}

impl<'c> Run<'c> {
    /// From the start to the last mark of a step. `None` without a zero.
    pub(crate) fn up_to(channels: &'c Channels<'c>, marks: &[Mark], step: u16) -> Option<Self> {
        Self::with_delay(channels, (marks, step), longest_delay_s(channels.task))
    }

    /// The same, where an output may be late by so many seconds.
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
    let after_s = lag.value.si() + lag.uncertainty.si() + module.converter.si();
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
        // One reading more at each end: in between the level was anything between two.
        let here = from.saturating_sub(1)..(to + 1).min(samples.len());
        since = if is_powered(channels, scan) { since.or(Some(begin_s)) } else { None };
        Moment {
            scan,
            level_pa: read.level_pa,
            read_s: read.t_s,
            least_pa: least.within(&here),
            greatest_pa: greatest.within(&here),
            powered: since.is_some_and(|since_s| begin_s - since_s >= STARTED_S),
        }
    };
    scans.iter().zip(samples).map(moment).collect()
}

/// Whether the devices have power, where an output of the rig gives it.
fn is_powered(channels: &Channels<'_>, scan: &Scan) -> bool {
    let mut outputs = channels.task.sheets.rig.outputs.iter();
    let power = outputs.find(|output| output.name == OutputName::DevicePower);
    power.is_none_or(|output| channels.output(scan, output).is_some_and(|word| word != 0))
}

/// An output and the levels between which it must change.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Output<'r> {
    pub(crate) input: &'r DigitalInput,
    /// Its state where the vacuum is deep.
    pub(crate) deep: bool,
    /// Where it changes with rising vacuum, and where with falling.
    pub(crate) rising: LevelLimits,
    pub(crate) falling: LevelLimits,
}

/// The outputs of a position whose levels are known: the switch output, and the valve output where the device saves air.
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

/// How far beyond its limits a level has to be so that it surely is: the reference, and what a single crossing may lie beside.
pub(crate) fn surely_pa(task: &Task, zero: Zero, level_pa: f64) -> f64 {
    let reference = &task.sheets.rig.reference;
    let calibration = reference.calibration.standard_uncertainty_pa(VacuumLevel::new(level_pa));
    2.0 * calibration.hypot(zero.uncertainty_pa)
        + reference.drift.si()
        + reference.hysteresis.si()
        + 3.0 * promised_spread_pa(task, level_pa)
}

/// What an output did that the level did not allow, in one scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wrong {
    /// On, in the sense of its deep state, though the level was less deep than where it may be.
    OnTooShallow,
    /// Off though the level was deeper than where it must be on.
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
    // What all of several devices do in the same scan is the rig's, until it is shown to be theirs.
    let common = |index: usize| wrong.len() > 1 && wrong.iter().all(|(_, all)| all[index].is_some());
    let live = run.live_until();
    let judged = |(number, all): &(u8, Vec<Option<Wrong>>)| {
        let alive = task.sheets.rig.position(*number).is_some_and(|position| run.alive(position));
        // After the last change of any input they may be frozen; a position without a sign of life may be empty, and one whose plug
        // nobody sees may have lost it since its own last change.
        let until = task.sheets.rig.position(*number).map_or(0, |position| run.shown_until(position, live));
        let shown = |index: usize| alive && index < until && !common(index);
        let counted =
            task.sheets.rig.position(*number).map_or_else(Counted::default, |position| run.counted(position));
        run.judged((check(*number), counted), all, &shown)
    };
    wrong.iter().map(judged).collect()
}

impl Run<'_> {
    /// What a position's outputs did wrong in each scan.
    fn wrong(&self, position: &Position, zero: Zero, outputs: &[Output<'_>]) -> Vec<Option<Wrong>> {
        let surely = surely_pa(
            self.channels.task,
            zero,
            outputs.first().map_or(0.0, |output| output.rising.high.si()),
        );
        let mut all = vec![None; self.moments.len()];
        for output in outputs {
            let mut before = None;
            for (moment, wrong) in self.moments.iter().zip(&mut all) {
                let plugged = position
                    .present
                    .as_ref()
                    .is_none_or(|present| self.channels.bit(moment.scan, present).is_some_and(|bit| bit.on));
                let state = self.channels.bit(moment.scan, output.input).map(|bit| bit.on);
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

    /// What the module's counters and the reads do not agree in, from when the devices have power to the end.
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

    /// Number of scans up to which the states of a position say something.
    fn shown_until(&self, position: &Position, live: usize) -> usize {
        if position.present.is_some() {
            return live;
        }
        let inputs = std::iter::once(&position.switch).chain(position.valve.as_ref());
        inputs.map(|input| self.last_change(input)).max().unwrap_or(0)
    }

    /// Number of scans up to the last change of an input; 0 where it never changed.
    fn last_change(&self, input: &DigitalInput) -> usize {
        let state = |moment: &Moment<'_>| self.channels.bit(moment.scan, input).map(|bit| bit.on);
        let changed = self.moments.windows(2).rposition(|pair| state(&pair[0]) != state(&pair[1]));
        changed.map_or(0, |index| index + 1)
    }

    /// Whether a position shows life: a change of its outputs, or its plug.
    fn alive(&self, position: &Position) -> bool {
        let changes = |input| self.last_change(input) > 0;
        let plugged = position.present.as_ref().is_some_and(|present| {
            self.moments
                .iter()
                .any(|moment| self.channels.bit(moment.scan, present).is_some_and(|bit| bit.on))
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
                "{remark}; every device did so in the same moment, or no input changed afterwards: device power, module, or not connected?"
            );
            return Check { remark: Some(remark), ..check };
        }
        if !self.moments.iter().any(|moment| moment.powered) {
            return Check { remark: Some("the devices had no power for long enough".into()), ..check };
        }
        if !counted.agrees() {
            return Check { remark: Some(between_reads_remark(counted)), ..check };
        }
        let remark = "in every scan of the run as the level allowed";
        Check { verdict: CheckVerdict::Pass, remark: Some(remark.into()), ..check }
    }

    /// What was wrong first, and how often in all.
    fn remark(&self, all: &[Option<Wrong>], index: usize) -> Option<String> {
        let (moment, wrong) = (self.moments.get(index)?, (*all.get(index)?)?);
        let times = all.windows(2).filter(|pair| pair[0].is_none() && pair[1].is_some()).count()
            + usize::from(all.first().is_some_and(Option::is_some));
        let level = self.channels.task.sheets.site.style.level(VacuumLevel::new(moment.level_pa.max(0.0)));
        let what = match wrong {
            Wrong::OnTooShallow => "an output was as if vacuum were deep",
            Wrong::OffTooDeep => "an output was as if there were no vacuum",
        };
        Some(format!(
            "{what} at {level}, {:.1} s after the start; {} in the run",
            moment.scan.start().seconds(),
            if times == 1 { String::from("once") } else { format!("{times} times") }
        ))
    }
}

/// Bounds of what the level was when an output was meant that changed between two reads and has a delay within `delay_s`, pascal.
pub(crate) fn level_around(
    run: &Run<'_>,
    (from, to): (Span, Span),
    [least_s, most_s]: [f64; 2],
) -> Option<[f64; 2]> {
    let rig = &run.channels.task.sheets.rig;
    let (lag, module) = (&rig.reference.lag, &rig.module);
    // A reading shows the level of its lag before, and of its age.
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
    // What was read in between, and what a straight line through a little more says of the ends: a converter may repeat a value.
    let read = within(begin_s, end_s).map(|moment| moment.level_pa);
    let ends = line.into_iter().flat_map(|[at_s, level_pa, slope_pa_per_s]| {
        [begin_s, end_s].map(|end_s| level_pa + slope_pa_per_s * (end_s - at_s))
    });
    let all: Vec<f64> = read.chain(ends).collect();
    Some([all.iter().copied().reduce(f64::min)?, all.iter().copied().reduce(f64::max)?])
}

/// Stretch on both sides of an edge from which its rate is taken, seconds.
const BESIDE_S: f64 = 0.025;

/// Straight line through the levels of moments by least squares: a time, the level then, and its slope; `None` for fewer than three.
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
