//! `analyse`: the levels at which the signals of a recording change.
//!
//! The reference and the delays are unknown, so the levels are stated as recorded.

mod edges;
mod stamps;

use crate::read::Recording;
use edges::edges;
use stamps::Times;
use tripbench_measure::{
    Contribution, MeasurementResult, Sample, combine, fit_line, mean, standard_deviation,
};

/// Levels and timing of a recording.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// Rows with a level.
    pub rows: usize,
    /// Time from the first row to the last, seconds.
    pub lasts_s: f64,
    /// Usual time between two rows, seconds.
    pub interval_s: f64,
    /// Step of the time stamps where rows share them, seconds: the time within a step is unknown. 0 where no rows share one.
    pub stamp_s: f64,
    /// Standard deviation of a single row, pascal; at least that of the recording's resolution.
    pub scatter_pa: f64,
    /// Rows farther apart than this are a gap, seconds.
    pub longest_gap_s: f64,
    /// Gaps: start and length, seconds.
    pub gaps: Vec<(f64, f64)>,
    /// Results of each signal.
    pub signals: Vec<SignalAnalysis>,
}

/// Results of one signal.
#[derive(Debug, Clone)]
pub struct SignalAnalysis {
    /// Name of the signal.
    pub name: String,
    /// Level at which it turns on.
    pub on: Option<EdgeLevel>,
    /// Level at which it turns off.
    pub off: Option<EdgeLevel>,
    /// Difference of the two levels, on minus off.
    pub difference: Option<MeasurementResult>,
    /// Complete cycles, from one turn-on to the next.
    pub cycles: usize,
    /// Mean time of one cycle, seconds.
    pub period_s: Option<f64>,
    /// Mean rate of the level while it is on, pascal per second.
    pub rate_on: Option<MeasurementResult>,
    /// Mean rate of the level while it is off, pascal per second.
    pub rate_off: Option<MeasurementResult>,
}

/// Level at which a signal changes in one direction.
#[derive(Debug, Clone)]
pub struct EdgeLevel {
    /// The level, pascal.
    pub result: MeasurementResult,
    /// Whether the level was rising there.
    pub rising: bool,
    /// Each change.
    pub edges: Vec<RowEdge>,
    /// Changes within a gap, which are not used.
    pub in_gaps: usize,
}

/// One change between two rows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RowEdge {
    /// Time of the last row with the old state, seconds.
    pub from_s: f64,
    /// Time of the first row with the new state, seconds; where rows share time stamps, the end of that stamp's step.
    pub to_s: f64,
    /// Levels of the two rows, the smaller first, pascal.
    pub between_pa: [f64; 2],
    /// How far beyond these levels the level may have turned between the rows, pascal.
    pub turned_pa: f64,
}

/// Analyses a recording. `resolution_pa` is the smallest step of its level; rows farther apart than `longest_gap_s` are a gap.
pub fn analyse(recording: &Recording, resolution_pa: f64, longest_gap_s: Option<f64>) -> Analysis {
    /// Usual intervals that count as a gap by default. Judgement of this project.
    const INTERVALS: f64 = 5.0;
    /// Steps of the time stamps that count as a gap by default. Judgement of this project.
    const STEPS: f64 = 2.0;
    let Times { rows_s, loose_s, step_s, usual_s } = Times::of(&recording.times_s);
    let longest_gap_s = longest_gap_s.unwrap_or_else(|| (INTERVALS * usual_s).max(STEPS * step_s));
    let gaps = rows_s.windows(2).filter(|pair| pair[1] - pair[0] > longest_gap_s);
    let gaps: Vec<(f64, f64)> = gaps.map(|pair| (pair[0], pair[1] - pair[0])).collect();
    let resolution_pa = resolution_pa.max(smallest_step(&recording.levels_pa));
    let mut rows = Rows {
        recording,
        times_s: &rows_s,
        stamp_s: step_s,
        loose_s,
        noise_pa: resolution_pa / 12f64.sqrt(),
        resolution_pa,
        longest_gap_s,
    };
    rows.noise_pa = rows.noise_pa.max(rows.scatter_pa());
    Analysis {
        rows: rows_s.len(),
        lasts_s: rows_s.last().copied().unwrap_or(0.0),
        interval_s: usual_s,
        stamp_s: step_s,
        scatter_pa: rows.noise_pa,
        longest_gap_s,
        gaps,
        signals: recording.signals.iter().map(|(name, states)| rows.signal(name, states)).collect(),
    }
}

