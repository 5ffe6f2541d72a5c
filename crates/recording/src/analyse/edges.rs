//! The level at which a signal changes: each change lies between two rows, and many changes are combined.
//!
//! Rows scatter, so the intervals of the row pairs are weighed by a likelihood instead of being intersected. Rows at an even interval
//! can see every change in the same phase: then many changes say no more than one, and U extends to the ends of a single interval.

use super::{EdgeLevel, RowEdge, Rows};
use tripbench_measure::{
    Contribution, CrossingInterval, Curve, MeasurementResult, Noisy, Sample, combine, fit_line, greatest_of,
    least_of, normal_quantile, posterior, standard_deviation,
};

/// A line through rows on one side of a change.
#[derive(Debug, Clone)]
enum Line {
    /// Through two rows, with the scatter of each.
    Through { rows: [Sample; 2], noise_pa: f64 },
    /// Fitted to more than two rows.
    Fitted(Curve),
}

impl Line {
    /// Level at a moment, with its standard uncertainty.
    fn at(&self, t_s: f64) -> Noisy {
        match self {
            Self::Through { rows: [first, second], noise_pa } => {
                let share = (t_s - first.t_s) / (second.t_s - first.t_s);
                let value = first.level_pa + share * (second.level_pa - first.level_pa);
                Noisy { value, uncertainty: noise_pa * (1.0 - share).hypot(share) }
            }
            Self::Fitted(curve) => {
                Noisy { value: curve.level_pa(t_s), uncertainty: curve.level_uncertainty_pa(t_s) }
            }
        }
    }

    /// Slope and its standard uncertainty, pascal per second.
    fn slope(&self) -> [f64; 2] {
        match self {
            Self::Through { rows: [first, second], noise_pa } => {
                let away_s = second.t_s - first.t_s;
                [(second.level_pa - first.level_pa) / away_s, noise_pa * 2f64.sqrt() / away_s.abs()]
            }
            // The curve is a straight line: its slope is the same everywhere.
            Self::Fitted(curve) => [curve.slope_pa_per_s(0.0), curve.slope_uncertainty_pa_per_s()],
        }
    }
}

/// One change with the lines on both sides.
#[derive(Debug, Clone)]
struct Seen {
    rows: [usize; 2],
    before: Option<Line>,
    after: Option<Line>,
}

/// The possible range of the true level at a change: from the row before it to the farthest level reached, both with noise.
#[derive(Debug, Clone, Copy)]
struct Ends {
    near: Noisy,
    far: Noisy,
}

/// Level of all changes to a state. Changes within a gap are only counted.
pub(super) fn edges(rows: &Rows<'_>, changes: &[usize], states: &[bool], to: bool) -> Option<EdgeLevel> {
    let mut seen = Vec::new();
    let mut in_gaps = 0;
    for (place, &row) in changes.iter().enumerate().filter(|(_, row)| states[**row] == to) {
        if rows.times_s[row] - rows.times_s[row - 1] > rows.longest_gap_s {
            in_gaps += 1;
            continue;
        }
        let first = place.checked_sub(1).map_or(0, |last| changes[last]);
        let end = changes.get(place + 1).copied().unwrap_or(rows.times_s.len());
        let before = line(rows, (first..row).rev());
        seen.push(Seen { rows: [row - 1, row], before, after: line(rows, row..end) });
    }
    let rising = is_rising(rows, &seen)?;
    let both: Vec<(RowEdge, Ends)> = seen.iter().filter_map(|seen| placed(rows, seen, rising)).collect();
    let ends: Vec<Ends> = both.iter().map(|(_, ends)| *ends).collect();
    let result = together(rows, &ends)?;
    Some(EdgeLevel { result, rising, edges: both.into_iter().map(|(edge, _)| edge).collect(), in_gaps })
}

