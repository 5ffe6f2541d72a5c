//! The checks of `rig check`: the rig as measured against what its sheet declares.

use crate::air_in::crossed;
use crate::channel::{Channels, changes, marks_of};
use crate::condition::{acceptance_of_rig, blank, judged};
use std::time::Duration;
use tripbench_measure::{
    Acceptance, Contribution, Limits, MeasurementResult, Sample, combine, distinct, fit_line, mean,
    standard_deviation,
};
use tripbench_record::{Check, CheckVerdict, LimitsRecord, Mark, Measured, QuantityName, Role, Segment};
use tripbench_rig::{LONGEST_GAP, Order, OutputName, Scan};

/// Resolution of the clock, seconds.
const CLOCK_S: f64 = 1e-6;
/// Source of a contribution: measured in this run, or declared.
const RUN: &str = "this run";
const SHEET: &str = "rig sheet";

/// A time read from a clock, whose uncertainty is only that of the clock, seconds.
fn plain(value: f64) -> Option<MeasurementResult> {
    combine(value, CLOCK_S, vec![Contribution::normal("clock", CLOCK_S).of(RUN)]).ok()
}

const fn at_most(high: f64) -> Limits {
    Limits { low: None, high: Some(high) }
}

/// Step `signals`: scan period and gaps, latency of a stop, and whether the reference is alive and as quiet as declared.
pub(crate) fn signals(channels: &Channels<'_>, marks: &[Mark], step: u16) -> Vec<Check> {
    let rest = marks_of(marks, step, |segment| segment == Segment::AtRest);
    let Some(mark) = rest.last() else { return Vec::new() };
    let scans: Vec<&Scan> = channels.scans(mark).collect();
    let ends: Vec<f64> = scans.iter().map(|scan| scan.end().seconds()).collect();
    let periods: Vec<f64> = ends.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let check = |quantity, role| blank(channels.task, step, quantity, role, "s");
    let rule = acceptance_of_rig(channels.task);
    let mut checks = Vec::new();
    if let (Some(period), Some(spread)) = (mean(&periods), standard_deviation(&periods)) {
        let spread = vec![Contribution::normal("spread from scan to scan", spread).of(RUN)];
        let result = combine(period, CLOCK_S, spread).ok();
        checks.extend(
            result.map(|result| {
                judged(check(QuantityName::ScanPeriod, Role::Informative), &result, None, rule)
            }),
        );
    }
    let gap = plain(periods.iter().copied().fold(0.0, f64::max)).filter(|_| !periods.is_empty());
    let gap_check = check(QuantityName::ScanGap, Role::Condition);
    checks.extend(
        gap.map(|gap| judged(gap_check, &gap, Some(at_most(LONGEST_GAP.as_secs_f64())), Acceptance::Simple)),
    );
    let stop = plain(stop_s(channels, &scans));
    checks.extend(
        stop.map(|stop| judged(check(QuantityName::StopLatency, Role::Informative), &stop, None, rule)),
    );
    checks.push(noise(channels, mark, step));
    checks.extend(clock_tick(channels, &scans, step));
    checks
}

/// Longest time from a stop to safe outputs, seconds: the transaction in progress, the writes, and the sleep of the loop.
fn stop_s(channels: &Channels<'_>, scans: &[&Scan]) -> f64 {
    /// Longest sleep of the live loop, seconds.
    const SLEEP_S: f64 = 0.005;
    let rig = &channels.task.sheets.rig;
    let mut longest_s = 0.0_f64;
    for scan in scans {
        for pair in scan.blocks.windows(2) {
            longest_s = longest_s.max(pair[1].span.before.since(pair[0].span.before).as_secs_f64());
        }
        longest_s =
            scan.blocks.iter().map(|block| block.span.length().as_secs_f64()).fold(longest_s, f64::max);
    }
    let writes = rig.writes(&rig.image_of(Order::Safe));
    let predicted_s = |query: &tripbench_rig::Query| rig.link.transaction(&query.request).as_secs_f64();
    let written_s: f64 = writes.iter().map(|query| longest_s.max(predicted_s(query))).sum();
    longest_s + written_s + SLEEP_S
}

