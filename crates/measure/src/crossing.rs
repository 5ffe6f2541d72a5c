//! Level and net delay from several crossings, each known only as an interval.
//!
//! Uses the likelihood of interval-censored data with repeatability as a separate term (`docs/figures.md`, "Several crossings"):
//! crossings locked to the scan then count as one, spread ones count for more, and the edge is never counted twice.

use crate::density::Density;
use crate::likelihood::{PerSpread, Spread, Table, mean_spread, scatter, spread_grid};

/// One crossing: the level was between `low_pa` and `high_pa` when the output changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CrossingInterval {
    /// Lower end, pascal.
    pub low_pa: f64,
    /// Upper end, pascal.
    pub high_pa: f64,
    /// Standard uncertainty of both ends from the scatter of the fit, pascal.
    pub fit_pa: f64,
}

/// Posterior of a level, given its crossings.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelPosterior {
    /// Density of the level, pascal.
    pub density: Density,
    /// Mean of the level, pascal.
    pub mean_pa: f64,
    /// Standard deviation of the level, pascal.
    pub standard_deviation_pa: f64,
    /// Posterior mean of the repeatability of one crossing, as a standard deviation, pascal.
    pub repeatability_pa: f64,
    /// Candidate repeatabilities (standard deviation, pascal) with their masses, without their prior weights.
    pub spreads: Vec<(f64, f64)>,
}

impl LevelPosterior {
    /// Probability that the repeatability of one crossing is at most this standard deviation, pascal, under a log-uniform prior.
    /// 1 if there are too few crossings to estimate it.
    pub fn spread_within(&self, pascal: f64) -> f64 {
        SpreadShares::new(&self.spreads).map_or(1.0, |shares| shares.within(pascal))
    }

    /// Quantile of the repeatability of one crossing, as a standard deviation, pascal. `None` if `spreads` is empty.
    pub fn spread_quantile(&self, share: f64) -> Option<f64> {
        let (mut low, mut high) = (self.spreads.first()?.0, self.spreads.last()?.0);
        let shares = SpreadShares::new(&self.spreads);
        for _ in 0..40 {
            let middle = (low * high).sqrt();
            let within = shares.as_ref().map_or(1.0, |shares| shares.within(middle));
            if within < share { low = middle } else { high = middle }
        }
        Some((low * high).sqrt())
    }
}

/// Distribution of the repeatability over equal steps of its logarithm.
struct SpreadShares {
    least_pa: f64,
    /// Step of the natural logarithm from one part to the next.
    per_part: f64,
    /// For each part: density at its start, density at its end, mass.
    parts: Vec<[f64; 3]>,
}

impl SpreadShares {
    /// `None` for fewer than two spreads.
    fn new(spreads: &[(f64, f64)]) -> Option<Self> {
        /// Parts between two neighbouring spreads.
        const PARTS: u32 = 8;
        let [first, .., last] = spreads else { return None };
        let logarithms: Vec<f64> = spreads.iter().map(|(_, mass)| mass.max(LEAST).ln()).collect();
        let part = |(index, part): (usize, u32)| {
            let ends = [part, part + 1].map(|part| f64::from(part) / f64::from(PARTS));
            let [before, after] = ends.map(|share| between(&logarithms, index, share).exp());
            [before, after, piece(before, after, 1.0)]
        };
        let steps = 0..spreads.len() - 1;
        let parts: Vec<[f64; 3]> =
            steps.flat_map(|index| (0..PARTS).map(move |part| (index, part))).map(part).collect();
        #[expect(clippy::cast_precision_loss, reason = "a grid has few spreads")]
        let per_part = (last.0 / first.0).ln() / parts.len() as f64;
        Some(Self { least_pa: first.0, per_part, parts })
    }

    /// Share of the mass up to a spread.
    fn within(&self, pascal: f64) -> f64 {
        let mut left = (pascal / self.least_pa).ln() / self.per_part;
        let (mut within, mut whole) = (0.0, 0.0);
        for &[before, after, mass] in &self.parts {
            whole += mass;
            if left >= 1.0 {
                within += mass;
            } else if left > 0.0 {
                within += piece(before, after, left);
            }
            left -= 1.0;
        }
        if whole > 0.0 { within / whole } else { 1.0 }
    }
}

/// Floor of a mass before its logarithm is taken.
const LEAST: f64 = 1e-300;

/// Logarithm of the mass between two values of an even grid, interpolated by the parabolas through each of the two and its neighbours:
/// in a tail the logarithm is curved, and a straight line would lie below it.
fn between(logarithms: &[f64], index: usize, share: f64) -> f64 {
    let (here, next) = (logarithms[index], logarithms[index + 1]);
    let line = here + (next - here) * share;
    let bend = |middle: usize| {
        let around = logarithms.get(middle.checked_sub(1)?..=middle + 1)?;
        // Values at the floor give no curvature.
        around.iter().all(|value| *value > LEAST.ln()).then(|| around[0] - 2.0 * around[1] + around[2])
    };
    let (left, right) = (bend(index), bend(index + 1));
    let bend = match (left, right) {
        (Some(left), Some(right)) => left + (right - left) * share,
        (one, other) => one.or(other).unwrap_or(0.0),
    };
    line - bend * share * (1.0 - share) / 2.0
}

