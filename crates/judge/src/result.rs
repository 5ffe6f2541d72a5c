//! Levels, hysteresis and delays from crossings, each with its budget.

use crate::channel::{Channels, Zero};
use crate::level::{Crossings, promised_spread_pa, response_s, selected_delay_s};
use tripbench_measure::{
    Contribution, DelayPrior, LevelPosterior, MeasurementResult, combine, mean, posterior, posterior_at_rates,
};
use tripbench_quantity::VacuumLevel;
use tripbench_record::Task;

/// A level with its budget, and what the crossings alone said.
#[derive(Debug, Clone)]
pub(crate) struct Level {
    pub(crate) result: MeasurementResult,
    pub(crate) random: LevelPosterior,
    /// Change of the level with the delay that it was found with, pascal per second: at one rate the rate itself.
    pub(crate) per_delay_pa_per_s: f64,
    /// Whether the crossings themselves, at two rates, said what they can of the delay.
    pub(crate) at_rates: bool,
    pub(crate) count: usize,
    /// Mean time of the crossings, seconds.
    at_s: f64,
    /// What a selected delay that is not there would make of it, pascal.
    unshown_pa: f64,
    /// What a leak behind the hose can make of it, pascal, root mean square.
    hose_pa: f64,
}

/// What is known beforehand of the net delay around its mean: the device's, and the reference's lag.
pub(crate) fn delay_prior(task: &Task) -> DelayPrior {
    let rig = &task.sheets.rig;
    let half_s = response_s(task) / 2.0;
    DelayPrior {
        half_widths_s: [half_s, rig.reference.lag.uncertainty.si() + rig.module.converter.si() / 4.0],
    }
}

/// Combines crossings into a level.
pub(crate) fn level(channels: &Channels<'_>, zero: Zero, found: &Crossings) -> Option<Level> {
    let task = channels.task;
    let reference = &task.sheets.rig.reference;
    let groups = found.groups();
    let promised = promised_spread_pa(task, found.intervals.first()?.low_pa);
    let prior = delay_prior(task);
    let count = found.intervals.len();
    let (random, per_delay_pa_per_s, mut contributions) =
        if let Some(at_rates) = posterior_at_rates(&groups, promised, prior) {
            let name = "crossings at two rates: edge interval, repeatability, scatter of the fit, delay, lag";
            let crossings = Contribution::intervals(name, &at_rates.level.density, count).of(RUN);
            (at_rates.level, at_rates.level_per_delay, vec![crossings])
        } else {
            let random = posterior(&found.intervals, promised)?;
            let slopes: Vec<f64> = found.records.iter().map(|record| record.rate_pa_per_s).collect();
            let slope = mean(&slopes)?;
            let mut contributions = vec![
                Contribution::intervals(
                    "crossings: edge interval, repeatability, scatter of the fit",
                    &random.density,
                    count,
                )
                .of(RUN),
                Contribution::rectangular(DELAY, slope * prior.half_widths_s[0])
                    .of("type and settings sheet")
                    .through("s", slope),
                Contribution::rectangular(LAG, slope * prior.half_widths_s[1])
                    .of("rig sheet")
                    .through("s", slope),
            ];
            if found.unshown_s > 0.0 {
                let unshown = Contribution::rectangular(UNSHOWN, slope * found.unshown_s);
                contributions.push(unshown.of("settings sheet").through("s", slope));
            }
            (random, -slope, contributions)
        };
    let level = VacuumLevel::new(random.mean_pa);
    contributions.extend([
        Contribution::normal(
            "calibration of the reference",
            reference.calibration.standard_uncertainty_pa(level),
        )
        .of(&certificate(task)),
        Contribution::rectangular("zero drift of the reference", reference.drift.si()).of("rig sheet"),
        Contribution::rectangular("hysteresis of the reference", reference.hysteresis.si()).of("rig sheet"),
        Contribution::normal("zero reading", zero.uncertainty_pa).of(RUN),
        Contribution::normal("leak behind the hose", found.hose.root_mean_square_pa).of(RIG),
    ]);
    let result = combine(random.mean_pa, channels.resolution_pa(), contributions).ok()?;
    let at_s = found.mean_time_s(None)?;
    let at_rates = groups.len() > 1;
    let unshown_pa = if at_rates { 0.0 } else { per_delay_pa_per_s.abs() * found.unshown_s };
    let hose_pa = found.hose.root_mean_square_pa;
    Some(Level { result, random, per_delay_pa_per_s, at_rates, count, at_s, unshown_pa, hose_pa })
}

/// Share of the drop along a hose by which it differs between the two levels of a device; judgement of this project, for levels
/// that are a quarter of the pressure apart.
const HOSE_LEFT: f64 = 0.3;
const RIG: &str = "this run and rig sheet";

const UNSHOWN: &str = "selected delay, which one rate does not show";
const DELAY: &str = "delay of the device";
const LAG: &str = "lag of the reference, and age of a conversion";

/// What scatter of this run is from.
const RUN: &str = "this run";

fn certificate(task: &Task) -> String {
    format!("certificate {}", task.sheets.rig.reference.calibration.certificate.value)
}

