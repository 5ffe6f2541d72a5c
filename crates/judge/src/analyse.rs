//! `analyse`: what a recording from elsewhere says of the levels at which its signals change.
//!
//! Nothing is known of the reference or of delays: what is stated is the level as it was recorded.

use tripbench_measure::{
    Contribution, MeasurementResult, Sample, combine, fit_line, mean, normal_quantile, standard_deviation,
};
use tripbench_record::Recording;

/// What a recording shows.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// Rows with a level.
    pub rows: usize,
    /// From the first row to the last, seconds.
    pub lasts_s: f64,
    /// Usual time between two rows, seconds: the median.
    pub interval_s: f64,
    /// Rows farther apart than this are a gap, seconds.
    pub longest_gap_s: f64,
    /// Gaps: when each begins and how long it is, seconds.
    pub gaps: Vec<(f64, f64)>,
    /// Each signal.
    pub signals: Vec<SignalAnalysis>,
}

/// What a recording shows of one signal.
#[derive(Debug, Clone)]
pub struct SignalAnalysis {
    /// Its name.
    pub name: String,
    /// Where it turns on.
    pub on: Option<EdgeLevel>,
    /// Where it turns off.
    pub off: Option<EdgeLevel>,
    /// Difference of the two levels, on less off.
    pub difference: Option<MeasurementResult>,
    /// Whole cycles, from one turning on to the next.
    pub cycles: usize,
    /// Mean time of one cycle, seconds.
    pub period_s: Option<f64>,
    /// Mean rate of the level while it is on, pascal per second.
    pub rate_on: Option<MeasurementResult>,
    /// Mean rate of the level while it is off, pascal per second.
    pub rate_off: Option<MeasurementResult>,
}

/// Where a signal changes one way.
#[derive(Debug, Clone)]
pub struct EdgeLevel {
    /// The level, pascal.
    pub result: MeasurementResult,
    /// Whether the level was rising there.
    pub rising: bool,
    /// Each change.
    pub edges: Vec<RowEdge>,
    /// Changes within a gap: not used.
    pub in_gaps: usize,
}

/// One change between two rows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RowEdge {
    /// Last row with the old state, seconds.
    pub from_s: f64,
    /// First row with the new state, seconds.
    pub to_s: f64,
    /// Levels of the two rows, the smaller first, or where the level turned between them, pascal.
    pub between_pa: [f64; 2],
    /// How far beyond them the level can have turned between the rows, pascal.
    pub turned_pa: f64,
    rising: bool,
}

/// Analyses a recording; `resolution_pa` is the smallest step of its level, `longest_gap_s` what counts as a gap.
pub fn analyse(recording: &Recording, resolution_pa: f64, longest_gap_s: Option<f64>) -> Analysis {
    /// Intervals that make a gap where nobody says.
    const INTERVALS: f64 = 5.0;
    let times = &recording.times_s;
    let mut intervals: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    intervals.sort_by(f64::total_cmp);
    let interval_s = intervals.get(intervals.len() / 2).copied().unwrap_or(0.0);
    let longest_gap_s = longest_gap_s.unwrap_or(INTERVALS * interval_s);
    let gaps = times.windows(2).filter(|pair| pair[1] - pair[0] > longest_gap_s);
    let resolution_pa = resolution_pa.max(smallest_step(&recording.levels_pa));
    let rows = Rows { recording, resolution_pa, longest_gap_s };
    Analysis {
        rows: times.len(),
        lasts_s: times.last().copied().unwrap_or(0.0),
        interval_s,
        longest_gap_s,
        gaps: gaps.map(|pair| (pair[0], pair[1] - pair[0])).collect(),
        signals: recording.signals.iter().map(|(name, states)| rows.signal(name, states)).collect(),
    }
}

/// Smallest difference of two levels that are not alike: what the recording resolves at the best.
fn smallest_step(levels: &[f64]) -> f64 {
    let mut sorted = levels.to_vec();
    sorted.sort_by(f64::total_cmp);
    let scale = sorted.last().map_or(0.0, |last| last.abs());
    let steps = sorted.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > scale * 1e-9);
    let least = steps.fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { scale * 1e-6 }
}

