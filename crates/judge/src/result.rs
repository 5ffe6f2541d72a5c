//! Levels, hysteresis and delays, each with its budget, from observed or predicted crossings. All uncertainties are combined here; the
//! plan calls the same functions.

use crate::channel::Zero;
use crate::level::Crossings;
use crate::promised::{delay_prior, promised_spread_pa, response_s};
use tripbench_measure::{
    AtRates, Contribution, LevelPosterior, MeasurementResult, combine, mean, posterior, posterior_at_rates,
};
use tripbench_quantity::VacuumLevel;
use tripbench_record::Task;

/// What every result of a run depends on besides its crossings.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Basis<'t> {
    pub(crate) task: &'t Task,
    pub(crate) zero: Zero,
    /// One count of the reference, pascal.
    pub(crate) resolution_pa: f64,
}

/// The delay assumed when a level is computed from its crossings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Delay {
    /// The delay that the sheets promise.
    AsPromised {
        /// Largest distance from the selected delay to another selectable one that the run does not exclude, seconds; 0 where the run
        /// shows which one is selected.
        other_s: f64,
    },
    /// The delay that the crossings show, whatever the sheets say.
    AsFound,
}

/// A level with its budget, and the posterior from the crossings alone.
#[derive(Debug, Clone)]
pub(crate) struct Level {
    pub(crate) result: MeasurementResult,
    pub(crate) random: LevelPosterior,
    /// Change of the level with the assumed delay, pascal per second; with crossings at one rate, minus that rate.
    pub(crate) per_delay_pa_per_s: f64,
    /// Whether the crossings are at two rates, so that they constrain the delay themselves.
    pub(crate) at_rates: bool,
    /// Whether they have to: the delay is not the promised one, or the selected one is unknown.
    pub(crate) delay_open: bool,
    pub(crate) count: usize,
    /// Mean time of the crossings, seconds.
    at_s: f64,
    /// Shift of the level if another selectable delay were set, pascal.
    other_delay_pa: f64,
    /// Shift that a leak behind the hose can cause, root mean square, pascal.
    hose_pa: f64,
}

/// Level and delay from crossings at different rates; `None` where all rates are about the same.
pub(crate) fn at_rates(task: &Task, found: &Crossings, other_s: f64) -> Option<AtRates> {
    let promised = promised_spread_pa(task, found.intervals.first()?.low_pa);
    posterior_at_rates(&found.groups(), promised, delay_prior(task, found.taken_off_s, other_s))
}

/// The random part of a level, and how the level depends on the delay.
struct Random {
    posterior: LevelPosterior,
    per_delay_pa_per_s: f64,
    at_rates: bool,
    other_delay_pa: f64,
    contributions: Vec<Contribution>,
}

impl Random {
    /// From crossings at two rates, which constrain the delay themselves.
    fn at_rates(rates: AtRates, delay: Delay, count: usize) -> Self {
        let name = "crossings at two rates: edge interval, repeatability, scatter of the fit, delay, lag";
        let (posterior, per_delay_pa_per_s) = match delay {
            Delay::AsPromised { .. } => (rates.level, rates.level_per_delay),
            Delay::AsFound => (rates.free, 0.0),
        };
        let contributions = vec![Contribution::intervals(name, &posterior.density, count).of(RUN)];
        Self { posterior, per_delay_pa_per_s, at_rates: true, other_delay_pa: 0.0, contributions }
    }