/// A line through the rows next to a change, within one state and without a gap, with enough rows to show the slope through the noise.
fn line(rows: &Rows<'_>, from_change: impl Iterator<Item = usize>) -> Option<Line> {
    /// Fewest and most rows in a line. Judgement of this project.
    const FEW: usize = 4;
    const MOST: usize = 16;
    /// Share of the rows in a state that a line may use: farther away the level may turn. Judgement of this project.
    const SHARE: usize = 3;
    /// A slope of this many standard uncertainties is shown. Judgement of this project.
    const SHOWN: f64 = 6.0;
    let times = rows.times_s;
    let all: Vec<usize> = from_change.collect();
    let joined =
        all.windows(2).take_while(|pair| (times[pair[0]] - times[pair[1]]).abs() <= rows.longest_gap_s);
    let joined = joined.count() + usize::from(!all.is_empty());
    let most = (all.len() / SHARE).clamp(FEW, MOST).min(joined);
    let near = times[*all.first()?];
    let samples: Vec<Sample> = all[..most]
        .iter()
        .map(|&row| Sample { t_s: times[row], level_pa: rows.recording.levels_pa[row] })
        .collect();
    let mut found = None;
    for count in FEW.min(most)..=most {
        let line = through(&samples[..count], near, rows.noise_pa)?;
        let [slope, uncertainty] = line.slope();
        found = Some(line);
        if slope.abs() > SHOWN * uncertainty {
            break;
        }
    }
    found
}

fn through(samples: &[Sample], near_s: f64, noise_pa: f64) -> Option<Line> {
    if let &[first, second] = samples {
        return (first.t_s - second.t_s)
            .is_normal()
            .then_some(Line::Through { rows: [first, second], noise_pa });
    }
    // The scatter is at least that of all rows: three rows can lie on a line by chance.
    fit_line(samples, near_s, noise_pa * 12f64.sqrt()).map(Line::Fitted)
}

/// Direction of the level before most changes; `None` without changes.
fn is_rising(rows: &Rows<'_>, seen: &[Seen]) -> Option<bool> {
    (!seen.is_empty()).then_some(())?;
    let levels = &rows.recording.levels_pa;
    let way = |seen: &Seen| {
        let [last, next] = seen.rows;
        let rows = (levels[next] - levels[last]) / (rows.noise_pa * 2f64.sqrt());
        let line = seen.before.as_ref().map(Line::slope);
        line.map_or(rows, |[slope, u]| slope / u.max(f64::MIN_POSITIVE)).clamp(-3.0, 3.0)
    };
    Some(seen.iter().map(way).sum::<f64>() >= 0.0)
}

/// One change with the ends of its interval; `None` if nothing shows how far the level went.
fn placed(rows: &Rows<'_>, seen: &Seen, rising: bool) -> Option<(RowEdge, Ends)> {
    let levels = &rows.recording.levels_pa;
    let [last, next] = seen.rows;
    let noise = |value| Noisy { value, uncertainty: rows.noise_pa };
    let turned = went(rows, seen, rising);
    let far = match turned {
        Went::On => noise(levels[next]),
        Went::To(far) => far,
        Went::Unseen => return None,
    };
    let between_pa = [levels[last].min(levels[next]), levels[last].max(levels[next])];
    let beyond = if rising { far.value - between_pa[1] } else { between_pa[0] - far.value };
    // A row can be later than its stamp by one step of the stamps.
    let stamps = &rows.recording.times_s;
    let (from_s, to_s) = (stamps[last], stamps[next] + rows.stamp_s);
    Some((
        RowEdge { from_s, to_s, between_pa, turned_pa: beyond.max(0.0) },
        Ends { near: noise(levels[last]), far },
    ))
}

/// How far the level went between the two rows of a change.
enum Went {
    /// On to the second row.
    On,
    /// Possibly beyond both rows and back, as far as this level.
    To(Noisy),
    /// Unknown.
    Unseen,
}

/// The level where the lines before and after a change meet, limited to the time between the rows; without a line after it, the
/// farthest level that the line before it reaches.
fn went(rows: &Rows<'_>, seen: &Seen, rising: bool) -> Went {
    let sign = if rising { 1.0 } else { -1.0 };
    let levels = &rows.recording.levels_pa;
    let [last, next] = seen.rows;
    let came_back = sign * (levels[next] - levels[last]) < 0.0;
    let (from_s, to_s) = (rows.times_s[last], rows.times_s[next]);
    let goes_on = |line: &&Line| sign * line.slope()[0] > 0.0;
    let Some(before) = seen.before.as_ref().filter(goes_on) else {
        return if came_back && seen.before.is_none() { Went::Unseen } else { Went::On };
    };
    let Some(after) = &seen.after else {
        let farthest = before.at(to_s);
        return if sign * (farthest.value - levels[next]) > 0.0 { Went::To(farthest) } else { Went::On };
    };
    let slopes = [before.slope()[0], after.slope()[0]];
    if sign * slopes[1] >= 0.0 {
        return Went::On;
    }
    let away = slopes[0] - slopes[1];
    let meets_s = (after.at(from_s).value - before.at(from_s).value) / away + from_s;
    let at_s = meets_s.clamp(from_s, to_s);
    let [first, second] = [before.at(at_s), after.at(at_s)];
    // At the intersection the error of each line is weighted by the slope of the other.
    let [of_first, of_second] = [slopes[1].abs() / away.abs(), slopes[0].abs() / away.abs()];
    let scatter = (of_first * first.uncertainty).hypot(of_second * second.uncertainty);
    let stamps = slopes[0].abs().min(slopes[1].abs()) * rows.loose_s;
    Went::To(Noisy { value: f64::midpoint(first.value, second.value), uncertainty: scatter.hypot(stamps) })
}