/// Mass from one value up to a share of the way to the next, with the logarithm of the density linear between them: in a tail the
/// density falls by orders of magnitude from one value to the next.
fn piece(before: f64, after: f64, share: f64) -> f64 {
    let (before, after) = (before.max(LEAST), after.max(LEAST));
    let falls = (after / before).ln();
    if falls.abs() < 1e-9 { before * share } else { before * ((falls * share).exp() - 1.0) / falls }
}

/// Crossings of one level at about the same rate.
#[derive(Debug, Clone, PartialEq)]
pub struct RateGroup {
    /// The crossings.
    pub crossings: Vec<CrossingInterval>,
    /// Mean signed slope at the crossings, pascal per second.
    pub slope_pa_per_s: f64,
}

/// Prior of the net delay: the sum of two rectangular distributions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DelayPrior {
    /// Middle, seconds, relative to the delay already subtracted from the edges.
    pub centre_s: f64,
    /// Half widths of the device's delay and of the reference's lag, seconds.
    pub half_widths_s: [f64; 2],
}

impl DelayPrior {
    /// Greatest possible distance of the delay from its centre, seconds.
    pub fn reach_s(self) -> f64 {
        self.half_widths_s[0] + self.half_widths_s[1]
    }

    /// Standard deviation, seconds.
    pub fn standard_deviation_s(self) -> f64 {
        self.half_widths_s[0].hypot(self.half_widths_s[1]) / 3f64.sqrt()
    }

    /// Density up to a constant factor: a trapezoid.
    fn weight(self, delay_s: f64) -> f64 {
        let [a, b] = self.half_widths_s;
        let (wide, narrow) = (a.max(b), a.min(b));
        let away_s = (delay_s - self.centre_s).abs();
        if narrow <= 0.0 {
            return f64::from(u8::from(away_s <= wide));
        }
        ((wide + narrow - away_s) / (2.0 * narrow)).clamp(0.0, 1.0)
    }

    /// Least and greatest possible delay, seconds.
    fn range_s(self) -> [f64; 2] {
        [self.centre_s - self.reach_s(), self.centre_s + self.reach_s()]
    }
}

/// Level and net delay from crossings at several rates: one joint posterior with a common repeatability.
#[derive(Debug, Clone, PartialEq)]
pub struct AtRates {
    /// Static level (at rate zero), using the prior of the delay unless it was dropped.
    pub level: LevelPosterior,
    /// Static level from the crossings alone, without the prior of the delay.
    pub free: LevelPosterior,
    /// Delay from the crossings alone, seconds, relative to the delay already subtracted from the edges.
    pub delay: Density,
    /// Change of the level per change of the prior's centre, pascal per second.
    pub level_per_delay: f64,
    /// Whether the crossings contradict the prior of the delay, which is then not used.
    pub prior_dropped: bool,
}

/// Share of its peak below which the likelihood contradicts the promised delay. Judgement of this project.
const CONTRADICTS: f64 = 3e-4;
/// Cells for delay and level: of the first grid, which finds the mass, and of the second, which covers only the mass.
const FIRST_LOOK: [i32; 2] = [24, 36];
const SECOND_LOOK: [i32; 2] = [40, 60];
/// Cells with less than this share of the greatest mass are left out of the second grid.
const NEGLIGIBLE_SHARE: f64 = 1e-6;

/// Posterior of a level under a flat prior. The repeatability is marginalised over a logarithmic grid that extends beyond both
/// the `promised_pa` standard deviation and the observed scatter. `None` without crossings or for ends that are not finite.
pub fn posterior(crossings: &[CrossingInterval], promised_pa: f64) -> Option<LevelPosterior> {
    let spreads = spread_grid(&[crossings], promised_pa)?;
    let table = Table::of(crossings, promised_pa.max(scatter(&[crossings])), &spreads)?;
    let density = table.density(&spreads)?;
    Some(of_density(density, &spreads, table.spread_masses()))
}

fn of_density(density: Density, spreads: &[Spread], masses: PerSpread) -> LevelPosterior {
    let (mean_pa, standard_deviation_pa) = (density.mean(), density.standard_deviation());
    let repeatability_pa = mean_spread(spreads, masses.iter().copied());
    let spreads = spreads.iter().map(|spread| spread.pa).zip(masses).collect();
    LevelPosterior { density, mean_pa, standard_deviation_pa, repeatability_pa, spreads }
}