/// Whether the module's clock, if it has one, ticks as declared.
fn clock_tick(channels: &Channels<'_>, scans: &[&Scan], step: u16) -> Option<Check> {
    /// Relative error of the tick beyond which stamped edges would be wrong within a ramp. Judgement of this project.
    const LARGEST: f64 = 1e-3;
    let clock = channels.task.sheets.rig.module.clock.as_ref()?;
    let check = blank(channels.task, step, QuantityName::ClockTick, Role::Condition, "s");
    let read: Vec<_> = scans.iter().filter_map(|scan| channels.count(scan, &clock.register)).collect();
    let gone: u64 =
        read.windows(2).map(|pair| pair[1].0.wrapping_sub(pair[0].0) % clock.register.modulus()).sum();
    let (first, last) = read.first().zip(read.last())?;
    if gone == 0 {
        let remark = String::from("the module's clock stands still");
        return Some(Check { remark: Some(remark), verdict: CheckVerdict::NotMet, ..check });
    }
    #[expect(clippy::cast_precision_loss, reason = "some seconds of ticks")]
    let ticks = gone as f64;
    let passed_s = last.1.middle_seconds() - first.1.middle_seconds();
    let open_s = (first.1.length() + last.1.length()).as_secs_f64() / 2.0 + clock.tick.si();
    let result = combine(
        passed_s / ticks,
        0.0,
        vec![Contribution::rectangular("two readings", open_s / ticks).of(RUN)],
    )
    .ok()?;
    let declared = clock.tick.si();
    let limits = Limits { low: Some(declared * (1.0 - LARGEST)), high: Some(declared * (1.0 + LARGEST)) };
    let mut check = told(judged(check, &result, Some(limits), Acceptance::Simple), "module.clock.tick");
    if check.verdict == CheckVerdict::Undecided {
        let wanted_s = passed_s * result.expanded_uncertainty / (declared * LARGEST);
        check.remark =
            Some(format!("the reads take too long to check it in {passed_s:.0} s; {wanted_s:.0} s would do"));
    }
    Some(check)
}

fn noise(channels: &Channels<'_>, mark: &Mark, step: u16) -> Check {
    /// Factor by which the spread of about a hundred readings may exceed the noise by chance. Judgement of this project.
    const BY_CHANCE: f64 = 1.25;
    let check = blank(channels.task, step, QuantityName::Noise, Role::Condition, "Pa");
    let levels: Vec<f64> =
        distinct(&channels.raw_samples(mark)).iter().map(|sample| sample.level_pa).collect();
    let (Some(spread), true) = (standard_deviation(&levels), levels.len() > 10) else {
        let remark = "the reference does not move by one count: is it alive?";
        return Check { remark: Some(remark.into()), verdict: CheckVerdict::NotMet, ..check };
    };
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    let by_number = spread / (2.0 * (levels.len() as f64 - 1.0)).sqrt();
    let Ok(result) = combine(
        spread,
        channels.resolution_pa(),
        vec![Contribution::normal("number of readings", by_number).of(RUN)],
    ) else {
        return check;
    };
    let declared = channels.task.sheets.rig.reference.noise.si() * BY_CHANCE;
    let limits = at_most(declared.hypot(channels.resolution_pa()));
    told(judged(check, &result, Some(limits), Acceptance::Simple), "reference.noise")
}

/// Names the key of the rig sheet that the measurement contradicts.
fn told(mut check: Check, key: &str) -> Check {
    if check.verdict == CheckVerdict::NotMet {
        check.remark = Some(format!("not as the rig sheet declares: correct `{key}`, or what causes it"));
    }
    check
}