    /// From crossings at one rate, which cannot separate level from delay: prior knowledge of the delay is a contribution. `None` if
    /// the delay was shown not to be the promised one.
    fn at_one_rate(task: &Task, found: &Crossings, delay: Delay) -> Option<Self> {
        let Delay::AsPromised { other_s } = delay else { return None };
        let promised = promised_spread_pa(task, found.intervals.first()?.low_pa);
        let posterior = posterior(&found.intervals, promised)?;
        let slope = mean(&found.records.iter().map(|record| record.rate_pa_per_s).collect::<Vec<_>>())?;
        let lag_s = task.sheets.rig.reference.lag.uncertainty.si();
        let name = "crossings: edge interval, repeatability, scatter of the fit";
        let mut contributions = vec![
            Contribution::intervals(name, &posterior.density, found.intervals.len()).of(RUN),
            Contribution::rectangular(DELAY, slope * response_s(task) / 2.0)
                .of("type and settings sheet")
                .through("s", slope),
            Contribution::rectangular(LAG, slope * lag_s).of("rig sheet").through("s", slope),
        ];
        let other_delay_pa = slope.abs() * other_s;
        if other_delay_pa > 0.0 {
            let other = Contribution::rectangular(OTHER_DELAY, other_delay_pa);
            contributions.push(other.of("type sheet").through("s", slope));
        }
        Some(Self { posterior, per_delay_pa_per_s: -slope, at_rates: false, other_delay_pa, contributions })
    }
}

/// Combines crossings into a level. `rates` is the result of [`at_rates`] for the same delay.
pub(crate) fn level(
    basis: Basis<'_>,
    found: &Crossings,
    rates: Option<AtRates>,
    delay: Delay,
) -> Option<Level> {
    let task = basis.task;
    let reference = &task.sheets.rig.reference;
    let count = found.intervals.len();
    let dropped = rates.as_ref().is_some_and(|rates| rates.prior_dropped);
    let delay_open = dropped || delay != Delay::AsPromised { other_s: 0.0 };
    let random = match rates {
        Some(rates) => Random::at_rates(rates, delay, count),
        None => Random::at_one_rate(task, found, delay)?,
    };
    let level = VacuumLevel::new(random.posterior.mean_pa);
    let mut contributions = random.contributions;
    contributions.extend([
        Contribution::normal(
            "calibration of the reference",
            reference.calibration.standard_uncertainty_pa(level),
        )
        .of(&certificate(task)),
        Contribution::rectangular("zero drift of the reference", reference.drift.si()).of("rig sheet"),
        Contribution::rectangular("hysteresis of the reference", reference.hysteresis.si()).of("rig sheet"),
        Contribution::normal("zero reading", basis.zero.uncertainty_pa).of(RUN),
        Contribution::normal("leak behind the hose", found.hose.root_mean_square_pa).of(RIG),
    ]);
    let result = combine(random.posterior.mean_pa, basis.resolution_pa, contributions).ok()?;
    Some(Level {
        result,
        random: random.posterior,
        per_delay_pa_per_s: random.per_delay_pa_per_s,
        at_rates: random.at_rates,
        delay_open,
        count,
        at_s: found.mean_time_s()?,
        other_delay_pa: random.other_delay_pa,
        hose_pa: found.hose.root_mean_square_pa,
    })
}

/// Share of the pressure drop along a hose by which it differs between the two levels of a device. Judgement of this project, for
/// levels a quarter of the absolute pressure apart.
const HOSE_LEFT: f64 = 0.3;
const RIG: &str = "this run and rig sheet";

const OTHER_DELAY: &str = "a delay other than the selected one, which one rate does not exclude";
const DELAY: &str = "delay of the device";
const LAG: &str = "lag of the reference";

/// Source of contributions that come from the scatter of this run.
const RUN: &str = "this run";

pub(crate) fn certificate(task: &Task) -> String {
    format!("certificate {}", task.sheets.rig.reference.calibration.certificate.value)
}