/// Joint posterior of level and net delay: the edges of group g are at level + slope · delay, all crossings have the same
/// repeatability, and `prior` is the prior of the delay. If the crossings contradict the prior, it is dropped.
/// `None` as for [`posterior`], for fewer than two groups, or for a slope that is not finite.
pub fn posterior_at_rates(groups: &[RateGroup], promised_pa: f64, prior: DelayPrior) -> Option<AtRates> {
    let crossings: Vec<&[CrossingInterval]> = groups.iter().map(|group| group.crossings.as_slice()).collect();
    let spreads = spread_grid(&crossings, promised_pa)?;
    // The scatter seen at one rate also applies to a single crossing at another.
    let likely_pa = promised_pa.max(scatter(&crossings));
    let tables =
        crossings.iter().map(|all| Table::of(all, likely_pa, &spreads)).collect::<Option<Vec<_>>>()?;
    let slopes: Vec<f64> = groups.iter().map(|group| group.slope_pa_per_s).collect();
    if groups.len() < 2 || slopes.iter().any(|slope| !slope.is_finite()) {
        return None;
    }
    let rates = Rates { tables: &tables, slopes: &slopes, spreads: &spreads };
    let free = rates.joint([f64::NEG_INFINITY, f64::INFINITY], &|_| 1.0)?;
    let within = rates.joint(prior.range_s(), &|delay_s| prior.weight(delay_s));
    let within = within.filter(|joint| joint.peak > CONTRADICTS * free.peak);
    let (joint, prior_dropped) = within.as_ref().map_or((&free, true), |within| (within, false));
    let variance = prior.standard_deviation_s().powi(2);
    let level_per_delay = if prior_dropped || variance <= 0.0 { 0.0 } else { joint.covariance() / variance };
    Some(AtRates {
        level: of_density(joint.levels()?, &spreads, joint.by_spread),
        free: of_density(free.levels()?, &spreads, free.by_spread),
        delay: free.delays()?,
        level_per_delay,
        prior_dropped,
    })
}

/// Likelihoods of groups of crossings, one group per rate.
#[derive(Clone, Copy)]
struct Rates<'t> {
    tables: &'t [Table],
    slopes: &'t [f64],
    spreads: &'t [Spread],
}

/// An even grid of `cells + 1` values.
#[derive(Debug, Clone, Copy)]
struct Axis {
    from: f64,
    step: f64,
    cells: i32,
}

impl Axis {
    fn new((from, to): (f64, f64), cells: i32) -> Self {
        Self { from, step: (to - from) / f64::from(cells), cells }
    }

    fn at(self, cell: i32) -> f64 {
        self.from + f64::from(cell) * self.step
    }

    fn values(self) -> impl Iterator<Item = f64> {
        (0..=self.cells).map(move |cell| self.at(cell))
    }

    /// Ends of the range with masses that are not negligible, widened by one cell on each side.
    fn narrowed(self, masses: &[f64]) -> (f64, f64) {
        let most = masses.iter().copied().fold(0.0, f64::max);
        let counts = |(_, mass): &(i32, &f64)| **mass > NEGLIGIBLE_SHARE * most;
        let first = (0..).zip(masses).find(counts).map_or(0, |(cell, _)| cell);
        let last = (0..).zip(masses).filter(counts).last().map_or(self.cells, |(cell, _)| cell);
        (self.at((first - 1).max(0)), self.at((last + 1).min(self.cells)))
    }
}

impl Rates<'_> {
    /// Masses over level and delay for a weight of the delay, on a coarse grid first and then on a finer one where the mass is.
    fn joint(self, range_s: [f64; 2], weight: &dyn Fn(f64) -> f64) -> Option<Joint> {
        let delays = delays((self.tables, self.slopes), range_s)?;
        let levels = levels(self.tables, self.slopes, delays)?;
        let first = self.on(Axis::new(delays, FIRST_LOOK[0]), Axis::new(levels, FIRST_LOOK[1]), weight);
        if first.peak <= 0.0 {
            return None;
        }
        let delays = first.delay.narrowed(&first.by_delay());
        let levels = first.level.narrowed(&first.by_level());
        Some(self.on(Axis::new(delays, SECOND_LOOK[0]), Axis::new(levels, SECOND_LOOK[1]), weight))
    }

    fn on(self, delay: Axis, level: Axis, weight: &dyn Fn(f64) -> f64) -> Joint {
        let mut joint =
            Joint { level, delay, masses: Vec::new(), by_spread: PerSpread::default(), peak: 0.0 };
        let mut peaks = PerSpread::default();
        let mut weights = PerSpread::default();
        weights.iter_mut().zip(self.spreads).for_each(|(weight, spread)| *weight = spread.weight);
        for delay_s in delay.values() {
            let weight = weight(delay_s);
            let row = level.values().map(|level_pa| {
                let mut product = weights.map(|of_spread| weight * of_spread);
                let mut moved = self.tables.iter().zip(self.slopes);
                let within =
                    moved.all(|(table, slope)| table.multiply(level_pa + slope * delay_s, &mut product));
                if !within {
                    return 0.0;
                }
                // Element-wise over the spreads, so that the compiler can vectorize the loop.
                for ((sum, peak), mass) in joint.by_spread.iter_mut().zip(&mut peaks).zip(&product) {
                    *sum += mass;
                    *peak = if *mass > *peak { *mass } else { *peak };
                }
                product.iter().sum()
            });
            let row = row.collect();
            joint.masses.push(row);
        }
        joint.peak = peaks.into_iter().fold(0.0, f64::max);
        joint.by_spread.iter_mut().zip(self.spreads).for_each(|(sum, spread)| *sum /= spread.weight);
        joint
    }
}