struct Rows<'r> {
    recording: &'r Recording,
    resolution_pa: f64,
    longest_gap_s: f64,
}

impl Rows<'_> {
    fn signal(&self, name: &str, states: &[bool]) -> SignalAnalysis {
        let changes: Vec<usize> = (1..states.len()).filter(|&row| states[row] != states[row - 1]).collect();
        let (on, off) = (self.edges(&changes, states, true), self.edges(&changes, states, false));
        let difference = on.as_ref().zip(off.as_ref()).and_then(|(on, off)| {
            let parts = vec![
                Contribution::rectangular("level where it turns on", on.result.expanded_uncertainty),
                Contribution::rectangular("level where it turns off", off.result.expanded_uncertainty),
            ];
            combine(on.result.value - off.result.value, 0.0, parts).ok()
        });
        let starts: Vec<f64> =
            changes.iter().filter(|&&row| states[row]).map(|&row| self.recording.times_s[row]).collect();
        let periods: Vec<f64> = starts.windows(2).map(|pair| pair[1] - pair[0]).collect();
        SignalAnalysis {
            name: name.to_owned(),
            on,
            off,
            difference,
            cycles: periods.len(),
            period_s: mean(&periods),
            rate_on: self.rate(&changes, states, true),
            rate_off: self.rate(&changes, states, false),
        }
    }

    /// Level at all changes to a state; rows within a gap say nothing.
    fn edges(&self, changes: &[usize], states: &[bool], to: bool) -> Option<EdgeLevel> {
        let (times, levels) = (&self.recording.times_s, &self.recording.levels_pa);
        let mut edges = Vec::new();
        let mut in_gaps = 0;
        for (place, &row) in changes.iter().enumerate().filter(|(_, row)| states[**row] == to) {
            if times[row] - times[row - 1] > self.longest_gap_s {
                in_gaps += 1;
                continue;
            }
            let before = self.line(place.checked_sub(1).map_or(0, |last| changes[last]), row, true);
            let after = self.line(row, changes.get(place + 1).copied().unwrap_or(times.len()), false);
            let rising = before.map_or(levels[row] >= levels[row - 1], |(_, slope)| slope >= 0.0);
            let turned = before
                .zip(after)
                .and_then(|(before, after)| turn(before, after, (times[row - 1], times[row])));
            // A row that has come back over the one before says nothing of how far the level went: the turn does.
            let came_back = (levels[row] >= levels[row - 1]) != rising;
            let [near, far] = match turned.filter(|_| came_back) {
                Some(level) => [level, level],
                None => [levels[row - 1], levels[row]],
            };
            let between = [near.min(far), near.max(far)];
            let turned_pa = turned.map_or(0.0, |level| (between[0] - level).max(level - between[1]).max(0.0));
            edges.push(RowEdge {
                from_s: times[row - 1],
                to_s: times[row],
                between_pa: between,
                turned_pa,
                rising,
            });
        }
        let result = self.together(&edges)?;
        let rising = edges.iter().filter(|edge| edge.rising).count() * 2 >= edges.len();
        Some(EdgeLevel { result, rising, edges, in_gaps })
    }

    /// The level that all changes have in common: in the middle of what all pairs of rows bracket, or of all of them where
    /// they have nothing in common; U reaches as far as the level can have turned between the rows. Recordings with an even
    /// interval can see every change in the same phase, so nothing is gained by their number.
    fn together(&self, edges: &[RowEdge]) -> Option<MeasurementResult> {
        let rows = |edge: &RowEdge| edge.between_pa;
        let turned = |edge: &RowEdge| {
            let [low, high] = edge.between_pa;
            if edge.rising { [low, high + edge.turned_pa] } else { [low - edge.turned_pa, high] }
        };
        let [low, high] = common(edges.iter().map(rows))?;
        let [least, most] = common(edges.iter().map(turned))?;
        let value = f64::midpoint(low, high);
        let reach = (value - least).max(most - value).max(0.0);
        // Where the level turns at its change it is at the very end of this: U is to hold that too.
        let whole = reach / 0.95;
        let parts = vec![
            Contribution::rectangular("between the rows around the changes", whole).of("this recording"),
            Contribution::normal("scatter of the rows", self.resolution_pa).of("this recording"),
            Contribution::normal("from one change to another", scatter_pa(edges)).of("this recording"),
        ];
        combine(value, self.resolution_pa, parts).ok()
    }

    /// A line through the rows next to a change, within its own state and with no gap: level at the row next to it, slope.
    fn line(&self, from: usize, to: usize, at_end: bool) -> Option<((f64, f64), f64)> {
        const ROWS: usize = 4;
        let (times, levels) = (&self.recording.times_s, &self.recording.levels_pa);
        let rows: Vec<usize> =
            if at_end { (from..to).rev().take(ROWS).collect() } else { (from..to).take(ROWS).collect() };
        let near = *rows.first()?;
        let rows: Vec<usize> = rows
            .windows(2)
            .take_while(|pair| (times[pair[0]] - times[pair[1]]).abs() <= self.longest_gap_s)
            .map(|pair| pair[1])
            .fold(vec![near], |mut all, row| {
                all.push(row);
                all
            });
        let last = *rows.get(1)?;
        let slope = (levels[last] - levels[near]) / (times[last] - times[near]);
        slope.is_finite().then_some(((times[near], levels[near]), slope))
    }

    /// Mean rate over the stretches in a state, each by a line through its rows.
    fn rate(&self, changes: &[usize], states: &[bool], on: bool) -> Option<MeasurementResult> {
        let ends = changes.iter().copied().chain([states.len()]);
        let starts = std::iter::once(0).chain(changes.iter().copied());
        let stretches = starts.zip(ends).filter(|(from, _)| states.get(*from) == Some(&on));
        let (mut values, mut variance) = (Vec::new(), 0.0);
        for (from, to) in stretches {
            // The row of a change may still be of the state before.
            let rows: Vec<Sample> = (from + 1..to.saturating_sub(1).max(from + 1))
                .map(|row| Sample {
                    t_s: self.recording.times_s[row],
                    level_pa: self.recording.levels_pa[row],
                })
                .collect();
            let gap = rows.windows(2).any(|pair| pair[1].t_s - pair[0].t_s > self.longest_gap_s);
            let Some(middle) = rows.get(rows.len() / 2).filter(|_| !gap).map(|row| row.t_s) else { continue };
            if let Some(line) = fit_line(&rows, middle, self.resolution_pa) {
                values.push(line.slope_pa_per_s(middle));
                variance += line.slope_uncertainty_pa_per_s().powi(2);
            }
        }
        #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
        let count = values.len() as f64;
        let spread = standard_deviation(&values).unwrap_or(0.0) / count.sqrt();
        let parts = vec![
            Contribution::normal("scatter of the lines", variance.sqrt() / count),
            Contribution::normal("from one stretch to another", spread),
        ];
        combine(mean(&values)?, 0.0, parts).ok()
    }
}