/// Step `try`: the level responds to the output in the right direction, within the delay declared for valves, and through `bleed` more
/// slowly than through `vent`.
pub(crate) fn tried(channels: &Channels<'_>, marks: &[Mark], step: u16, output: OutputName) -> Vec<Check> {
    let deeper = match output {
        OutputName::Evacuate | OutputName::EvacuateFine | OutputName::Regulator => true,
        OutputName::Bleed | OutputName::Vent => false,
        OutputName::HandOver | OutputName::Loop | OutputName::DevicePower => return Vec::new(),
    };
    let rig = &channels.task.sheets.rig;
    let check = blank(channels.task, step, QuantityName::ValveDelay, Role::Condition, "s");
    let limits = at_most(rig.manifold.valve_delay.si());
    let check = Check { limits: Some(LimitsRecord { low: None, high: limits.high }), ..check };
    let mark = marks_of(marks, step, |segment| segment == Segment::Tried).last().copied();
    let Some(moved) = mark.and_then(|mark| moved(channels, &mark, deeper)) else {
        let how = match mark.and_then(|mark| moved(channels, &mark, !deeper)) {
            Some(_) => "moved the wrong way",
            None => "did not answer",
        };
        let remark = format!("the level {how}: check `at` of the output `{output}`, wire, valve, air, hose");
        return vec![Check { remark: Some(remark), verdict: CheckVerdict::NotMet, ..check }];
    };
    let order_s = rig.order_time().si();
    let written_s = moved.ordered + order_s / 2.0;
    let contributions = vec![
        Contribution::rectangular("between two reads", rig.scan_time().si() / 2.0).of(SHEET),
        Contribution::rectangular("moment of the write", order_s / 2.0).of(SHEET),
        Contribution::rectangular("lag of the reference", rig.reference.lag.value.si()).of(SHEET),
        Contribution::normal("noise over rate", moved.uncertainty).of(RUN),
    ];
    let middle_s = moved.began;
    let Ok(result) = combine(middle_s - written_s, CLOCK_S, contributions) else { return vec![check] };
    let check = told(judged(check, &result, Some(limits), Acceptance::GuardBand), "manifold.valve_delay");
    vec![match crossed(channels, marks, step, output) {
        Some(remark) => Check { remark: Some(remark), verdict: CheckVerdict::NotMet, ..check },
        None => check,
    }]
}

/// The moment at which a level began to move.
struct Moved {
    /// Start of the command, seconds.
    ordered: f64,
    /// Moment at which the level left its resting value, seconds.
    began: f64,
    /// Standard uncertainty of that moment, seconds.
    uncertainty: f64,
}

/// Intersection of the line through the first readings that moved and the line through those before; `None` if none moved in the
/// direction.
fn moved(channels: &Channels<'_>, mark: &Mark, deeper: bool) -> Option<Moved> {
    const BEFORE: Duration = Duration::from_millis(300);
    /// Multiples of the noise: moved, and moved too far for a straight line. Judgement of this project.
    const BEYOND: [f64; 2] = [6.0, 40.0];
    const FEWEST: usize = 6;
    /// Multiple of the noise below which a reading has surely not moved. Between this and `BEYOND` it may have. Judgement of this
    /// project.
    const STILL: f64 = 1.0;
    let wide = Mark { from: mark.from - BEFORE, ..*mark };
    let samples = channels.raw_samples(&wide);
    let ordered_s = mark.from.seconds();
    let before: Vec<Sample> = samples.iter().filter(|sample| sample.t_s < ordered_s).copied().collect();
    // A leak moves the level too, so only the departure from the earlier line counts.
    let still = fit_line(&before, ordered_s, channels.resolution_pa())?;
    let noise_pa = channels.task.sheets.rig.reference.noise.si().max(channels.resolution_pa());
    let sign = if deeper { 1.0 } else { -1.0 };
    let gone = |sample: &Sample| (sample.level_pa - still.level_pa(sample.t_s)) * sign / noise_pa;
    let first = samples
        .windows(2)
        .position(|two| two[0].t_s >= ordered_s && two.iter().all(|sample| gone(sample) > BEYOND[0]))?;
    let at_s = samples[first].t_s;
    let last_still = samples[..first].iter().rev().find(|sample| gone(sample) < STILL);
    let before_s = last_still.map_or(ordered_s, |last| last.t_s).max(ordered_s);
    let straight = samples[first..].iter().take_while(|sample| gone(sample) < BEYOND[1]).count();
    if straight < FEWEST {
        // The level moved too far for a line between two reads: it began anywhere between them.
        let [began, uncertainty] = [f64::midpoint(before_s, at_s), (at_s - before_s) / 12f64.sqrt()];
        return Some(Moved { ordered: ordered_s, began, uncertainty });
    }
    let moving = samples.get(first..first + straight)?;
    let line = fit_line(moving, at_s, channels.resolution_pa())?;
    let slope = line.slope_pa_per_s(at_s) - still.slope_pa_per_s(at_s);
    let began_s = at_s - (line.level_pa(at_s) - still.level_pa(at_s)) / slope;
    (slope * sign > 0.0).then(|| Moved {
        ordered: ordered_s,
        began: began_s.max(ordered_s),
        uncertainty: noise_pa / slope.abs(),
    })
}

