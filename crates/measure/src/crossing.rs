//! Several crossings of one level, each known only as an interval: what they say together.
//!
//! The likelihood of intervals with a repeatability of its own part, `measuring.md` of this project: crossings locked to
//! the scan are then worth one, spread ones are worth more, and the edge is never counted twice.

use crate::density::Density;
use crate::likelihood::{Spread, Table, mean_spread, spread_grid};

/// One crossing: the level lay between `low_pa` and `high_pa` when the output changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CrossingInterval {
    /// Lower end, pascal.
    pub low_pa: f64,
    /// Upper end, pascal.
    pub high_pa: f64,
    /// Standard uncertainty of both ends from the scatter of the fit, pascal.
    pub fit_pa: f64,
}

/// What the crossings say of the level.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelPosterior {
    /// Density of the level, pascal.
    pub density: Density,
    /// Mean, pascal.
    pub mean_pa: f64,
    /// Standard deviation, pascal.
    pub standard_deviation_pa: f64,
    /// Mean repeatability of one crossing as a standard deviation, pascal.
    pub repeatability_pa: f64,
    /// Standard deviations of single crossings with their masses, by the crossings alone.
    pub spreads: Vec<(f64, f64)>,
}

impl LevelPosterior {
    /// Probability that single crossings scatter by at most this standard deviation, pascal; by the crossings alone, every
    /// magnitude alike beforehand. 1 where too few crossings say anything.
    pub fn spread_within(&self, pascal: f64) -> f64 {
        let (mut within, mut whole, mut below): (f64, f64, Option<(f64, f64)>) = (0.0, 0.0, None);
        for &(at, mass) in &self.spreads {
            let Some((from, before)) = below.replace((at, mass)) else { continue };
            let piece = f64::midpoint(before, mass);
            let share = ((pascal / from).ln() / (at / from).ln()).clamp(0.0, 1.0);
            within += share * (before + (mass - before) * share / 2.0);
            whole += piece;
        }
        if whole > 0.0 { within / whole } else { 1.0 }
    }

    /// Standard deviation of single crossings below which a share of the probability lies, pascal.
    pub fn spread_quantile(&self, share: f64) -> Option<f64> {
        let (mut low, mut high) = (self.spreads.first()?.0, self.spreads.last()?.0);
        for _ in 0..40 {
            let middle = (low * high).sqrt();
            if self.spread_within(middle) < share { low = middle } else { high = middle }
        }
        Some((low * high).sqrt())
    }
}

/// Crossings of one level that were passed at about one rate.
#[derive(Debug, Clone, PartialEq)]
pub struct RateGroup {
    /// The crossings.
    pub crossings: Vec<CrossingInterval>,
    /// Mean signed slope at them, pascal per second.
    pub slope_pa_per_s: f64,
}

/// What is known beforehand of the net delay: a sum of two rectangles around what was already taken off the edges.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DelayPrior {
    /// Half widths, seconds: the device's delay and the reference's lag.
    pub half_widths_s: [f64; 2],
}

impl DelayPrior {
    /// Farthest that the delay can be from its centre, seconds.
    pub fn reach_s(self) -> f64 {
        self.half_widths_s[0] + self.half_widths_s[1]
    }

    /// Standard deviation, seconds.
    pub fn standard_deviation_s(self) -> f64 {
        self.half_widths_s[0].hypot(self.half_widths_s[1]) / 3f64.sqrt()
    }

    /// Density up to a factor: a trapezoid.
    fn weight(self, delay_s: f64) -> f64 {
        let [a, b] = self.half_widths_s;
        let (wide, narrow) = (a.max(b), a.min(b));
        if narrow <= 0.0 {
            return f64::from(u8::from(delay_s.abs() <= wide));
        }
        ((wide + narrow - delay_s.abs()) / (2.0 * narrow)).clamp(0.0, 1.0)
    }
}

/// Level and net delay from crossings at several rates.
#[derive(Debug, Clone, PartialEq)]
pub struct AtRates {
    /// The level as it stands still.
    pub level: LevelPosterior,
    /// The apparent level of each group by itself, pascal; moved from the level by slope times delay.
    pub apparent: Vec<Density>,
    /// Change of the level per second by which the prior's centre is moved, pascal per second.
    pub level_per_delay: f64,
    /// Whether the rates contradict what was known beforehand: then they alone were believed.
    pub prior_dropped: bool,
}