/// What changes that have nothing in common leave open of their mean, pascal: by Student's factor for so few, told as a
/// standard uncertainty. 0 where all can mean one level.
fn scatter_pa(edges: &[RowEdge]) -> f64 {
    let highest_low = edges.iter().map(|edge| edge.between_pa[0]).fold(f64::NEG_INFINITY, f64::max);
    let lowest_high = edges.iter().map(|edge| edge.between_pa[1]).fold(f64::INFINITY, f64::min);
    let middles: Vec<f64> =
        edges.iter().map(|edge| f64::midpoint(edge.between_pa[0], edge.between_pa[1])).collect();
    let Some(spread) = standard_deviation(&middles).filter(|_| highest_low > lowest_high) else { return 0.0 };
    #[expect(clippy::cast_precision_loss, reason = "counts are small")]
    let count = middles.len() as f64;
    let part = Contribution { degrees_of_freedom: Some(count - 1.0), ..Contribution::normal("", 1.0) };
    let factor = combine(0.0, 0.0, vec![part]).map_or(f64::INFINITY, |one| one.welch_satterthwaite);
    spread / count.sqrt() * factor / normal_quantile(0.975)
}

/// What intervals have in common; what holds all of them where that is nothing.
fn common(intervals: impl Iterator<Item = [f64; 2]> + Clone) -> Option<[f64; 2]> {
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
    for [from, to] in intervals {
        (low, high) = (low.max(from), high.min(to));
        (least, most) = (least.min(from), most.max(to));
    }
    if low <= high {
        low.is_finite().then_some([low, high])
    } else {
        least.is_finite().then_some([least, most])
    }
}