/// Masses over level and delay, summed over the repeatability.
struct Joint {
    level: Axis,
    delay: Axis,
    /// By delay, then by level.
    masses: Vec<Vec<f64>>,
    by_spread: PerSpread,
    peak: f64,
}

impl Joint {
    fn by_level(&self) -> Vec<f64> {
        let mut sums = vec![0.0; self.masses.first().map_or(0, Vec::len)];
        for row in &self.masses {
            sums.iter_mut().zip(row).for_each(|(sum, mass)| *sum += mass);
        }
        sums
    }

    fn by_delay(&self) -> Vec<f64> {
        self.masses.iter().map(|row| row.iter().sum()).collect()
    }

    fn levels(&self) -> Option<Density> {
        Density::new(self.level.from, self.level.step, self.by_level())
    }

    fn delays(&self) -> Option<Density> {
        Density::new(self.delay.from, self.delay.step, self.by_delay())
    }

    /// Covariance of level and delay, pascal second.
    fn covariance(&self) -> f64 {
        let cells = || {
            self.delay.values().zip(&self.masses).flat_map(move |(delay_s, row)| {
                self.level.values().zip(row).map(move |(level_pa, mass)| (delay_s, level_pa, *mass))
            })
        };
        let whole: f64 = cells().map(|(_, _, mass)| mass).sum();
        let delay = cells().map(|(delay, _, mass)| delay * mass).sum::<f64>() / whole;
        let level = cells().map(|(_, level, mass)| level * mass).sum::<f64>() / whole;
        cells().map(|(d, l, mass)| (d - delay) * (l - level) * mass).sum::<f64>() / whole
    }
}

/// Range of delays that every pair of groups allows, within the prior's range.
fn delays((tables, slopes): (&[Table], &[f64]), [mut from, mut to]: [f64; 2]) -> Option<(f64, f64)> {
    for (first, slope) in tables.iter().zip(slopes) {
        for (second, other) in tables.iter().zip(slopes).filter(|(_, other)| *other > slope) {
            let away = other - slope;
            from = from.max((second.least_pa() - first.most_pa()) / away);
            to = to.min((second.most_pa() - first.least_pa()) / away);
        }
    }
    (from.is_finite() && to.is_finite() && from < to).then_some((from, to))
}

