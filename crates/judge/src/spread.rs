//! The spread of single crossings: a spread larger than promised counts against a device, and a second check says whether one would
//! have shown.

use crate::condition::judged;
use crate::coverage::role;
use crate::level::Crossings;
use crate::promise::spread_judged;
use crate::promised::{delay_prior, promised_spread_pa};
use crate::result::{Level, at_rates};
use tripbench_measure::{
    Acceptance, Contribution, CrossingInterval, LevelPosterior, Limits, combine, normal_quantile, posterior,
};
use tripbench_record::{Check, CheckVerdict, CrossingRecord, Role, Task};

/// A spread fails if the probability that it is as promised is below this: one in a thousand good devices with four levels.
const WRONG_FAIL: f64 = 2.5e-4;
/// It is in doubt below this: one in a hundred good devices with four levels. Both are judgements of this project.
const DOUBT: f64 = 2.5e-3;
/// A spread this many times as large as promised should show in typical ramps; three exact crossings are just enough. Judgement of this
/// project.
const SHOULD_SHOW: f64 = 3.0;

/// Checks of the spread of a level, as a standard deviation, against half of the promised half width. Surely larger is a fail, probably
/// larger is undecided; otherwise nothing is against it. Fewer than three ramps do not show a spread. The second check says whether the
/// crossings were located closely enough to show a larger spread.
pub(crate) fn spread(
    task: &Task,
    check: Check,
    cycles: u16,
    (level, crossings): (Option<&Level>, &Crossings),
) -> Vec<Check> {
    let judges = spread_judged(task, cycles);
    let check = Check { role: if judges { Role::Screening } else { role(task) }, ..check };
    let Some(level) = level.filter(|level| level.count > 1) else { return vec![check] };
    let (spread, promised) = (level.random.repeatability_pa, promised_spread_pa(task, level.result.value));
    let Some(most) = level.random.spread_quantile(0.975) else { return vec![check] };
    // The longer side of the 95 % interval, expressed as a normal standard deviation, so that U equals that side.
    let side = (most - spread).max(0.0) / normal_quantile(0.975);
    let part = Contribution::scatter("interval of a spread, its longer side", level.count, side);
    let Ok(result) = combine(spread, 0.0, vec![part.of("this run")]) else { return vec![check] };
    let limits = judges.then_some(Limits { low: None, high: Some(promised) });
    let check = judged(check, &result, limits, Acceptance::GuardBand);
    let (within, ramps) = (level.random.spread_within(promised), level.count);
    let few = task.sheets.settings.is_some() && task.sheets.device.is_some();
    let (verdict, remark) = if !judges && few {
        (CheckVerdict::Undecided, Some(String::from("fewer than three ramps do not show a spread")))
    } else if !judges {
        (CheckVerdict::Measured, None)
    } else if within < WRONG_FAIL {
        (CheckVerdict::Fail, None)
    } else if within < DOUBT {
        let remark = format!("more than promised, but {ramps} ramps do not prove it");
        (CheckVerdict::Undecided, Some(remark))
    } else {
        (CheckVerdict::Measured, Some(format!("nothing against it in {ramps} ramps")))
    };
    let share = judges.then_some(within);
    let check = Check { verdict, remark, conformance_probability: share, to_decide: None, ..check };
    // A spread found to be too large has shown.
    let shows = within < DOUBT || !hides_spread(task, level, crossings);
    let covering = judges.then(|| shown(task, &check, shows));
    std::iter::once(check).chain(covering).collect()
}

/// Whether a larger spread would have shown.
fn shown(task: &Task, found: &Check, shows: bool) -> Check {
    let (verdict, remark) = if shows {
        (CheckVerdict::Pass, "a spread three times as large as promised would show in about half of all runs")
    } else {
        let remark = "the crossings are too few, or the level moves too far between two reads, for a spread three times as large as promised to show";
        (CheckVerdict::Undecided, remark)
    };
    Check {
        role: role(task),
        verdict,
        remark: Some(remark.into()),
        measured: None,
        limits: None,
        conformance_probability: None,
        ..found.clone()
    }
}

/// Whether crossings located this closely hide a spread [`SHOULD_SHOW`] times as large as promised: with such a typical scatter they
/// would not be in doubt. Where the crossings also determine the delay, one of them is used up for it.
pub(crate) fn hides_spread(task: &Task, level: &Level, crossings: &Crossings) -> bool {
    let promised_pa = promised_spread_pa(task, level.result.value);
    let typical = typical(task, (level.result.value, crossings), promised_pa);
    let hidden =
        |found: Option<LevelPosterior>| found.is_none_or(|found| found.spread_within(promised_pa) >= DOUBT);
    let all = &typical.intervals;
    // A spread that shows with one crossing fewer shows whatever the delay is.
    if level.at_rates && all.split_last().is_some_and(|(_, fewer)| !hidden(posterior(fewer, promised_pa))) {
        return false;
    }
    // A spread hidden by all crossings at one rate is hidden; only between these cases does the delay matter.
    let hidden_at_one_rate = hidden(posterior(all, promised_pa));
    if !level.at_rates || hidden_at_one_rate {
        return hidden_at_one_rate;
    }
    let rates = at_rates(task, &typical, 0.0);
    hidden(rates.map(|rates| if level.delay_open { rates.free } else { rates.level }))
}

/// The same crossings of a device that scatters [`SHOULD_SHOW`] times as much as promised, at its level and with the mean promised
/// delay.
fn typical(task: &Task, (level_pa, crossings): (f64, &Crossings), promised_pa: f64) -> Crossings {
    let delay_s = delay_prior(task, crossings.taken_off_s, 0.0).centre_s;
    let away = scatter(crossings.intervals.len(), SHOULD_SHOW * promised_pa);
    let placed = |(away_pa, (interval, record)): (f64, (&CrossingInterval, &CrossingRecord))| {
        let middle_pa = level_pa + away_pa + record.rate_pa_per_s * delay_s;
        let half_pa = (interval.high_pa - interval.low_pa) / 2.0;
        CrossingInterval { low_pa: middle_pa - half_pa, high_pa: middle_pa + half_pa, ..*interval }
    };
    let intervals =
        away.into_iter().zip(crossings.intervals.iter().zip(&crossings.records)).map(placed).collect();
    Crossings { intervals, ..crossings.clone() }
}

/// Deviations of `count` crossings, pascal. Their standard deviation is the mean of what a scatter of `spread_pa` shows, which is
/// smaller for few crossings (ISO 7870-2, factor c4, by its usual approximation). They descend, starting a third of their number later,
/// so that crossings at one rate, which are adjacent or alternate, have no trend.
pub(crate) fn scatter(count: usize, spread_pa: f64) -> Vec<f64> {
    if count < 2 {
        return vec![0.0; count];
    }
    #[expect(clippy::cast_precision_loss, reason = "counts are small")]
    let quantile = |index: usize| normal_quantile((index as f64 + 0.5) / count as f64);
    let squares: f64 = (0..count).map(|index| quantile(index).powi(2)).sum();
    #[expect(clippy::cast_precision_loss, reason = "counts are small")]
    let [shown, root] =
        [4.0 * (count - 1) as f64 / (4.0 * count as f64 - 3.0), (squares / (count - 1) as f64).sqrt()];
    let scale = spread_pa * shown / root;
    (0..count).map(|index| scale * quantile((count + count / 3 - index) % count)).collect()
}

#[cfg(test)]
mod tests;
