//! Step `response`: the longest time from level to output, from crossings at two different rates.
//!
//! The static level comes from the same run and reference, so its calibration error cancels. Both rates use the reference as read; its
//! lag is added once, at the end (`docs/figures.md`, "Response").

use crate::channel::{Channels, Zero, changes, marks_of, zero_before};
use crate::condition::{acceptance, blank, judged};
use crate::level::{Crossings, between_reads};
use crate::place::around;
use crate::promised::{longest_delay_s, promised_spread_pa};
use crate::stamp::edge;
use crate::transition::{Ramps, Transition, answered_before, ruled_out};
use tripbench_device::{Logic, ResponseFor};
use tripbench_measure::{
    Acceptance, AtRates, Bracket, Contribution, Curve, Density, Limits, MeasurementResult, Sample, combine,
    combine_whole, fit_curve, mean, posterior,
};
use tripbench_record::{
    Check, CheckVerdict, LimitsRecord, Mark, Measured, QuantityName, ResponseTask, Role, Segment, StepTask,
};
use tripbench_rig::{DigitalInput, Position};

/// The uncorrected level at a slow rate, with the signed rate at which it was found.
#[derive(Debug, Clone)]
pub(crate) struct Slow {
    pub(crate) level_pa: f64,
    /// Density of the level, pascal; with few crossings its tails are longer than normal.
    pub(crate) density: Density,
    /// Number of crossings.
    pub(crate) count: usize,
    /// Scatter of one crossing as a standard deviation, pascal.
    pub(crate) scatter_pa: f64,
    pub(crate) rate_pa_per_s: f64,
}

impl Slow {
    /// The static level, independent of the delay.
    fn standing(rates: &AtRates, count: usize) -> Self {
        Self {
            level_pa: rates.free.mean_pa,
            density: rates.free.density.clone(),
            count,
            scatter_pa: rates.free.repeatability_pa * few(count),
            rate_pa_per_s: 0.0,
        }
    }

    /// From crossings placed at the edge itself, without subtracting a delay.
    pub(crate) fn of(channels: &Channels<'_>, found: &Crossings) -> Option<Self> {
        let first = found.intervals.first()?;
        let random = posterior(&found.intervals, promised_spread_pa(channels.task, first.low_pa))?;
        let rates: Vec<f64> = found.records.iter().map(|record| record.rate_pa_per_s).collect();
        Some(Self {
            level_pa: random.mean_pa,
            count: found.intervals.len(),
            density: random.density,
            scatter_pa: random.repeatability_pa * few(found.intervals.len()),
            rate_pa_per_s: mean(&rates)?,
        })
    }
}

/// Student's factor for this many crossings over the normal one, because few crossings say little about their scatter. 1 for fewer than
/// three, which use the promised scatter.
fn few(crossings: usize) -> f64 {
    if crossings < 3 {
        return 1.0;
    }
    #[expect(clippy::cast_precision_loss, reason = "counts are small")]
    let freedom = Some((crossings - 1) as f64);
    let part = Contribution { degrees_of_freedom: freedom, ..Contribution::normal("scatter", 1.0) };
    combine(0.0, 0.0, vec![part]).map_or(f64::INFINITY, |one| one.welch_satterthwaite)
        / tripbench_measure::normal_quantile(0.975)
}

/// Checks of each position, turning on and off.
pub(crate) fn response(
    channels: &Channels<'_>,
    marks: &[Mark],
    step: u16,
    task: &ResponseTask,
) -> Vec<Check> {
    let Some(zero) = zero_before(marks, step).and_then(|mark| channels.zero(mark)) else { return Vec::new() };
    let closed = channels.task.sheets.settings.as_ref().is_some_and(|s| s.logic == Logic::NormallyClosed);
    let mut checks = Vec::new();
    for plan in &channels.task.positions {
        let Some(position) = channels.task.sheets.rig.position(plan.number) else { continue };
        let at = At { channels, marks, step, task, zero, position };
        let both = [at.check(true, !closed), at.check(false, closed)];
        checks.extend(both.into_iter().map(|check| Check { position: Some(plan.number), ..check }));
    }
    checks
}

/// One position in one step.
struct At<'c> {
    channels: &'c Channels<'c>,
    marks: &'c [Mark],
    step: u16,
    task: &'c ResponseTask,
    zero: Zero,
    position: &'c Position,
}