/// Smallest difference between two different levels: the resolution of the recording.
fn smallest_step(levels: &[f64]) -> f64 {
    let mut sorted = levels.to_vec();
    sorted.sort_by(f64::total_cmp);
    let scale = sorted.last().map_or(0.0, |last| last.abs());
    let steps = sorted.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > scale * 1e-9);
    let least = steps.fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { scale * 1e-6 }
}

/// The rows of a recording, with their timing and noise.
struct Rows<'r> {
    recording: &'r Recording,
    /// Times of the rows, seconds.
    times_s: &'r [f64],
    /// Largest delay of a row after its stamp, seconds.
    stamp_s: f64,
    /// Standard uncertainty of a row's time relative to its neighbours', seconds.
    loose_s: f64,
    /// Standard deviation of the level of one row, pascal.
    noise_pa: f64,
    resolution_pa: f64,
    longest_gap_s: f64,
}

impl Rows<'_> {
    fn signal(&self, name: &str, states: &[bool]) -> SignalAnalysis {
        let changes: Vec<usize> = (1..states.len()).filter(|&row| states[row] != states[row - 1]).collect();
        let (on, off) = (edges(self, &changes, states, true), edges(self, &changes, states, false));
        let difference = on.as_ref().zip(off.as_ref()).and_then(|(on, off)| {
            let parts = vec![
                Contribution::rectangular("level where it turns on", on.result.expanded_uncertainty),
                Contribution::rectangular("level where it turns off", off.result.expanded_uncertainty),
            ];
            combine(on.result.value - off.result.value, 0.0, parts).ok()
        });
        let starts: Vec<f64> =
            changes.iter().filter(|&&row| states[row]).map(|&row| self.times_s[row]).collect();
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

    /// Scatter of single rows, pascal, from the distance of each row to the line through its neighbours, away from changes and gaps.
    /// Only the nearest 60 % are used, because the others include rows at which the level turned.
    fn scatter_pa(&self) -> f64 {
        /// Integral of z² φ(z) over the 60 % of a normal distribution that are nearest to its mean: 0.6 − 2 · 0.8416 · φ(0.8416).
        const WITHIN: f64 = 0.128_7;
        let calm = |row: usize| {
            let three = row - 1..=row + 1;
            self.recording
                .signals
                .iter()
                .all(|(_, states)| three.clone().all(|other| states[other] == states[row]))
        };
        let mut away: Vec<f64> =
            (1..self.times_s.len() - 1).filter(|row| calm(*row)).filter_map(|row| self.beside(row)).collect();
        away.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
        let kept = away.len() * 3 / 5;
        #[expect(clippy::cast_precision_loss, reason = "far fewer than 2^53 rows")]
        let count = away.len() as f64;
        if kept == 0 {
            0.0
        } else {
            (away[..kept].iter().map(|one| one * one).sum::<f64>() / count / WITHIN).sqrt()
        }
    }

    /// Distance of a row from the line through its neighbours, scaled to the deviation of one row, pascal.
    fn beside(&self, row: usize) -> Option<f64> {
        let (times, levels) = (self.times_s, &self.recording.levels_pa);
        let (before_s, after_s) = (times[row] - times[row - 1], times[row + 1] - times[row]);
        let whole_s = before_s + after_s;
        (whole_s > 0.0 && before_s.max(after_s) <= self.longest_gap_s).then_some(())?;
        let shares = [after_s / whole_s, before_s / whole_s];
        let away = levels[row] - shares[0] * levels[row - 1] - shares[1] * levels[row + 1];
        Some(away / (1.0 + shares[0].powi(2) + shares[1].powi(2)).sqrt())
    }

    /// Mean rate over the stretches in one state, from a line through the rows of each.
    fn rate(&self, changes: &[usize], states: &[bool], on: bool) -> Option<MeasurementResult> {
        let ends = changes.iter().copied().chain([states.len()]);
        let starts = std::iter::once(0).chain(changes.iter().copied());
        let stretches = starts.zip(ends).filter(|(from, _)| states.get(*from) == Some(&on));
        let (mut values, mut variance) = (Vec::new(), 0.0);
        for (from, to) in stretches {
            // The first row after a change may still show the state before it.
            let rows: Vec<Sample> = (from + 1..to.saturating_sub(1).max(from + 1))
                .map(|row| Sample { t_s: self.times_s[row], level_pa: self.recording.levels_pa[row] })
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
            Contribution::normal("variation from stretch to stretch", spread),
        ];
        combine(mean(&values)?, 0.0, parts).ok()
    }
}

#[cfg(test)]
mod tests;