/// Below this share of its peak the likelihood says that the delay is not where it was promised.
const CONTRADICTS: f64 = 3e-4;
/// Cells for the level where the delay is looked for too.
const LEVELS: i32 = 90;
/// Cells for the delay.
const DELAYS: i32 = 40;

/// Posterior of a level under a flat prior, the repeatability marginalised over a logarithmic grid up to well above both
/// the `promised_pa` standard deviation and the scatter seen. `None` for no crossings or ends that are not finite.
pub fn posterior(crossings: &[CrossingInterval], promised_pa: f64) -> Option<LevelPosterior> {
    let spreads = spread_grid(&[crossings], promised_pa)?;
    let table = Table::of(crossings, promised_pa, &spreads)?;
    let density = table.density(&spreads)?;
    Some(of_density(density, &spreads, table.spread_masses()))
}

fn of_density(density: Density, spreads: &[Spread], masses: Vec<f64>) -> LevelPosterior {
    let (mean_pa, standard_deviation_pa) = (density.mean(), density.standard_deviation());
    let repeatability_pa = mean_spread(spreads, masses.iter().copied());
    let spreads = spreads.iter().map(|spread| spread.pa).zip(masses).collect();
    LevelPosterior { density, mean_pa, standard_deviation_pa, repeatability_pa, spreads }
}

/// Posterior of level and net delay: the edges of group g lie at level + slope · delay, each group's repeatability is the
/// same, and the delay is known beforehand to be within `prior`. Where the rates contradict that they alone are believed.
/// `None` as for [`posterior`], or for fewer than two groups.
pub fn posterior_at_rates(groups: &[RateGroup], promised_pa: f64, prior: DelayPrior) -> Option<AtRates> {
    let crossings: Vec<&[CrossingInterval]> = groups.iter().map(|group| group.crossings.as_slice()).collect();
    let spreads = spread_grid(&crossings, promised_pa)?;
    let tables =
        crossings.iter().map(|all| Table::of(all, promised_pa, &spreads)).collect::<Option<Vec<_>>>()?;
    let slopes: Vec<f64> = groups.iter().map(|group| group.slope_pa_per_s).collect();
    if groups.len() < 2 || slopes.iter().any(|slope| !slope.is_finite()) {
        return None;
    }
    let within = Joint::on((&tables, &slopes), &spreads, prior.reach_s(), |delay_s| prior.weight(delay_s));
    let (joint, prior_dropped) = match within.filter(|joint| joint.peak > CONTRADICTS) {
        Some(joint) => (joint, false),
        None => (Joint::on((&tables, &slopes), &spreads, f64::INFINITY, |_| 1.0)?, true),
    };
    let variance = prior.standard_deviation_s().powi(2);
    let level_per_delay = if prior_dropped || variance <= 0.0 { 0.0 } else { joint.covariance() / variance };
    Some(AtRates {
        level: of_density(joint.levels()?, &spreads, joint.by_spread.clone()),
        apparent: tables.iter().map(|table| table.density(&spreads)).collect::<Option<_>>()?,
        level_per_delay,
        prior_dropped,
    })
}

/// Masses over level and delay, the repeatability summed over.
struct Joint {
    level: (f64, f64),
    delay: (f64, f64),
    /// By delay, then by level.
    masses: Vec<Vec<f64>>,
    by_spread: Vec<f64>,
    peak: f64,
}