impl At<'_> {
    /// The limit holds for every operation, so the longest one is judged by its upper bound.
    fn check(&self, rising: bool, to: bool) -> Check {
        let quantity = if rising { QuantityName::ResponseOn } else { QuantityName::ResponseOff };
        let limits = Limits { low: None, high: Some(self.task.limit.si()) };
        let mut check = blank(self.channels.task, self.step, quantity, Role::Required, "s");
        check.limits = Some(LimitsRecord { low: None, high: limits.high });
        let unknown = |check: Check, why: &str| Check { remark: Some(why.into()), ..check };
        let Some(slow) = self.slow(rising, to) else {
            return unknown(check, "the level at the other rate was not found in this run");
        };
        let marks = marks_of(self.marks, self.step, |segment| {
            let (rises, falls) = (
                matches!(segment, Segment::FastRising { .. }),
                matches!(segment, Segment::FastFalling { .. }),
            );
            if rising { rises } else { falls }
        });
        let (all, phases): (Vec<MeasurementResult>, Vec<f64>) =
            marks.iter().filter_map(|mark| self.operation(mark, to, &slow)).unzip();
        let bounded: Vec<MeasurementResult> = all.iter().map(bounded).collect();
        let Some(longest) = bounded.iter().max_by(|a, b| bound_s(a).total_cmp(&bound_s(b))) else {
            return unknown(check, "no single change of the output was seen in the fast crossings");
        };
        let latest = &scattered(longest, &slow, all.len());
        let earliest = bounded.iter().min_by(|a, b| bound_s(a).total_cmp(&bound_s(b)));
        let earliest = earliest.map(|earliest| scattered(earliest, &slow, all.len()));
        if let Some(check) = earliest.and_then(|earliest| before_the_level(&check, &earliest)) {
            return check;
        }
        let device = self.channels.task.sheets.device.as_ref();
        if device.is_some_and(|device| device.promise.response_for == ResponseFor::Mean) {
            return self.mean_check(check, (&all, &phases), &slow, limits);
        }
        if let Some(late) = self.late(&check, latest) {
            return late;
        }
        let shown = judged(check.clone(), latest, Some(limits), acceptance(self.channels.task));
        let mut check = judged(check, longest, Some(limits), acceptance(self.channels.task));
        // Exceeding the limit by less than the scatter of one crossing does not show a late output: the level itself may have been
        // crossed later.
        if check.verdict == CheckVerdict::Fail && shown.verdict != CheckVerdict::Fail {
            check = Check { verdict: CheckVerdict::Undecided, ..shown };
        }
        let operations = usize::from(self.task.operations);
        check.remark = Some(if all.len() < operations {
            if check.verdict == CheckVerdict::Pass {
                check.verdict = CheckVerdict::Undecided;
            }
            format!("only {} of {operations} crossings could be used", all.len())
        } else {
            // n operations within a bound support a share of 0.05^(1/n) with 95 % confidence: 59 support 95 %.
            #[expect(clippy::cast_precision_loss, reason = "counts are small")]
            let share = 0.05_f64.powf(1.0 / all.len() as f64);
            format!(
                "the longest of {operations}: at most {:.1} ms; with 95 % confidence this holds for {:.0} % of all operations",
                bound_s(longest) * 1e3,
                share * 100.0
            )
        });
        check
    }

    /// A fail if later than the sheets promise, even within the script's limit: the levels of this run assume the promised delay.
    fn late(&self, check: &Check, result: &MeasurementResult) -> Option<Check> {
        let promised = Limits { low: None, high: Some(longest_delay_s(self.channels.task)) };
        let remark = "the output is later than its sheets say, and the levels assume the promised delay";
        ruled_out(result, promised).then(|| {
            let late = judged(check.clone(), result, Some(promised), Acceptance::GuardBand);
            Check { verdict: CheckVerdict::Fail, remark: Some(remark.into()), ..late }
        })
    }

    /// Judges the mean of the operations, where the limit holds for it: the random contributions shrink with their number, those of lag
    /// and slow level do not.
    fn mean_check(
        &self,
        check: Check,
        (all, phases): (&[MeasurementResult], &[f64]),
        slow: &Slow,
        limits: Limits,
    ) -> Check {
        const RANDOM: [&str; 2] = [SCATTER, "scatter of the fit"];
        let operations = usize::from(self.task.operations);
        let values: Vec<f64> = all.iter().map(|one| one.value).collect();
        let (Some(value), Some(first)) = (mean(&values), all.first()) else { return check };
        if all.len() < operations {
            let remark = format!("only {} of {operations} crossings could be used", all.len());
            return Check { remark: Some(remark), ..check };
        }
        #[expect(clippy::cast_precision_loss, reason = "counts are small")]
        let share = 1.0 / (all.len() as f64).sqrt();
        let edges = edges_in_mean(phases);
        let shrunk = |part: &Contribution| {
            let factor = match part.name.as_str() {
                EDGE => edges,
                name if RANDOM.contains(&name) => share,
                _ => 1.0,
            };
            Contribution {
                standard_uncertainty: part.standard_uncertainty * factor,
                input: None,
                ..part.clone()
            }
        };
        let scattered = scattered(first, slow, 1);
        let parts = scattered.contributions.iter().map(shrunk).collect();
        let Ok(result) = combine_whole(value, parts) else { return check };
        if let Some(late) = self.late(&check, &result) {
            return late;
        }
        let mut check = judged(check, &result, Some(limits), acceptance(self.channels.task));
        check.remark = Some(format!("the mean of {operations} operations, as the type sheet states"));
        check
    }

    /// The level from the step that measured it: static where its ramps are at two rates, else as apparent at their rate.
    fn slow(&self, rising: bool, to: bool) -> Option<Slow> {
        let step = self.channels.task.steps.get(usize::from(self.task.levels_of))?;
        let StepTask::SwitchPoints(task) = &step.task else { return None };
        let ramps = Ramps {
            channels: self.channels,
            marks: self.marks,
            step: self.task.levels_of,
            task,
            zero: self.zero,
        };
        let found = ramps.find(Transition::of_switch(&self.position.switch, to, rising));
        let all = &found.crossings;
        let whole = all.placed() == u32::from(task.cycles) && all.extra == 0 && all.counted.agrees();
        if !whole || !found.settled || found.answered_before() {
            return None;
        }
        let count = all.intervals.len();
        found.rates.as_ref().map(|rates| Slow::standing(rates, count)).or_else(|| {
            let alone = ramps.crossings(Transition::of_switch(&self.position.switch, to, rising), 0.0);
            Slow::of(self.channels, &alone)
        })
    }

    /// The delay of one operation, and the phase of the reads in it.
    fn operation(&self, mark: &Mark, to: bool, slow: &Slow) -> Option<(MeasurementResult, f64)> {
        let edge = single_edge(self.channels, mark, &self.position.switch, to)?;
        let samples = self.channels.samples(mark, self.zero);
        Some((delay(self.channels, &samples, edge, slow)?, self.phase(mark, edge)?))
    }

    /// Phase of the reads around an edge relative to the command, as a share of the scan period.
    fn phase(&self, mark: &Mark, edge: Bracket) -> Option<f64> {
        let starts: Vec<f64> = self.channels.scans(mark).map(|scan| scan.start().seconds()).collect();
        let mut periods: Vec<f64> = starts.windows(2).map(|pair| pair[1] - pair[0]).collect();
        periods.sort_by(f64::total_cmp);
        let period_s = *periods.get(periods.len() / 2)?;
        let next_s = starts.iter().find(|start_s| **start_s >= edge.middle_s())?;
        Some(((next_s - mark.from.seconds()) / period_s).rem_euclid(1.0))
    }
}