/// Level where the line before a change meets the line after it, if that is between the two rows.
fn turn(
    ((from_s, from_pa), before): ((f64, f64), f64),
    ((to_s, to_pa), after): ((f64, f64), f64),
    (last_old_s, first_new_s): (f64, f64),
) -> Option<f64> {
    let away = before - after;
    let at_s = (to_pa - from_pa + before * from_s - after * to_s) / away;
    let inside = at_s.is_finite() && last_old_s <= at_s && at_s <= first_new_s;
    inside.then_some(from_pa + before * (at_s - from_s))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A level that goes up and down between two levels by even rates, a row every so many seconds.
    fn recording(interval_s: f64, low_pa: f64, high_pa: f64) -> Recording {
        let (mut level, mut filling) = (low_pa + 1_000.0, false);
        let mut found =
            Recording { signals: vec![(String::from("fill"), Vec::new())], ..Recording::default() };
        let mut next_s = 0.0;
        for millisecond in 0..600_000 {
            let t_s = f64::from(millisecond) / 1e3;
            level += if filling { 200.0 } else { -40.0 } / 1e3;
            if level <= low_pa {
                filling = true;
            } else if level >= high_pa {
                filling = false;
            }
            if t_s >= next_s {
                found.times_s.push(t_s);
                found.levels_pa.push(level);
                found.signals[0].1.push(filling);
                next_s += interval_s;
            }
        }
        found
    }

    #[test]
    fn levels_rates_and_cycles_of_a_sawtooth_are_found() {
        for interval_s in [0.5, 2.0, 7.0] {
            let found = analyse(&recording(interval_s, 8_000.0, 10_000.0), 0.0, None);
            let signal = &found.signals[0];
            let (on, off) = (signal.on.as_ref().expect("on"), signal.off.as_ref().expect("off"));
            for (edge, truth) in [(on, 8_000.0), (off, 10_000.0)] {
                let off = (edge.result.value - truth).abs();
                let u = edge.result.expanded_uncertainty;
                assert!(off <= u + 1.0, "{interval_s} s: {off:.1} Pa off, U {u:.1} Pa");
            }
            assert!(!on.rising && off.rising);
            // Ten seconds of filling have too few rows for a rate at the longest interval.
            if interval_s < 5.0 {
                let rates =
                    [&signal.rate_on, &signal.rate_off].map(|rate| rate.as_ref().expect("a rate").value);
                assert!((rates[0] - 200.0).abs() < 5.0 && (rates[1] + 40.0).abs() < 1.0, "{rates:?}");
            }
            assert!(signal.cycles >= 8, "{}", signal.cycles);
            assert!((signal.period_s.expect("a period") - 60.0).abs() < 8.0);
        }
    }

    #[test]
    fn a_change_within_a_gap_is_not_used() {
        let mut recording = recording(1.0, 8_000.0, 10_000.0);
        let change = recording.signals[0].1.windows(2).position(|pair| pair[0] != pair[1]).expect("a change");
        for time in &mut recording.times_s[change + 1..] {
            *time += 100.0;
        }
        let found = analyse(&recording, 0.0, None);
        let signal = &found.signals[0];
        let gaps: usize =
            [&signal.on, &signal.off].iter().filter_map(|edge| Some(edge.as_ref()?.in_gaps)).sum();
        assert_eq!((found.gaps.len(), gaps), (1, 1));
    }

    #[test]
    fn a_signal_that_never_changes_has_no_level() {
        let mut recording = recording(1.0, 8_000.0, 10_000.0);
        recording.signals[0].1.fill(true);
        let found = analyse(&recording, 0.0, None);
        assert!(found.signals[0].on.is_none() && found.signals[0].off.is_none());
    }
}
