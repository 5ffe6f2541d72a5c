//! Probability densities on an even grid; the density of a sum of independent errors is their convolution.

use std::f64::consts::TAU;

/// Probability density, represented by the masses of equally wide cells.
#[derive(Debug, Clone, PartialEq)]
pub struct Density {
    /// Middle of the first cell.
    start: f64,
    /// Width of a cell.
    step: f64,
    masses: Vec<f64>,
}

impl Density {
    /// Density from masses of cells of width `step`, the first centred on `start`; normalized to one. `None` if the sum or `step`
    /// is not positive and finite.
    pub fn new(start: f64, step: f64, masses: Vec<f64>) -> Option<Self> {
        let sum: f64 = masses.iter().sum();
        (sum.is_finite() && sum > 0.0 && step.is_finite() && step > 0.0).then_some(())?;
        let masses = masses.into_iter().map(|mass| mass / sum).collect();
        Some(Self { start, step, masses })
    }

    /// Normal density around zero with standard deviation `sd`, on cells of width `step` out to ± `reach`.
    pub fn normal(sd: f64, step: f64, reach: f64) -> Option<Self> {
        let half = (reach / step).ceil().min(1e6);
        #[expect(clippy::cast_possible_truncation, reason = "at most 1e6")]
        let half = half as i64;
        #[expect(clippy::cast_precision_loss, reason = "at most 1e6")]
        let masses = (-half..=half)
            .map(|i| (-0.5 * (i as f64 * step / sd).powi(2)).exp() / (sd * TAU.sqrt()))
            .collect();
        #[expect(clippy::cast_precision_loss, reason = "at most 1e6")]
        Self::new(-(half as f64) * step, step, masses)
    }

    /// Mean.
    pub fn mean(&self) -> f64 {
        self.cells().map(|(x, mass)| x * mass).sum()
    }

    /// Mode, by a parabola through the highest cell and its neighbours.
    pub fn mode(&self) -> f64 {
        let highest = self.masses.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1));
        let index = highest.map_or(0, |(index, _)| index);
        #[expect(clippy::cast_precision_loss, reason = "a grid has far fewer than 2^53 cells")]
        let middle = self.start + index as f64 * self.step;
        let around = index.checked_sub(1).and_then(|before| self.masses.get(before..=index + 1));
        let Some(&[before, here, after]) = around else { return middle };
        let bend = before - 2.0 * here + after;
        if bend < 0.0 { middle + self.step * 0.5 * (before - after) / bend } else { middle }
    }

    /// Standard deviation.
    pub fn standard_deviation(&self) -> f64 {
        let mean = self.mean();
        self.cells().map(|(x, mass)| (x - mean).powi(2) * mass).sum::<f64>().max(0.0).sqrt()
    }

    /// The density shifted to mean zero.
    #[must_use]
    pub fn centred(&self) -> Self {
        Self { start: self.start - self.mean(), ..self.clone() }
    }

    /// The density of minus the quantity.
    #[must_use]
    pub fn mirrored(&self) -> Self {
        let end = self.start + self.step * self.last_index();
        Self { start: -end, step: self.step, masses: self.masses.iter().rev().copied().collect() }
    }

    /// The density of the quantity times a factor.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        let forward = if factor < 0.0 { self.mirrored() } else { self.clone() };
        let by = factor.abs();
        Self { start: forward.start * by, step: forward.step * by, ..forward }
    }

    /// The density multiplied by a weight function and normalized; `None` if the weights leave no mass.
    pub fn weighted(&self, weight: impl Fn(f64) -> f64) -> Option<Self> {
        Self::new(self.start, self.step, self.cells().map(|(x, mass)| mass * weight(x)).collect())
    }

    /// Density of the sum with an independent rectangular error of half width `half`.
    #[must_use]
    pub fn with_rectangle(&self, half: f64) -> Self {
        if half < self.step * 1e-3 {
            return self.clone();
        }
        let below = self.cumulative();
        let masses =
            self.cells().map(|(x, _)| self.below(&below, x + half) - self.below(&below, x - half)).collect();
        Self::new(self.start, self.step, masses).unwrap_or_else(|| self.clone())
    }

    /// Density of the sum with an independent error that has the shape of `other`, centred on zero.
    #[must_use]
    pub fn with(&self, other: &Self) -> Self {
        let other = other.centred();
        let below = other.cumulative();
        let reach = other.step.mul_add(other.last_index(), self.step);
        let half = (reach / self.step).ceil().clamp(1.0, 1e6);
        #[expect(clippy::cast_possible_truncation, reason = "at most 1e6")]
        let half = half as i64;
        #[expect(clippy::cast_precision_loss, reason = "at most 1e6")]
        let kernel: Vec<f64> = (-half..=half)
            .map(|i| (i as f64 - 0.5) * self.step)
            .map(|x| other.below(&below, x + self.step) - other.below(&below, x))
            .collect();
        let count = self.masses.len();
        let mut masses = vec![0.0; count];
        for (offset, weight) in (-half..=half).zip(&kernel).filter(|(_, weight)| **weight > 1e-10) {
            let shift = offset.unsigned_abs();
            let Ok(shift) = usize::try_from(shift) else { continue };
            let shift = shift.min(count);
            let (from, to) =
                if offset >= 0 { (0..count - shift, shift..count) } else { (shift..count, 0..count - shift) };
            for (target, source) in masses[to].iter_mut().zip(&self.masses[from]) {
                *target += weight * source;
            }
        }
        Self::new(self.start, self.step, masses).unwrap_or_else(|| self.clone())
    }

    /// Half width of the interval around the mean that contains `share` of the mass.
    pub fn half_width(&self, share: f64) -> f64 {
        let (mean, below) = (self.mean(), self.cumulative());
        let (mut low, mut high) = (0.0, self.step * self.last_index() + self.step);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            let held = self.below(&below, mean + middle) - self.below(&below, mean - middle);
            if held < share { low = middle } else { high = middle }
        }
        high
    }

    /// Mass between two values, from 0 to 1.
    pub fn between(&self, low: f64, high: f64) -> f64 {
        let below = self.cumulative();
        (self.below(&below, high) - self.below(&below, low)).clamp(0.0, 1.0)
    }

    fn cells(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        #[expect(clippy::cast_precision_loss, reason = "a grid has far fewer than 2^53 cells")]
        self.masses.iter().enumerate().map(|(index, mass)| (self.start + index as f64 * self.step, *mass))
    }

    #[expect(clippy::cast_precision_loss, reason = "a grid has far fewer than 2^53 cells")]
    fn last_index(&self) -> f64 {
        self.masses.len().saturating_sub(1) as f64
    }

    /// Mass below the lower edge of each cell, and the total as the last element.
    fn cumulative(&self) -> Vec<f64> {
        let mut sum = 0.0;
        let mut below = vec![0.0];
        below.extend(self.masses.iter().map(|mass| {
            sum += mass;
            sum
        }));
        below
    }

    /// Mass below `x`; the mass of a cell is uniform over its width.
    fn below(&self, cumulative: &[f64], x: f64) -> f64 {
        let at = (x - self.start) / self.step + 0.5;
        if at <= 0.0 {
            return 0.0;
        }
        if at >= self.last_index() + 1.0 {
            return 1.0;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "positive and within the grid"
        )]
        let cell = at as usize;
        match (cumulative.get(cell), cumulative.get(cell + 1)) {
            (Some(low), Some(high)) => low + (high - low) * at.fract(),
            _ => 1.0,
        }
    }
}

#[cfg(test)]
mod tests;