/// The longest or shortest operation, with the scatter of single crossings added to its uncertainty. The time from the level of the run
/// to the output includes this scatter, and so does the user's experience, but it does not make the device late or early. The quantile
/// is that of the extreme of `count` operations (Bonferroni).
fn scattered(farthest: &MeasurementResult, slow: &Slow, count: usize) -> MeasurementResult {
    #[expect(clippy::cast_precision_loss, reason = "counts are small")]
    let factor = tripbench_measure::normal_quantile(1.0 - 0.025 / count.max(1) as f64)
        / tripbench_measure::normal_quantile(0.975);
    let level = farthest.contributions.iter().find(|part| part.name == LEVEL);
    let per_pa = level.and_then(|part| part.input.as_ref()).map_or(0.0, |input| input.sensitivity.abs());
    let part = Contribution::normal(SCATTER, factor * slow.scatter_pa * per_pa).of("this run");
    let parts = farthest.contributions.iter().cloned().chain([part.through("Pa", per_pa)]);
    combine_whole(farthest.value, parts.collect()).unwrap_or_else(|_| farthest.clone())
}

/// Standard uncertainty of the edges in the mean of operations, relative to that of one edge, from the phases of the reads after each
/// command. Edges in the same phase have the same error, so averaging them gains nothing. Over all delays of a device, edge errors
/// whose phases differ by a share δ have a correlation of 1 − 6 δ (1 − δ) (derived here). Never less than for random phases.
fn edges_in_mean(phases: &[f64]) -> f64 {
    let correlation = |(one, other): (&f64, &f64)| {
        let apart = (one - other).rem_euclid(1.0);
        1.0 - 6.0 * apart * (1.0 - apart)
    };
    let pairs = phases.iter().flat_map(|one| phases.iter().map(move |other| (one, other)));
    #[expect(clippy::cast_precision_loss, reason = "counts are small")]
    let count = phases.len() as f64;
    let variance = pairs.map(correlation).sum::<f64>() / (count * count);
    if variance.is_finite() { variance.max(1.0 / count).min(1.0).sqrt() } else { 1.0 }
}