/// Switch point minus reset point. Errors common to both levels cancel; the lag adds, because it pulls the levels apart.
pub(crate) fn hysteresis(basis: Basis<'_>, on: &Level, off: &Level) -> Option<MeasurementResult> {
    let task = basis.task;
    let reference = &task.sheets.rig.reference;
    let value = on.result.value - off.result.value;
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
            drift_pa(task, basis.zero, [on.at_s, off.at_s]),
        )
        .of("rig sheet"),
    ];
    for (level, name) in [(on, "delay of the device, rising"), (off, "delay of the device, falling")] {
        if !level.at_rates {
            contributions.push(
                Contribution::rectangular(name, level.per_delay_pa_per_s * response_s(task) / 2.0)
                    .of("type and settings sheet")
                    .through("s", level.per_delay_pa_per_s),
            );
        }
    }
    // The leak grows with the level, and the hose's conductance with the pressure: part of the drop does not cancel between the levels.
    let hose_pa = HOSE_LEFT * on.hose_pa.max(off.hose_pa);
    contributions
        .push(Contribution::normal("leak behind the hose, differing between the levels", hose_pa).of(RIG));
    // One delay both ways pulls the levels apart by the sum.
    let other_delay_pa = on.other_delay_pa + off.other_delay_pa;
    if other_delay_pa > 0.0 {
        contributions.push(Contribution::rectangular(OTHER_DELAY, other_delay_pa).of("type sheet"));
    }
    // Both levels share one lag, and levels at two rates already contain their part of it.
    let whole = (on.per_delay_pa_per_s - off.per_delay_pa_per_s).powi(2);
    let held = [on, off].map(|level| if level.at_rates { level.per_delay_pa_per_s.powi(2) } else { 0.0 });
    let left = (whole - held[0] - held[1]).max(0.0).sqrt();
    let lag = Contribution::rectangular(LAG, left * reference.lag.uncertainty.si());
    contributions.push(lag.of("rig sheet").through("s", left));
    combine(value, basis.resolution_pa, contributions).ok()
}

/// Drift of the reference between two mean times, pascal. The declared drift is the largest since the zero reading; a share of it
/// applies here.
fn drift_pa(task: &Task, zero: Zero, [first_s, second_s]: [f64; 2]) -> f64 {
    let since_s = f64::midpoint(first_s, second_s) - zero.at_s;
    let share = if since_s > 0.0 { ((second_s - first_s) / since_s).abs().min(1.0) } else { 1.0 };
    task.sheets.rig.reference.drift.si() * share
}

/// By how much an output can seem late because of comparator noise, seconds: a slow ramp gives the noise more time to reach the level,
/// so the output switches earlier than in a fast ramp. The multiple of the spread that the crossings show was found by simulation, with
/// noise that is new every millisecond.
pub(crate) fn seems_later_s(found: &Crossings, rates: &AtRates) -> f64 {
    const IN_NOISE: f64 = 3.0;
    IN_NOISE * rates.free.repeatability_pa / rates_apart(found)
}

/// Difference between the largest and the smallest rate of the groups of crossings, pascal per second.
fn rates_apart(found: &Crossings) -> f64 {
    let slopes: Vec<f64> = found.groups().iter().map(|group| group.slope_pa_per_s.abs()).collect();
    let least = slopes.iter().copied().fold(f64::INFINITY, f64::min);
    (slopes.iter().copied().fold(0.0, f64::max) - least).max(1e-3)
}

/// Delay of an output: the one with which its crossings at two rates give the same level. All crossings share one spread.
pub(crate) fn delay(
    basis: Basis<'_>,
    (found, left_s): (&Crossings, f64),
    rates: &AtRates,
) -> Option<MeasurementResult> {
    /// Share by which the rate at the edges may differ from the mean rate over the delay that was not followed. Judgement of this
    /// project.
    const OTHER_RATE: f64 = 0.25;
    let task = basis.task;
    let away = rates_apart(found);
    let lag = &task.sheets.rig.reference.lag;
    // The lag in the edges belongs to the reference, not to the device.
    let value = found.taken_off_s + rates.delay.mean() + lag.value.si();
    let mut contributions = vec![
        Contribution::intervals("crossings at two rates", &rates.delay, found.intervals.len())
            .of(RUN)
            .through("Pa", 1.0 / away),
        Contribution::rectangular("lag of the reference", lag.uncertainty.si()).of("rig sheet"),
        Contribution::rectangular(
            "zero drift of the reference",
            drift_pa(task, basis.zero, found.mean_times_s()?) / away,
        )
        .of("rig sheet")
        .through("Pa", 1.0 / away),
    ];
    if left_s > 0.0 {
        let name = "edges that could not be followed back";
        contributions.push(Contribution::rectangular(name, OTHER_RATE * left_s).of(RUN));
    }
    combine(value, basis.resolution_pa / away, contributions).ok()
}

#[cfg(test)]
mod tests;
