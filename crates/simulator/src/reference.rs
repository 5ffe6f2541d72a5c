//! First-order lag, exact for an input that changes linearly within a step.

/// A first-order lag.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct FirstOrder {
    time_constant_s: f64,
    input: f64,
    output: f64,
    /// Last step and its decay factor, cached to avoid an exponential for each equal step.
    decay: (f64, f64),
}

impl FirstOrder {
    pub(crate) const fn new(time_constant_s: f64) -> Self {
        Self { time_constant_s, input: 0.0, output: 0.0, decay: (0.0, 1.0) }
    }

    pub(crate) const fn output(&self) -> f64 {
        self.output
    }

    /// Advances by `step_s` while the input changes linearly to `input`; returns the output.
    pub(crate) fn advance(&mut self, input: f64, step_s: f64) -> f64 {
        if self.time_constant_s <= 0.0 {
            self.output = input;
        } else {
            let behind = (input - self.input) / step_s * self.time_constant_s;
            if step_s.total_cmp(&self.decay.0).is_ne() {
                self.decay = (step_s, (-step_s / self.time_constant_s).exp());
            }
            self.output = input - behind + (self.output - self.input + behind) * self.decay.1;
        }
        self.input = input;
        self.output
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // First order, closed form: on a ramp of rate r the output lags by r τ after the transient has decayed.
    #[test]
    fn on_a_ramp_it_stays_behind_by_rate_times_time_constant() {
        let mut lag = FirstOrder::new(2e-3);
        let mut level = 0.0;
        for _ in 0..100 {
            level += 6.25;
            lag.advance(level, 1e-3);
        }
        assert!((level - lag.output() - 6_250.0 * 2e-3).abs() < 1e-9);
    }

    // Step response after one time constant: 1 − 1/e.
    #[test]
    fn a_step_reaches_its_known_share_after_one_time_constant() {
        let mut lag = FirstOrder::new(0.1);
        lag.advance(1.0, 1e-9);
        for _ in 0..100 {
            lag.advance(1.0, 1e-3);
        }
        assert!((lag.output() - 0.632_120_558_828_557_7).abs() < 1e-6);
    }
}