/// One operation for a worst-case bound. Similar operations can meet the converter in the same phase as the reads, so both errors add
/// linearly.
fn bounded(one: &MeasurementResult) -> MeasurementResult {
    let of = |name: &str| one.contributions.iter().find(|part| part.name == name);
    let (Some(edge), Some(age)) = (of(EDGE), of(AGE)) else { return one.clone() };
    let standard_uncertainty = edge.standard_uncertainty + age.standard_uncertainty;
    let both =
        Contribution { name: format!("{EDGE} and {AGE}"), standard_uncertainty, input: None, ..edge.clone() };
    let rest = one.contributions.iter().filter(|part| part.name != EDGE && part.name != AGE).cloned();
    combine_whole(one.value, std::iter::once(both).chain(rest).collect()).unwrap_or_else(|_| one.clone())
}

const EDGE: &str = "edge";
const AGE: &str = "age of a conversion";
const LEVEL: &str = "level at the slow rate";
const SCATTER: &str = "scatter of one crossing";

/// Upper bound of a result, seconds.
fn bound_s(result: &MeasurementResult) -> f64 {
    result.value + result.expanded_uncertainty
}

/// An undecided check if the output surely answered before its level was crossed: then filter, lag, clock or wiring of the rig sheet is
/// wrong, and every level with it.
pub(crate) fn before_the_level(check: &Check, result: &MeasurementResult) -> Option<Check> {
    if !answered_before(result) {
        return None;
    }
    let remark = "the output answered before its level was crossed: input filter, lag, clock or wiring on the rig sheet is wrong";
    let measured = Some(Measured::from(result));
    Some(Check { measured, verdict: CheckVerdict::Undecided, remark: Some(remark.into()), ..check.clone() })
}

/// The edge of a signal that changed exactly once in a stretch, to the expected state; `None` otherwise.
pub(crate) fn single_edge(
    channels: &Channels<'_>,
    mark: &Mark,
    input: &DigitalInput,
    to: bool,
) -> Option<Bracket> {
    let all = changes(&channels.bits(mark, input));
    let &[change] = all.as_slice() else { return None };
    (change.on == to && between_reads(channels, mark, input, &all).agrees())
        .then(|| edge(channels, mark, input, &change))
        .flatten()
}

/// Time from the level to the edge of one fast crossing: the delay with which slow and fast crossing give the same level. With D the
/// delay relative to the reference, the slow one gives L = y − s D; the fast one gives L as read D before the edge.
pub(crate) fn delay(
    channels: &Channels<'_>,
    samples: &[Sample],
    edge: Bracket,
    slow: &Slow,
) -> Option<MeasurementResult> {
    const ROUNDS: u32 = 12;
    let rig = &channels.task.sheets.rig;
    let fit = |t_s: f64| -> Option<Curve> {
        fit_curve(&around(channels, samples, t_s, 0.0), t_s, channels.resolution_pa())
    };
    let mut net_s = 0.0;
    let mut last: Option<(Curve, f64)> = None;
    for _ in 0..ROUNDS {
        let t_s = edge.middle_s() - net_s;
        let curve = fit(t_s)?;
        let away = curve.slope_pa_per_s(t_s) - slow.rate_pa_per_s;
        let gap_pa = curve.level_pa(t_s) - slow.level_pa + slow.rate_pa_per_s * net_s;
        // Fast and slow rate must have the same sign and differ by a factor of 2. Judgement of this project.
        let fast = curve.slope_pa_per_s(t_s);
        if fast.abs() < 2.0 * slow.rate_pa_per_s.abs() || fast * slow.rate_pa_per_s < 0.0 {
            return None;
        }
        net_s += gap_pa / away;
        last = Some((curve, away));
        if (gap_pa / away).abs() < 1e-6 {
            break;
        }
    }
    let (curve, away) = last?;
    let t_s = edge.middle_s() - net_s;
    let lag = &rig.reference.lag;
    let leverage = curve.slope_pa_per_s(t_s) / away;
    let contributions = vec![
        Contribution::rectangular(EDGE, edge.width_s() / 2.0 * leverage.abs())
            .of("this run")
            .through("s", leverage),
        Contribution::rectangular("lag of the reference", lag.uncertainty.si()).of("rig sheet"),
        Contribution::rectangular(AGE, rig.module.converter.si() / 2.0).of("rig sheet"),
        Contribution::intervals(LEVEL, &slow.density.scaled(-1.0 / away), slow.count)
            .of("this run")
            .through("Pa", -1.0 / away),
        Contribution::normal("scatter of the fit", curve.level_uncertainty_pa(t_s) / away.abs())
            .of("this run")
            .through("Pa", 1.0 / away),
    ];
    let resolution_s = channels.resolution_pa() / away.abs();
    combine(net_s + lag.value.si(), resolution_s, contributions).ok()
}

#[cfg(test)]
mod tests;