impl Joint {
    fn on(
        (tables, slopes): (&[Table], &[f64]),
        spreads: &[Spread],
        reach_s: f64,
        weight: impl Fn(f64) -> f64,
    ) -> Option<Self> {
        let (delay_from, delay_to) = delays(tables, slopes, reach_s)?;
        let (level_from, level_to) = levels(tables, slopes, (delay_from, delay_to))?;
        let delay_step = (delay_to - delay_from) / f64::from(DELAYS);
        let level_step = (level_to - level_from) / f64::from(LEVELS);
        let mut joint = Self {
            level: (level_from, level_step),
            delay: (delay_from, delay_step),
            masses: Vec::new(),
            by_spread: vec![0.0; spreads.len()],
            peak: 0.0,
        };
        let mut product = vec![0.0; spreads.len()];
        for delay_cell in 0..=DELAYS {
            let delay_s = delay_from + f64::from(delay_cell) * delay_step;
            let weight = weight(delay_s);
            let row = (0..=LEVELS).map(|level_cell| {
                let level_pa = level_from + f64::from(level_cell) * level_step;
                product
                    .iter_mut()
                    .zip(spreads)
                    .for_each(|(product, spread)| *product = weight * spread.weight);
                for (table, slope) in tables.iter().zip(slopes) {
                    table.multiply(level_pa + slope * delay_s, &mut product);
                }
                for ((sum, mass), spread) in joint.by_spread.iter_mut().zip(&product).zip(spreads) {
                    *sum += mass / spread.weight;
                }
                joint.peak = product.iter().copied().fold(joint.peak, f64::max);
                product.iter().sum()
            });
            let row = row.collect();
            joint.masses.push(row);
        }
        Some(joint)
    }

    fn levels(&self) -> Option<Density> {
        let mut sums = vec![0.0; self.masses.first()?.len()];
        for row in &self.masses {
            sums.iter_mut().zip(row).for_each(|(sum, mass)| *sum += mass);
        }
        Density::new(self.level.0, self.level.1, sums)
    }

    /// Covariance of level and delay, pascal second.
    fn covariance(&self) -> f64 {
        let cells = || {
            (0..).zip(&self.masses).flat_map(move |(delay, row)| {
                let delay_s = self.delay.0 + f64::from(delay) * self.delay.1;
                (0..).zip(row).map(move |(level, mass)| (delay_s, f64::from(level) * self.level.1, *mass))
            })
        };
        let whole: f64 = cells().map(|(_, _, mass)| mass).sum();
        let delay = cells().map(|(delay, _, mass)| delay * mass).sum::<f64>() / whole;
        let level = cells().map(|(_, level, mass)| level * mass).sum::<f64>() / whole;
        cells().map(|(d, l, mass)| (d - delay) * (l - level) * mass).sum::<f64>() / whole
    }
}

/// Delays that every pair of groups allows, within the reach of what was known beforehand.
fn delays(tables: &[Table], slopes: &[f64], reach_s: f64) -> Option<(f64, f64)> {
    let (mut from, mut to) = (-reach_s, reach_s);
    for (first, slope) in tables.iter().zip(slopes) {
        for (second, other) in tables.iter().zip(slopes).filter(|(_, other)| *other > slope) {
            let away = other - slope;
            from = from.max((second.least_pa() - first.most_pa()) / away);
            to = to.min((second.most_pa() - first.least_pa()) / away);
        }
    }
    (from.is_finite() && to.is_finite() && from < to).then_some((from, to))
}