/// The level that all changes have in common.
///
/// It is estimated in two ways, and the one with the larger U is stated. The likelihood of all intervals gains from changes seen in
/// many phases. The ends of the intervals bound the level for changes seen in one phase: beyond all rows before it, and short of all
/// levels reached after it.
fn together(rows: &Rows<'_>, ends: &[Ends]) -> Option<MeasurementResult> {
    const NAME: &str = "this recording";
    let intervals: Vec<CrossingInterval> = ends.iter().map(interval).collect();
    let likely = posterior(&intervals, rows.noise_pa / 2.0)?;
    let value = likely.mean_pa;
    let rising = ends.iter().map(|ends| ends.far.value - ends.near.value).sum::<f64>() >= 0.0;
    let (near, far): (Vec<Noisy>, Vec<Noisy>) = ends.iter().map(|ends| (ends.near, ends.far)).unzip();
    let [low, high] = if rising {
        [greatest_of(&near, None)?, least_of(&far, None)?]
    } else {
        [greatest_of(&far, None)?, least_of(&near, None)?]
    };
    let surely = |end: Noisy| normal_quantile(0.975) * end.uncertainty;
    let reach = (value - low.value + surely(low)).max(high.value + surely(high) - value).max(0.0);
    let apart = Contribution::normal("variation from change to change", scatter_pa(&intervals)).of(NAME);
    let likely =
        Contribution::intervals("rows around the changes, with their scatter", &likely.density, ends.len());
    // If the level turns at its change, it is at the very end of this interval: U has to include that end.
    let whole =
        Contribution::rectangular("between the rows around the changes, with their scatter", reach / 0.95);
    let both = [likely, whole].map(|one| vec![one.of(NAME), apart.clone()]);
    let both = both.map(|parts| combine(value, rows.resolution_pa, parts).ok());
    both.into_iter().flatten().max_by(|a, b| a.expanded_uncertainty.total_cmp(&b.expanded_uncertainty))
}

fn interval(ends: &Ends) -> CrossingInterval {
    let Ends { near, far } = ends;
    CrossingInterval {
        low_pa: near.value.min(far.value),
        high_pa: near.value.max(far.value),
        fit_pa: near.uncertainty.max(far.uncertainty),
    }
}

/// Uncertainty of the mean of changes whose intervals do not overlap, pascal: Student's factor for their number, as a standard
/// uncertainty. 0 where one level can explain all of them within the noise.
fn scatter_pa(intervals: &[CrossingInterval]) -> f64 {
    /// Distance between two ends that noise alone explains, in standard uncertainties. Judgement of this project.
    const NOISE: f64 = 4.0;
    let highest_low = intervals.iter().map(|one| one.low_pa).fold(f64::NEG_INFINITY, f64::max);
    let lowest_high = intervals.iter().map(|one| one.high_pa).fold(f64::INFINITY, f64::min);
    let widest = intervals.iter().map(|one| one.fit_pa).fold(0.0, f64::max);
    let middles: Vec<f64> = intervals.iter().map(|one| f64::midpoint(one.low_pa, one.high_pa)).collect();
    let apart = highest_low - lowest_high > NOISE * 2f64.sqrt() * widest;
    let Some(spread) = standard_deviation(&middles).filter(|_| apart) else { return 0.0 };
    #[expect(clippy::cast_precision_loss, reason = "counts are small")]
    let count = middles.len() as f64;
    let part = Contribution { degrees_of_freedom: Some(count - 1.0), ..Contribution::normal("", 1.0) };
    let factor = combine(0.0, 0.0, vec![part]).map_or(f64::INFINITY, |one| one.welch_satterthwaite);
    spread / count.sqrt() * factor / normal_quantile(0.975)
}