/// Switch point minus reset point. What both levels share cancels; lag adds, for it pulls them apart.
pub(crate) fn hysteresis(
    channels: &Channels<'_>,
    zero: Zero,
    on: &Level,
    off: &Level,
) -> Option<MeasurementResult> {
    let task = channels.task;
    let reference = &task.sheets.rig.reference;
    let value = on.result.value - off.result.value;
    let prior = delay_prior(task);
    let [first, second] = [on, off].map(|level| VacuumLevel::new(level.result.value));
    let mut contributions = vec![
        Contribution::intervals("crossings of the switch point", &on.random.density, on.count).of(RUN),
        Contribution::intervals("crossings of the reset point", &off.random.density.mirrored(), off.count)
            .of(RUN),
        Contribution::normal(
            "gain of the reference",
            reference.calibration.difference_uncertainty_pa(first, second),
        )
        .of(&certificate(task)),
        Contribution::rectangular("hysteresis of the reference, rising", reference.hysteresis.si())
            .of("rig sheet"),
        Contribution::rectangular("hysteresis of the reference, falling", reference.hysteresis.si())
            .of("rig sheet"),
        Contribution::rectangular(
            "zero drift of the reference between the levels",
            drift_pa(task, zero, [on.at_s, off.at_s]),
        )
        .of("rig sheet"),
    ];
    for (level, name) in [(on, "delay of the device, rising"), (off, "delay of the device, falling")] {
        if !level.at_rates {
            contributions.push(
                Contribution::rectangular(name, level.per_delay_pa_per_s * prior.half_widths_s[0])
                    .of("type and settings sheet")
                    .through("s", level.per_delay_pa_per_s),
            );
        }
    }
    // The leak goes with the level and the hose's conductance with the pressure: between the levels of a device a part is left.
    let hose_pa = HOSE_LEFT * on.hose_pa.max(off.hose_pa);
    contributions.push(Contribution::normal("leak behind the hose, the levels apart", hose_pa).of(RIG));
    // The same delay both ways pulls the levels apart by the sum.
    let unshown_pa = on.unshown_pa + off.unshown_pa;
    if unshown_pa > 0.0 {
        contributions.push(Contribution::rectangular(UNSHOWN, unshown_pa).of("settings sheet"));
    }
    // The lag is one and the same: levels at two rates hold their own share of it already.
    let whole = (on.per_delay_pa_per_s - off.per_delay_pa_per_s).powi(2);
    let held = [on, off].map(|level| if level.at_rates { level.per_delay_pa_per_s.powi(2) } else { 0.0 });
    let left = (whole - held[0] - held[1]).max(0.0).sqrt();
    let lag = Contribution::rectangular(LAG, left * prior.half_widths_s[1]);
    contributions.push(lag.of("rig sheet").through("s", left));
    combine(value, channels.resolution_pa(), contributions).ok()
}

/// How far the reference can drift from one mean time to another, pascal: what is declared is how far it can since the zero.
fn drift_pa(task: &Task, zero: Zero, [first_s, second_s]: [f64; 2]) -> f64 {
    let since_s = f64::midpoint(first_s, second_s) - zero.at_s;
    let share = if since_s > 0.0 { ((second_s - first_s) / since_s).abs().min(1.0) } else { 1.0 };
    task.sheets.rig.reference.drift.si() * share
}

/// Delay of an output from its crossings at two rates: what it takes for both to mean the same level.
pub(crate) fn delay_at_rates(
    channels: &Channels<'_>,
    zero: Zero,
    found: &Crossings,
) -> Option<MeasurementResult> {
    let task = channels.task;
    let groups = found.groups();
    let [slow, fast] = groups.as_slice() else { return None };
    let promised = promised_spread_pa(task, found.intervals.first()?.low_pa);
    let at_rates = posterior_at_rates(&groups, promised, delay_prior(task))?;
    let [slow_level, fast_level] = at_rates.apparent.as_slice() else { return None };
    let away = fast.slope_pa_per_s - slow.slope_pa_per_s;
    let (slow_s, fast_s) = (slow_level.scaled(-1.0 / away), fast_level.scaled(1.0 / away));
    // The edges were placed with the mean net delay taken off; the lag in it is none of the device's.
    let value = slow_s.mean() + fast_s.mean() + selected_delay_s(task) + response_s(task) / 2.0;
    let lag = &task.sheets.rig.reference.lag;
    let times = [found.mean_time_s(Some(true))?, found.mean_time_s(Some(false))?];
    let contributions = vec![
        Contribution::intervals("crossings at the slow rate", &slow_s, slow.crossings.len())
            .of(RUN)
            .through("Pa", 1.0 / away),
        Contribution::intervals("crossings at the fast rate", &fast_s, fast.crossings.len())
            .of(RUN)
            .through("Pa", 1.0 / away),
        Contribution::rectangular("lag of the reference", lag.uncertainty.si()).of("rig sheet"),
        Contribution::rectangular("age of a conversion", task.sheets.rig.module.converter.si() / 2.0)
            .of("rig sheet"),
        Contribution::rectangular("zero drift of the reference", drift_pa(task, zero, times) / away)
            .of("rig sheet")
            .through("Pa", 1.0 / away),
    ];
    combine(value, channels.resolution_pa() / away.abs(), contributions).ok()
}