/// Levels that every group allows at some of the delays.
fn levels(tables: &[Table], slopes: &[f64], (from_s, to_s): (f64, f64)) -> Option<(f64, f64)> {
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    for (table, slope) in tables.iter().zip(slopes) {
        let moved = [slope * from_s, slope * to_s];
        low = low.max(table.least_pa() - moved[0].max(moved[1]));
        high = high.min(table.most_pa() - moved[0].min(moved[1]));
    }
    (low < high).then_some((low, high))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn interval(low_pa: f64, high_pa: f64) -> CrossingInterval {
        CrossingInterval { low_pa, high_pa, fit_pa: 0.5 }
    }

    #[test]
    fn five_crossings_locked_to_the_scan_are_worth_one() {
        let one = posterior(&[interval(0.0, 30.0)], 0.5).expect("one");
        let five = posterior(&[interval(0.0, 30.0); 5], 0.5).expect("five");
        assert!(five.standard_deviation_pa > 0.9 * 30.0 / 12f64.sqrt(), "{}", five.standard_deviation_pa);
        assert!((one.standard_deviation_pa / five.standard_deviation_pa - 1.0).abs() < 0.1);
    }

    #[test]
    fn spread_phases_narrow_the_level_to_the_intersection() {
        let all: Vec<_> = [0.0, 6.0, 12.0, 18.0, 24.0].map(|shift| interval(shift, shift + 30.0)).to_vec();
        let found = posterior(&all, 0.5).expect("posterior");
        assert!((found.mean_pa - 27.0).abs() < 0.5, "{}", found.mean_pa);
        assert!(found.standard_deviation_pa < 30.0 / 12f64.sqrt() / 3.0, "{}", found.standard_deviation_pa);
    }

    #[test]
    fn scatter_above_the_promise_widens_the_level() {
        let all: Vec<_> =
            [-200.0, 150.0, 10.0, -60.0, 120.0].map(|middle| interval(middle - 5.0, middle + 5.0)).to_vec();
        let found = posterior(&all, 5.0).expect("posterior");
        let classical = 145.0 / 5f64.sqrt();
        assert!(
            (0.8..1.8).contains(&(found.standard_deviation_pa / classical)),
            "{}",
            found.standard_deviation_pa
        );
    }

    fn group(slope_pa_per_s: f64, level_pa: f64, delay_s: f64, count: u32) -> RateGroup {
        let half = slope_pa_per_s.abs() * 2.5e-3;
        let spread = |index: u32| (f64::from(index) + 0.5) / f64::from(count) - 0.5;
        let crossings = (0..count).map(|index| {
            let middle = level_pa + slope_pa_per_s * delay_s + spread(index) * 2.0 * half;
            CrossingInterval { low_pa: middle - half, high_pa: middle + half, fit_pa: 1.0 }
        });
        RateGroup { crossings: crossings.collect(), slope_pa_per_s }
    }

    // Two rates, closed form: L = (r2 y1 - r1 y2)/(r2 - r1), whatever the delay is, where nothing is known of it beforehand.
    #[rstest]
    #[case(1_000.0, 6_000.0, 0.009)]
    #[case(-1_000.0, -30_000.0, 0.004)]
    #[case(500.0, 6_250.0, -0.003)]
    fn two_rates_give_the_level_without_its_delay(
        #[case] slow: f64,
        #[case] fast: f64,
        #[case] delay_s: f64,
    ) {
        let groups = [group(slow, 60_000.0, delay_s, 5), group(fast, 60_000.0, delay_s, 5)];
        let prior = DelayPrior { half_widths_s: [0.05, 0.001] };
        let found = posterior_at_rates(&groups, 2.0, prior).expect("a level");
        let off = found.level.mean_pa - 60_000.0;
        assert!(off.abs() < 3.0, "{off}");
        assert!(!found.prior_dropped);
        let away = found.apparent[1].mean() - found.apparent[0].mean();
        assert!((away / (fast - slow) - delay_s).abs() < 5e-4, "{}", away / (fast - slow));
        assert!(found.level_per_delay.abs() < 0.1 * fast.abs(), "{}", found.level_per_delay);
    }

    #[test]
    fn one_rate_would_have_left_the_delay_in() {
        let fast = group(6_000.0, 60_000.0, 0.009, 5);
        let alone = posterior(&fast.crossings, 2.0).expect("a level");
        assert!((alone.mean_pa - 60_054.0).abs() < 3.0, "{}", alone.mean_pa);
    }

    #[test]
    fn a_delay_that_is_not_where_it_was_promised_is_found_by_the_rates_alone() {
        let groups = [group(1_000.0, 60_000.0, 0.1, 3), group(6_000.0, 60_000.0, 0.1, 3)];
        let found = posterior_at_rates(&groups, 5.0, DelayPrior { half_widths_s: [0.003, 0.001] });
        let found = found.expect("a level");
        assert!(found.prior_dropped);
        assert!((found.level.mean_pa - 60_000.0).abs() < 10.0, "{}", found.level.mean_pa);
    }

    #[test]
    fn nothing_comes_of_nothing_and_of_nan() {
        assert!(posterior(&[], 1.0).is_none());
        assert!(posterior(&[interval(f64::NAN, 1.0)], 1.0).is_none());
    }
}