/// Step `path-lag`: how long an input takes to show an output wired to it, against the declared filter and image age.
pub(crate) fn path_lag(channels: &Channels<'_>, marks: &[Mark], step: u16, times: u16) -> Vec<Check> {
    let module = &channels.task.sheets.rig.module;
    let (filter_s, age_s) = (module.input_filter.si(), module.image_age.si());
    let lag = blank(channels.task, step, QuantityName::PathLag, Role::Condition, "s");
    let age = blank(channels.task, step, QuantityName::ImageAge, Role::Condition, "s");
    let delays: Vec<[f64; 2]> =
        marks.iter().filter(|mark| mark.step == step).filter_map(|mark| looped(channels, mark)).collect();
    if delays.len() < usize::from(times) {
        let remark = format!("the input showed {} of {times} changes of the output", delays.len());
        let unseen =
            |check: Check| Check { remark: Some(remark.clone()), verdict: CheckVerdict::NotMet, ..check };
        return vec![unseen(lag), unseen(age)];
    }
    // Each switching gives only bounds of its delay: not before the first, not after the second.
    let later = |a: [f64; 2], b: [f64; 2]| if b[0] + b[1] > a[0] + a[1] { b } else { a };
    let longest = delays.iter().copied().fold([0.0_f64; 2], later);
    let at_least_s = delays.iter().map(|delay| delay[0]).fold(0.0, f64::max);
    let at_most_s = delays.iter().map(|delay| delay[1]).fold(0.0, f64::max);
    let shortest_s = delays.iter().map(|delay| delay[1]).fold(f64::INFINITY, f64::min);
    let varies_s = (at_least_s - shortest_s).max(0.0);
    let declared = format!(
        "once it was {:.0} ms or more, once {:.0} ms or less, never more than {:.0} ms: \
         write input_filter = \"0 ms\" and image_age = \"{:.0} ms\", or what the module's documents say",
        at_least_s * 1e3,
        shortest_s * 1e3,
        at_most_s * 1e3,
        (at_most_s * 1e3).ceil()
    );
    let verdict = |check: Check, result: Option<MeasurementResult>, limit: f64, good: bool| Check {
        measured: result.as_ref().map(Measured::from),
        limits: Some(LimitsRecord { low: None, high: Some(limit) }),
        verdict: if good { CheckVerdict::Met } else { CheckVerdict::NotMet },
        remark: Some(if good { "not shown to be more than declared".into() } else { declared.clone() }),
        ..check
    };
    let half_s = (longest[1] - longest[0]) / 2.0;
    let within = || vec![Contribution::rectangular("between two reads", half_s).of(RUN)];
    let middle = combine(f64::midpoint(longest[0], longest[1]), CLOCK_S, within()).ok();
    let good = at_least_s <= filter_s + age_s && shortest_s >= filter_s;
    vec![
        verdict(lag, middle, filter_s + age_s, good),
        verdict(age, combine(varies_s, CLOCK_S, within()).ok(), age_s, varies_s <= age_s),
    ]
}

/// Earliest and latest delay of one switching, seconds. The write lies within the mark.
fn looped(channels: &Channels<'_>, mark: &Mark) -> Option<[f64; 2]> {
    const AROUND: Duration = Duration::from_millis(100);
    let Segment::Looped { on } = mark.segment else { return None };
    let module = &channels.task.sheets.rig.module;
    let input = module.looped.as_ref()?;
    let reach = AROUND * 2 + (module.input_filter.duration() + module.image_age.duration()) * 2;
    let wide = Mark { from: mark.from - AROUND, to: mark.to + reach, ..*mark };
    let all = changes(&channels.bits(&wide, input));
    let change = all.iter().find(|change| change.on == on)?;
    let earliest_s = change.last_old.before.seconds() - mark.to.seconds();
    let latest_s = change.first_new.after.seconds() - mark.from.seconds();
    Some([earliest_s.max(0.0), latest_s])
}

