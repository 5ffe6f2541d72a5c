//! Times of rows whose stamps are coarser than the interval between rows: whole seconds, or one stamp for a batch.

use tripbench_measure::{Sample, fit_line, mean};

/// Row times as reconstructed from the stamps.
#[expect(clippy::struct_field_names, reason = "a name ends with its unit")]
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Times {
    /// One time for each row, seconds. Rows that share stamps get the times of an even clock if the stamps allow one, else times evenly
    /// spread over the step of their stamp.
    pub(super) rows_s: Vec<f64>,
    /// Standard uncertainty of a row's time relative to its neighbours', seconds.
    pub(super) loose_s: f64,
    /// Step of the stamps, seconds: the longest delay of a row after its stamp. 0 where no two rows share a stamp.
    pub(super) step_s: f64,
    /// Usual time between two rows, seconds.
    pub(super) usual_s: f64,
}

impl Times {
    /// Reconstructs the times from the stamps, which are in order.
    pub(super) fn of(stamps_s: &[f64]) -> Self {
        let between =
            |times: &[f64]| -> Vec<f64> { times.windows(2).map(|pair| pair[1] - pair[0]).collect() };
        let stamps = between(stamps_s);
        let shared = stamps.iter().any(|step| *step <= 0.0);
        if !shared {
            return Self { rows_s: stamps_s.to_vec(), loose_s: 0.0, step_s: 0.0, usual_s: median(stamps) };
        }
        let step_s = stamps.into_iter().filter(|step| *step > 0.0).fold(f64::INFINITY, f64::min);
        let step_s = if step_s.is_finite() { step_s } else { 0.0 };
        let rows_s: Vec<f64> =
            stamps_s.chunk_by(|a, b| a >= b).flat_map(|rows| within_a_step(rows, step_s)).collect();
        let usual_s = usual(between(&rows_s));
        match even_clock(stamps_s, &rows_s, (step_s, LONG * usual_s)) {
            Some(rows_s) => Self { rows_s, loose_s: 0.0, step_s, usual_s },
            None => Self { rows_s, loose_s: step_s / 12f64.sqrt(), step_s, usual_s },
        }
    }
}

/// Times between rows longer than this multiple of their median are not usual. Judgement of this project.
const LONG: f64 = 5.0;

/// Times of a clock without jitter, if all stamps can be its times truncated to their step. The clock starts anew after a gap and after
/// `ROWS` rows, because it may run slightly fast or slow.
fn even_clock(stamps_s: &[f64], rows_s: &[f64], (step_s, gap_s): (f64, f64)) -> Option<Vec<f64>> {
    const ROWS: usize = 200;
    /// Fewest rows that show a clock.
    const FEW: usize = 8;
    let rows: Vec<usize> = (0..rows_s.len()).collect();
    let mut times = rows_s.to_vec();
    for run in rows.chunk_by(|&a, &b| rows_s[b] - rows_s[a] <= gap_s.max(2.0 * step_s)) {
        // Chunks of equal length, so that none is left with only a few rows.
        let chunks = run.len().div_ceil(ROWS).max(1);
        for chunk in run.chunks(run.len().div_ceil(chunks)).filter(|chunk| chunk.len() >= FEW) {
            #[expect(clippy::cast_precision_loss, reason = "far fewer than 2^53 rows")]
            let samples: Vec<Sample> =
                chunk.iter().map(|&row| Sample { t_s: row as f64, level_pa: stamps_s[row] }).collect();
            let line = fit_line(&samples, samples[0].t_s, 0.0)?;
            let away = samples.iter().map(|one| one.level_pa - line.level_pa(one.t_s));
            let (least, most) = away
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), one| (low.min(one), high.max(one)));
            if most - least > step_s * 1.1 {
                return None;
            }
            for (&row, one) in chunk.iter().zip(&samples) {
                times[row] = line.level_pa(one.t_s) + step_s / 2.0;
            }
        }
    }
    times.windows(2).all(|pair| pair[0] <= pair[1]).then_some(times)
}

/// Rows with one stamp, spread evenly over its step.
fn within_a_step(rows: &[f64], step_s: f64) -> impl Iterator<Item = f64> + '_ {
    #[expect(clippy::cast_precision_loss, reason = "far fewer than 2^53 rows")]
    let share = move |row: usize| row as f64 / rows.len() as f64;
    rows.iter().enumerate().map(move |(row, stamp_s)| stamp_s + step_s * share(row))
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// The mean of the times between rows that are not gaps. A single time is uncertain by the step of the stamps.
fn usual(between: Vec<f64>) -> f64 {
    let longest = LONG * median(between.clone());
    let usual: Vec<f64> = between.into_iter().filter(|time| *time <= longest).collect();
    mean(&usual).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    fn rows_at_an_even_interval_are_found_behind_whole_stamps(
        #[values(0.1, 0.23, 0.45, 0.7, 0.93)] interval_s: f64,
        #[values(0.5, 1.0, 60.0)] step_s: f64,
    ) {
        let interval_s = interval_s * step_s;
        let truth: Vec<f64> = (0..500).map(|row| f64::from(row) * interval_s).collect();
        let stamps: Vec<f64> = truth.iter().map(|time| (time / step_s).floor() * step_s).collect();
        let found = Times::of(&stamps);
        assert!((found.step_s - step_s).abs() < 1e-9, "{found:?}");
        assert!((found.usual_s / interval_s - 1.0).abs() < 0.02, "{} for {interval_s}", found.usual_s);
        let off = found.rows_s.iter().zip(&truth).map(|(found, truth)| (found - truth).abs());
        assert!(off.fold(0.0, f64::max) <= step_s);
        let between = found.rows_s.windows(2).map(|pair| (pair[1] - pair[0] - interval_s).abs());
        assert!(between.fold(0.0, f64::max) < 0.1 * step_s, "{:?}", found.rows_s);
    }

    // Ten rows in a batch, all with the stamp of the batch; then some rows logged on change.
    #[test]
    fn rows_without_an_even_clock_lie_within_the_step_of_their_stamp() {
        let stamps: Vec<f64> = [0.0; 10].into_iter().chain([10.0; 7]).chain([20.0, 20.0, 30.0]).collect();
        let found = Times::of(&stamps);
        assert!((found.step_s - 10.0).abs() < 1e-9 && found.loose_s > 2.0, "{found:?}");
        for (row, stamp) in found.rows_s.iter().zip(&stamps) {
            assert!(*stamp <= *row && *row < stamp + 10.0, "{found:?}");
        }
    }

    #[test]
    fn stamps_that_no_rows_share_are_the_times() {
        let stamps = [0.0, 2.0, 4.0, 6.0, 60.0];
        assert_eq!(
            Times::of(&stamps),
            Times { rows_s: stamps.to_vec(), loose_s: 0.0, step_s: 0.0, usual_s: 2.0 }
        );
        assert_eq!(Times::of(&[3.0; 5]).usual_s.total_cmp(&0.0), std::cmp::Ordering::Equal);
    }
}