/// Range of levels that every group allows for some delay of the range.
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

    #[track_caller]
    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{found} instead of {expected}");
    }

    #[test]
    fn five_crossings_locked_to_the_scan_are_worth_one() {
        let one = posterior(&[interval(0.0, 30.0)], 0.5).expect("one");
        let five = posterior(&[interval(0.0, 30.0); 5], 0.5).expect("five");
        assert!(five.standard_deviation_pa > 0.9 * 30.0 / 12f64.sqrt(), "{}", five.standard_deviation_pa);
        assert!((one.standard_deviation_pa / five.standard_deviation_pa - 1.0).abs() < 0.1);
    }

    // One crossing: the square root of the sum of three variances, computed by hand: the fit, a rectangle of the interval's width, and
    // the promised repeatability.
    #[rstest]
    #[case(5.0, 20.0, 1.0, 20.1)]
    #[case(5.0, 10.0, 5.0, 11.3)]
    #[case(30.0, 10.0, 5.0, 14.1)]
    fn a_level_is_known_no_better_than_its_fit(
        #[case] width: f64,
        #[case] fit_pa: f64,
        #[case] promised: f64,
        #[case] expected: f64,
    ) {
        let crossing = CrossingInterval { low_pa: 1_000.0, high_pa: 1_000.0 + width, fit_pa };
        let found = posterior(&[crossing], promised).expect("posterior").standard_deviation_pa;
        assert!((found / expected - 1.0).abs() < 0.03, "{found}");
    }

    // For n normal values with standard deviation s, without the prior: P(σ ≤ 100) = P(χ²(n − 1) ≥ (n − 1) s² / 100²),
    // the upper tail by scipy.stats.chi2.sf of SciPy 1.17. With three values the grid cuts off part of the tail.
    #[rstest]
    #[case(3, 160.0, 7.730e-2)]
    #[case(5, 150.0, 6.110e-2)]
    #[case(5, 203.0, 2.425e-3)]
    #[case(5, 232.0, 2.487e-4)]
    #[case(10, 203.0, 2.536e-5)]
    fn the_tail_of_a_spread_is_that_of_chi_square(#[case] count: u32, #[case] s_pa: f64, #[case] tail: f64) {
        let at = |index: u32| f64::from(index) - f64::from(count - 1) / 2.0;
        let root = ((0..count).map(|index| at(index).powi(2)).sum::<f64>() / f64::from(count - 1)).sqrt();
        let narrow = |index: u32| interval(at(index) / root * s_pa, at(index) / root * s_pa + 1.0);
        let all: Vec<_> = (0..count).map(narrow).collect();
        let found = posterior(&all, 100.0).expect("posterior").spread_within(100.0);
        assert!((found / tail - 1.0).abs() < 0.15, "{found:e} for {tail:e}");
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

    // Two rates, closed form: L = (r2 y1 - r1 y2)/(r2 - r1) for any delay, with a wide prior of the delay.
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
        let prior = DelayPrior { centre_s: 0.0, half_widths_s: [0.05, 0.001] };
        let found = posterior_at_rates(&groups, 2.0, prior).expect("a level");
        let off = found.level.mean_pa - 60_000.0;
        assert!(off.abs() < 3.0, "{off}");
        assert!(!found.prior_dropped);
        assert!((found.delay.mean() - delay_s).abs() < 5e-4, "{}", found.delay.mean());
        assert!((found.free.mean_pa - 60_000.0).abs() < 3.0, "{}", found.free.mean_pa);
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
        let found =
            posterior_at_rates(&groups, 5.0, DelayPrior { centre_s: 0.0, half_widths_s: [0.003, 0.001] });
        let found = found.expect("a level");
        assert!(found.prior_dropped);
        assert!((found.level.mean_pa - 60_000.0).abs() < 10.0, "{}", found.level.mean_pa);
    }

    /// A posterior of which only the repeatability matters: (standard deviation in pascal, mass).
    fn spreads(all: &[(f64, f64)]) -> LevelPosterior {
        let density = Density::new(0.0, 1.0, vec![1.0]).expect("a density");
        let spreads = all.to_vec();
        LevelPosterior { density, mean_pa: 0.0, standard_deviation_pa: 0.3, repeatability_pa: 1.0, spreads }
    }

    // Log-uniform: the share below a value is linear in its logarithm.
    #[rstest]
    #[case(0.5, 0.0)]
    #[case(10_f64.sqrt(), 0.25)]
    #[case(10.0, 0.5)]
    #[case(10_f64.powf(1.3), 0.65)]
    #[case(1_000.0, 1.0)]
    fn where_every_magnitude_is_alike_the_share_is_the_logarithm(#[case] pascal: f64, #[case] share: f64) {
        let flat = spreads(&[(1.0, 7.0), (10.0, 7.0), (100.0, 7.0)]);
        near(flat.spread_within(pascal), share);
        near(spreads(&[(1.0, 7.0), (100.0, 7.0)]).spread_within(pascal), share);
        near(spreads(&[(1.0, 7.0)]).spread_within(pascal), 1.0);
    }

    // Masses that fall as exp(−0.7 i), closed form: (1 − exp(−0.7 x))/(1 − exp(−0.7 · 4)).
    #[rstest]
    #[case(0.3, 0.201_679_922_763_298_2)]
    #[case(1.0, 0.536_009_465_365_155_1)]
    #[case(2.6, 0.892_230_863_768_000_4)]
    fn a_share_of_masses_that_fall_exponentially_is_the_closed_form(#[case] x: f64, #[case] share: f64) {
        let all: Vec<_> =
            (0..5).map(f64::from).map(|i| (2.0 * 3_f64.powf(i), 40.0 * (-0.7 * i).exp())).collect();
        near(spreads(&all).spread_within(2.0 * 3_f64.powf(x)), share);
    }

    // A normal density over the logarithm, truncated at both ends: scipy.integrate.quad of exp(−((x − 2.2)/1.3)²/2) over 0..6, and
    // scipy.optimize.brentq for the quantiles.
    #[rstest]
    #[case(0.7, 0.082_885_8)]
    #[case(2.2, 0.477_144_8)]
    #[case(5.1, 0.988_336_2)]
    #[case(0.272_890_25, 0.025)]
    #[case(2.271_009_12, 0.5)]
    #[case(3.888_258_19, 0.9)]
    fn a_share_and_a_quantile_of_a_normal_density_agree_with_quadrature(#[case] x: f64, #[case] share: f64) {
        let all: Vec<_> = (0..7)
            .map(f64::from)
            .map(|i| (5.0 * 2_f64.powf(i), (-0.5 * ((i - 2.2) / 1.3).powi(2)).exp()))
            .collect();
        let (found, pascal) = (spreads(&all), 5.0 * 2_f64.powf(x));
        assert!((found.spread_within(pascal) - share).abs() < 1e-4, "{}", found.spread_within(pascal));
        let quantile = found.spread_quantile(share).expect("a quantile");
        assert!((quantile / pascal - 1.0).abs() < 1e-3, "{quantile} instead of {pascal}");
    }

    // Log-uniform between 1 and 100: the quantile of s is 100^s.
    #[rstest]
    #[case(0.25)]
    #[case(0.5)]
    #[case(0.95)]
    fn a_quantile_of_magnitudes_that_are_alike_is_a_power(#[case] share: f64) {
        let flat = spreads(&[(1.0, 7.0), (10.0, 7.0), (100.0, 7.0)]);
        near(flat.spread_quantile(share).expect("a quantile"), 100_f64.powf(share));
        assert!(spreads(&[]).spread_quantile(share).is_none());
    }

    // The parabola 3 − 2 i + 0.5 i² is interpolated exactly everywhere, at the ends too.
    #[rstest]
    #[case(0, 0.3)]
    #[case(1, 0.5)]
    #[case(2, 0.8)]
    fn a_parabola_is_met_between_its_values(#[case] index: usize, #[case] share: f64) {
        let parabola = |x: f64| 3.0 - 2.0 * x + 0.5 * x * x;
        let values = [0.0, 1.0, 2.0, 3.0].map(parabola);
        let at = [0.0, 1.0, 2.0][index] + share;
        near(between(&values, index, share), parabola(at));
    }

    // Curvatures of 0 and 1 on the two sides are weighted by nearness: half way ½ · ½ · ½/2 below the line, a quarter of the way
    // ¼ · ¼ · ¾/2. Next to a value at the floor only the curvature of the other side counts: −10 + 10 − 2 = −2.
    #[rstest]
    #[case(&[0.0, 0.0, 0.0, 1.0], 1, 0.5, -0.0625)]
    #[case(&[0.0, 0.0, 0.0, 1.0], 1, 0.25, -0.023_437_5)]
    #[case(&[LEAST.ln(), -10.0, -5.0, -2.0], 1, 0.5, -7.5 + 0.25)]
    #[case(&[4.0, 7.0], 0, 0.25, 4.75)]
    fn bends_count_by_their_nearness(
        #[case] values: &[f64],
        #[case] index: usize,
        #[case] share: f64,
        #[case] expected: f64,
    ) {
        near(between(values, index, share), expected);
    }

    // Integral of before · exp(falls · x) from 0 to share: before (exp(falls · share) − 1)/falls.
    #[rstest]
    #[case(3.0, 3.0 * 2_f64.exp(), 1.0, 1.5 * (2_f64.exp() - 1.0))]
    #[case(3.0, 3.0 * 2_f64.exp(), 0.5, 1.5 * (1_f64.exp() - 1.0))]
    #[case(3.0, 3.0 * (-2_f64).exp(), 0.5, 1.5 * (1.0 - (-1_f64).exp()))]
    #[case(3.0, 3.0, 0.25, 0.75)]
    #[case(0.0, 0.0, 0.5, 0.0)]
    fn a_piece_is_the_integral_of_an_exponential(
        #[case] before: f64,
        #[case] after: f64,
        #[case] share: f64,
        #[case] expected: f64,
    ) {
        near(piece(before, after, share), expected);
    }

    // ± 3 s and ± 4 s around 10 s: a trapezoid that is flat within ± 1 s and ends at ± 7 s; its variance is (9 + 16)/3.
    #[rstest]
    #[case([3.0, 4.0])]
    #[case([4.0, 3.0])]
    fn two_rectangles_make_the_trapezoid_of_the_delay(#[case] half_widths_s: [f64; 2]) {
        let prior = DelayPrior { centre_s: 10.0, half_widths_s };
        near(prior.reach_s(), 7.0);
        near(prior.standard_deviation_s(), 5.0 / 3_f64.sqrt());
        let [from, to] = prior.range_s();
        near(from, 3.0);
        near(to, 17.0);
        for (away_s, weight) in [(0.0, 1.0), (0.9, 1.0), (2.5, 0.75), (4.0, 0.5), (5.5, 0.25), (7.5, 0.0)] {
            near(prior.weight(10.0 + away_s), weight);
            near(prior.weight(10.0 - away_s), weight);
        }
    }

    #[test]
    fn one_rectangle_alone_allows_its_ends_and_nothing_beyond() {
        let prior = DelayPrior { centre_s: 10.0, half_widths_s: [0.0, 4.0] };
        for (delay_s, weight) in [(5.9, 0.0), (6.0, 1.0), (10.0, 1.0), (14.0, 1.0), (14.1, 0.0)] {
            near(prior.weight(delay_s), weight);
        }
    }

    #[test]
    fn an_axis_is_narrowed_to_its_mass_and_a_cell_more() {
        let axis = Axis::new((10.0, 20.0), 4);
        assert_eq!(axis.values().collect::<Vec<_>>(), [10.0, 12.5, 15.0, 17.5, 20.0]);
        assert_eq!(axis.narrowed(&[0.0, 0.0, 3.0, 0.0, 0.0]), (12.5, 17.5));
        assert_eq!(axis.narrowed(&[3.0, 0.0, 0.0, 0.0, 0.0]), (10.0, 12.5));
        assert_eq!(axis.narrowed(&[0.0, 0.0, 0.0, 0.0, 3.0]), (17.5, 20.0));
        // A millionth of the greatest mass is left out, two millionths are not.
        assert_eq!(axis.narrowed(&[0.0, 6.1e-6, 3.0, 2.9e-6, 0.0]), (10.0, 17.5));
        assert_eq!(axis.narrowed(&[0.0; 5]), (10.0, 20.0));
    }

    // The masses sum to ten. Delays 0.5, 0.75, 1 with masses 3, 3, 4: mean 0.775. Levels 10, 12 with masses 5, 5: mean 11. The
    // covariance is (−0.275 · (−1 + 2) − 0.025 · 3 − 0.225 · 4)/10.
    #[test]
    fn the_covariance_of_six_cells_is_that_by_hand() {
        let joint = Joint {
            level: Axis { from: 10.0, step: 2.0, cells: 1 },
            delay: Axis { from: 0.5, step: 0.25, cells: 2 },
            masses: vec![vec![1.0, 2.0], vec![0.0, 3.0], vec![4.0, 0.0]],
            by_spread: PerSpread::default(),
            peak: 4.0,
        };
        assert_eq!((joint.by_level(), joint.by_delay()), (vec![5.0, 5.0], vec![3.0, 3.0, 4.0]));
        near(joint.levels().expect("a density").mean(), 11.0);
        near(joint.delays().expect("a density").mean(), 0.775);
        near(joint.covariance(), -0.125);
    }

    /// Likelihood of one crossing from `low_pa` to 10 Pa above it, with a spread of 1 Pa: the grid has cells of 0.9 Pa and reaches 13 Pa
    /// beyond both ends; the likelihood is negligible from 6.7 Pa on (ln Φ(−6.7) = −25.3).
    fn table(low_pa: f64) -> Table {
        let one = [CrossingInterval { low_pa, high_pa: low_pa + 10.0, fit_pa: 0.0 }];
        let spreads = spread_grid(&[one.as_slice()], 1.0).expect("a grid");
        let table = Table::of(&one, 1.0, &spreads).expect("a table");
        near(table.least_pa(), low_pa - 6.7);
        near(table.most_pa(), low_pa + 16.7);
        table
    }

    // Tables from −6.7 to 16.7 Pa and from 13.3 to 36.7 Pa at slopes that differ by 200 Pa/s.
    #[rstest]
    #[case([-9.0, 9.0], Some((-3.4 / 200.0, 43.4 / 200.0)))]
    #[case([0.05, 9.0], Some((0.05, 43.4 / 200.0)))]
    #[case([-9.0, 0.05], Some((-3.4 / 200.0, 0.05)))]
    #[case([0.3, 9.0], None)]
    fn delays_are_what_every_pair_of_groups_allows(
        #[case] range_s: [f64; 2],
        #[case] expected: Option<(f64, f64)>,
    ) {
        let near_both = |found: Option<(f64, f64)>| match (found, expected) {
            (Some(found), Some(expected)) => {
                near(found.0, expected.0);
                near(found.1, expected.1);
            }
            (found, expected) => assert_eq!(found, expected),
        };
        near_both(delays((&[table(0.0), table(20.0)], &[-100.0, 100.0]), range_s));
        near_both(delays((&[table(20.0), table(0.0)], &[100.0, -100.0]), range_s));
        // Two groups at one rate do not limit the delay; without two rates and without a prior there is no range.
        let alike = [table(0.0), table(0.0), table(20.0)];
        near_both(delays((&alike, &[-100.0, -100.0, 100.0]), range_s));
        let open = [f64::NEG_INFINITY, f64::INFINITY];
        assert_eq!(delays((&[table(0.0), table(20.0)], &[100.0, 100.0]), open), None);
    }

    // Over delays from 0.1 to 0.2 s the first table moves by 10 to 20 Pa, the second by −10 to −5 Pa.
    #[test]
    fn levels_are_what_every_group_allows_at_some_delay() {
        let tables = [table(0.0), table(-13.0)];
        let (low, high) = levels(&tables, &[100.0, -50.0], (0.1, 0.2)).expect("levels");
        near(low, -6.7 - 13.0 + 5.0);
        near(high, 16.7 - 10.0);
        let (low, high) = levels(&tables[..1], &[100.0], (0.1, 0.2)).expect("levels");
        near(low, -6.7 - 20.0);
        near(high, 16.7 - 10.0);
        assert_eq!(levels(&[table(0.0), table(60.0)], &[100.0, 50.0], (0.1, 0.2)), None);
    }

    /// A group of crossings between these levels; the ends have a standard uncertainty of 1 Pa.
    fn rate(slope_pa_per_s: f64, ends_pa: &[(f64, f64)]) -> RateGroup {
        let crossings =
            ends_pa.iter().map(|&(low_pa, high_pa)| CrossingInterval { low_pa, high_pa, fit_pa: 1.0 });
        RateGroup { crossings: crossings.collect(), slope_pa_per_s }
    }

    #[track_caller]
    fn within(found: f64, expected: f64, by: f64) {
        assert!((found - expected).abs() <= by, "{found} instead of {expected}");
    }

    // Five crossings at three rates: the definition summed over 1601 delays and 2801 levels for each of thirteen spreads
    // (scipy.special.ndtr), with and without the trapezoidal prior of the delay.
    #[test]
    fn level_and_delay_at_three_rates_agree_with_a_fine_sum() {
        let groups = [
            rate(100.0, &[(1_000.0, 1_010.0), (1_004.0, 1_014.0)]),
            rate(500.0, &[(1_040.0, 1_052.0), (1_045.0, 1_057.0)]),
            rate(-300.0, &[(961.0, 969.0)]),
        ];
        let prior = DelayPrior { centre_s: 0.11, half_widths_s: [0.02, 0.01] };
        let found = posterior_at_rates(&groups, 5.0, prior).expect("a level");
        assert!(!found.prior_dropped);
        within(found.free.mean_pa, 996.416, 0.05);
        within(found.free.standard_deviation_pa, 2.414, 0.03);
        within(found.delay.mean(), 0.104_335, 1e-4);
        within(found.delay.standard_deviation(), 0.007_097, 1e-4);
        within(found.level.mean_pa, 996.320, 0.05);
        within(found.level.standard_deviation_pa, 2.347, 0.03);
        within(found.level_per_delay, -34.91, 0.5);
        within(found.free.repeatability_pa, 2.0857, 0.01);
        within(found.level.repeatability_pa, 2.0427, 0.01);
        let ratio = |of: &LevelPosterior, index: usize| of.spreads[index].1 / of.spreads[12].1;
        within(ratio(&found.free, 0), 7.548, 0.1);
        within(ratio(&found.free, 6), 5.310, 0.05);
        within(ratio(&found.level, 0), 8.932, 0.1);
        within(ratio(&found.level, 6), 6.164, 0.05);
    }

    // One crossing at each of two rates, closed form: L = (500 y1 − 100 y2)/400, d = (y2 − y1)/400; y1 and y2 have the variances
    // s² + w²/12, with s² = 2² + 1² and w = 10, 12.
    #[test]
    fn the_level_of_two_crossings_has_the_variance_of_the_closed_form() {
        let groups = [rate(100.0, &[(1_000.0, 1_010.0)]), rate(500.0, &[(1_040.0, 1_052.0)])];
        let prior = DelayPrior { centre_s: 0.1, half_widths_s: [0.05, 0.02] };
        let found = posterior_at_rates(&groups, 2.0, prior).expect("a level");
        let (first, second): (f64, f64) = (5.0 + 100.0 / 12.0, 5.0 + 144.0 / 12.0);
        within(found.free.mean_pa, 994.75, 0.05);
        within(found.free.standard_deviation_pa, (1.25_f64.powi(2) * first + 0.0625 * second).sqrt(), 0.03);
        within(found.delay.mean(), 0.1025, 1e-4);
        within(found.delay.standard_deviation(), (first + second).sqrt() / 400.0, 1e-4);
        assert!(posterior_at_rates(&groups[..1], 2.0, prior).is_none());
    }

    // Two crossings 20 Pa wide with a spread of 2 Pa. A delay that is d from 0.1 s drives their middles apart: at the best level the
    // likelihood is Φ((10 − 200 d)/2)² of its peak: 1e-3 for d = 0.06858 s, 1e-4 for 0.07326 s.
    #[rstest]
    #[case(0.068_58, false)]
    #[case(0.073_26, true)]
    fn a_delay_is_dropped_where_the_rates_leave_it_too_little(#[case] away_s: f64, #[case] dropped: bool) {
        let one = |slope_pa_per_s: f64, low_pa: f64| RateGroup {
            crossings: vec![CrossingInterval { low_pa, high_pa: low_pa + 20.0, fit_pa: 0.0 }],
            slope_pa_per_s,
        };
        let groups = [one(100.0, 1_000.0), one(500.0, 1_040.0)];
        for side in [-1.0, 1.0] {
            let centre_s = 0.1 + side * (away_s + 0.05);
            let prior = DelayPrior { centre_s, half_widths_s: [0.05, 0.0] };
            let found = posterior_at_rates(&groups, 2.0, prior).expect("a level");
            assert_eq!(found.prior_dropped, dropped);
            assert_eq!(found.level_per_delay == 0.0, dropped, "{}", found.level_per_delay);
            assert_eq!(found.level == found.free, dropped);
        }
    }

    // One crossing 10 Pa wide with a spread of 2.5 Pa: a rectangle plus a normal density, variance 10²/12 + 2.5².
    #[test]
    fn one_crossing_has_the_variance_of_its_width_and_its_spread() {
        let one = [CrossingInterval { low_pa: 100.0, high_pa: 110.0, fit_pa: 0.0 }];
        let found = posterior(&one, 2.5).expect("a level");
        near(found.mean_pa, 105.0);
        within(found.standard_deviation_pa, (100.0_f64 / 12.0 + 6.25).sqrt(), 1e-3);
        near(found.repeatability_pa, 2.5);
        assert_eq!(found.spreads.len(), 1);
    }

    #[test]
    fn nothing_comes_of_nothing_and_of_nan() {
        assert!(posterior(&[], 1.0).is_none());
        assert!(posterior(&[interval(f64::NAN, 1.0)], 1.0).is_none());
    }
}