/// Step `settling`: the time constant with which the gas warms after a fast pull.
pub(crate) fn settling(channels: &Channels<'_>, marks: &[Mark], step: u16) -> Vec<Check> {
    /// Factor by which a declared time constant may be too short. Judgement of this project.
    const SPARE: f64 = 1.3;
    let check = blank(channels.task, step, QuantityName::ThermalTime, Role::Condition, "s");
    let Some(mark) = marks_of(marks, step, |segment| segment == Segment::Settling).last().copied() else {
        return vec![check];
    };
    let samples = channels.raw_samples(&mark);
    let limits = at_most(channels.task.sheets.rig.manifold.thermal.si() * SPARE);
    let Some(result) = warming(&samples, channels.resolution_pa()) else {
        let remark = "nothing settles: the level did not fall back after the pull";
        return vec![Check { remark: Some(remark.into()), verdict: CheckVerdict::Met, ..check }];
    };
    vec![told(judged(check, &result, Some(limits), Acceptance::GuardBand), "manifold.thermal")]
}

/// Time constant of a level that falls back, seconds: that of the exponential that fits best, with a leak of any size.
fn warming(samples: &[Sample], resolution_pa: f64) -> Option<MeasurementResult> {
    /// Number of time constants tried, from a hundredth of the time watched to all of it.
    const TRIED: u32 = 120;
    let (first, last) = (samples.first()?, samples.last()?);
    let watched_s = last.t_s - first.t_s;
    let levels = without_trend(samples, |sample| sample.level_pa)?;
    let residual = |tau_s: f64| -> Option<(f64, f64)> {
        let bend = without_trend(samples, |sample| (-(sample.t_s - first.t_s) / tau_s).exp())?;
        let both: f64 = bend.iter().zip(&levels).map(|(x, y)| x * y).sum();
        let own: f64 = bend.iter().map(|x| x * x).sum();
        let height_pa = both / own.max(f64::MIN_POSITIVE);
        let squares: f64 = bend.iter().zip(&levels).map(|(x, y)| (y - height_pa * x).powi(2)).sum();
        #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
        let variance = squares / samples.len().saturating_sub(3).max(1) as f64;
        Some((variance.max(resolution_pa.powi(2) / 12.0), height_pa))
    };
    let tried = (0..=TRIED).map(|index| watched_s * 0.01_f64.powf(f64::from(index) / f64::from(TRIED)));
    let all: Vec<(f64, f64, f64)> =
        tried.filter_map(|tau_s| residual(tau_s).map(|(square, height)| (tau_s, square, height))).collect();
    let best = all.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1))?;
    if best.2 < 5.0 * best.1.sqrt() {
        return None;
    }
    // Time constants that fit nearly as well: squares within 4 divided by the number of readings, about 95 %.
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    let allowed = best.1 * (1.0 + 4.0 / samples.len() as f64);
    let near = || all.iter().filter(|one| one.1 <= allowed).map(|one| one.0);
    let (low, high) = (near().fold(f64::INFINITY, f64::min), near().fold(0.0, f64::max));
    combine(
        best.0,
        best.0 * 0.02,
        vec![Contribution::rectangular("fits as well", (high - low) / 2.0).of(RUN)],
    )
    .ok()
}

/// The values minus the straight line through them over time.
fn without_trend(samples: &[Sample], value: impl Fn(&Sample) -> f64) -> Option<Vec<f64>> {
    let first_s = samples.first()?.t_s;
    let points: Vec<Sample> =
        samples.iter().map(|sample| Sample { t_s: sample.t_s, level_pa: value(sample) }).collect();
    let line = fit_line(&points, first_s, 0.0)?;
    Some(points.iter().map(|point| point.level_pa - line.level_pa(point.t_s)).collect())
}

#[cfg(test)]
mod tests;
