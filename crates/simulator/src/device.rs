//! A simulated device: sensor, comparator with hysteresis, delays, and the history of its outputs.

use crate::noise::Noise;
use crate::reference::FirstOrder;
use crate::truth::{DeviceFault, DeviceTruth};

/// Time for which a bouncing output returns to its old state, in seconds.
const BOUNCE_S: f64 = 2e-3;

/// History of a signal: its changes in order of time, some of them still in the future.
#[derive(Debug, Clone, Default)]
struct History(Vec<(f64, bool)>);

impl History {
    fn push(&mut self, at_s: f64, on: bool) {
        // A new decision cancels pending changes that would come later.
        while self.0.last().is_some_and(|(time, _)| *time >= at_s) {
            self.0.pop();
        }
        if self.0.last().map(|(_, last)| *last) != Some(on) {
            self.0.push((at_s, on));
        }
    }

    /// Time of the last change up to `time_s`.
    fn changed(&self, time_s: f64) -> Option<f64> {
        let index = self.0.partition_point(|(time, _)| *time <= time_s);
        index.checked_sub(1).and_then(|index| self.0.get(index)).map(|(time, _)| *time)
    }

    fn at(&self, time_s: f64) -> bool {
        let index = self.0.partition_point(|(time, _)| *time <= time_s);
        index.checked_sub(1).and_then(|index| self.0.get(index)).is_some_and(|(_, on)| *on)
    }
}

/// A comparator with two levels and a random deviation at each crossing.
#[derive(Debug, Clone)]
struct Comparator {
    deep_pa: f64,
    shallow_pa: f64,
    /// Standard deviations of the deep and of the shallow level, in pascals.
    spread_pa: [f64; 2],
    noise: Noise,
    /// How much deeper the first crossing is, in pascals.
    first_deeper_pa: f64,
    crossings: u64,
    /// Deviation of the next crossing, in pascals.
    jitter_pa: f64,
    above: bool,
}

impl Comparator {
    /// Advances by one step: if the comparator changes, the time of the change as a share of the step, and the new state.
    fn advance(&mut self, from_pa: f64, to_pa: f64) -> Option<(f64, bool)> {
        let first_pa = if self.crossings == 0 { self.first_deeper_pa } else { 0.0 };
        let threshold = if self.above { self.shallow_pa } else { self.deep_pa } + self.jitter_pa + first_pa;
        let crossed = if self.above { to_pa < threshold } else { to_pa >= threshold };
        if !crossed {
            return None;
        }
        self.above = !self.above;
        self.crossings += 1;
        let spread_pa = self.spread_pa[usize::from(self.above)];
        self.jitter_pa = spread_pa * self.noise.normal(self.crossings);
        let share = if (to_pa - from_pa).abs() < 1e-9 {
            1.0
        } else {
            ((threshold - from_pa) / (to_pa - from_pa)).clamp(0.0, 1.0)
        };
        Some((share, self.above))
    }
}

/// A simulated device.
#[derive(Debug, Clone)]
pub(crate) struct Device {
    pub(crate) truth: DeviceTruth,
    sensor: FirstOrder,
    switch: Comparator,
    saving: Option<Comparator>,
    noise: Noise,
    steps: u64,
    sensed_pa: f64,
    /// Level behind the hose, in pascals.
    behind_pa: f64,
    leaks_in: f64,
    output: History,
    valve: History,
    powered: bool,
    pub(crate) plugged: bool,
    /// Intervals in which a person inverts its switch output and its valve output, in seconds.
    pub(crate) operated: [[f64; 2]; 2],
}

impl Device {
    pub(crate) fn new(truth: &DeviceTruth, seed: u64) -> Self {
        let channel = 100 + u64::from(truth.position) * 4;
        let mut truth = truth.clone();
        if truth.fault == Some(DeviceFault::Chattering) {
            truth.reset_point_pa = truth.switch_point_pa - 50.0;
            truth.noise_pa = truth.noise_pa.max(300.0);
        }
        let quirks = truth.quirks.clone();
        let comparator = |deep_pa, shallow_pa, (channel, first): (u64, usize)| {
            let noise = Noise::new(seed, channel);
            let spread_pa =
                [first, first + 1].map(|level| truth.repeatability_pa * quirks.spread_factors[level]);
            let jitter_pa = spread_pa[0] * noise.normal(0);
            let first_deeper_pa = if first == 0 { quirks.first_deeper_pa } else { 0.0 };
            Comparator {
                deep_pa,
                shallow_pa,
                spread_pa,
                noise,
                first_deeper_pa,
                crossings: 0,
                jitter_pa,
                above: false,
            }
        };
        let saving =
            truth.air_saving.map(|saving| comparator(saving.cut_off_pa, saving.resume_pa, (channel + 1, 2)));
        Self {
            sensor: FirstOrder::new(truth.lag_s),
            switch: comparator(truth.switch_point_pa, truth.reset_point_pa, (channel, 0)),
            saving,
            noise: Noise::new(seed, channel + 2),
            steps: 0,
            sensed_pa: 0.0,
            behind_pa: 0.0,
            leaks_in: 0.0,
            output: History::default(),
            valve: History::default(),
            powered: false,
            plugged: true,
            operated: [[0.0; 2]; 2],
            truth,
        }
    }

    /// Level at the device, in pascals: behind its hose, with its own leak. Exact if the manifold level is constant in a step.
    pub(crate) fn behind_hose(&mut self, manifold_pa: f64, ambient_pa: f64, step_s: f64) -> f64 {
        let Some(hose) = self.truth.hose else { return manifold_pa };
        let pressure = (ambient_pa - f64::midpoint(manifold_pa, self.behind_pa)).max(1_000.0);
        let conductance = hose.conductance_m3_per_s * pressure / 50e3;
        self.leaks_in = hose.leak_pa_m3_per_s * (self.behind_pa / 50e3).clamp(0.0, 1.0);
        let rests_at = manifold_pa - self.leaks_in / conductance;
        let decay = (-step_s * conductance / hose.volume_m3).exp();
        self.behind_pa = rests_at + (self.behind_pa - rests_at) * decay;
        self.behind_pa
    }

    /// Leak into the manifold through its hose, in Pa m³/s.
    pub(crate) const fn leaks_in(&self) -> f64 {
        self.leaks_in
    }

    /// Advances from `from_s` by `step_s`, at the end of which the true level is `level_pa`.
    pub(crate) fn advance(&mut self, from_s: f64, level_pa: f64, step_s: f64, power: bool) {
        let lagged = self.sensor.advance(level_pa, step_s);
        self.steps += 1;
        let fast =
            if self.truth.noise_pa > 0.0 { self.truth.noise_pa * self.noise.normal(self.steps) } else { 0.0 };
        let sensed = lagged * (1.0 + self.truth.gain) + self.truth.offset_pa + fast;
        let before = std::mem::replace(&mut self.sensed_pa, sensed);
        let powered = power && self.plugged;
        let woke = powered && !self.powered;
        self.powered = powered;
        let delay_s = |on: bool| if on { self.truth.delay_on_s } else { self.truth.delay_off_s };
        if let Some((share, above)) = self.switch.advance(before, sensed) {
            let at_s = from_s + share * step_s + delay_s(above);
            self.output.push(at_s, above);
            if self.truth.fault == Some(DeviceFault::Bouncing) {
                self.output.push(at_s + BOUNCE_S, !above);
                self.output.push(at_s + 2.0 * BOUNCE_S, above);
            }
        } else if woke {
            self.output.push(from_s, self.switch.above);
        }
        if let Some(saving) = self.saving.as_mut() {
            if let Some((share, cut)) = saving.advance(before, sensed) {
                let later_s = self.truth.quirks.valve_later_s[usize::from(!cut)];
                self.valve.push(from_s + share * step_s + delay_s(cut) + later_s, cut);
            } else if woke {
                self.valve.push(from_s, saving.above);
            }
        }
    }

    /// State of the switch output at a time.
    pub(crate) fn output_at(&self, time_s: f64) -> bool {
        let above = match self.truth.fault {
            Some(DeviceFault::StuckOn) => return self.powered,
            Some(DeviceFault::StuckOff) => return false,
            Some(DeviceFault::Chattering | DeviceFault::Bouncing) | None => self.output.at(time_s),
        };
        let dropped =
            self.truth.quirks.dropouts_s.iter().any(|[from_s, to_s]| (*from_s..*to_s).contains(&time_s));
        let above = above != dropped;
        self.powered && (above != self.truth.normally_closed) != self.is_operated(0, time_s)
    }

    /// Time of the last change of the switch output up to `time_s`, in seconds.
    pub(crate) fn output_changed(&self, time_s: f64) -> Option<f64> {
        self.output.changed(time_s)
    }

    /// Time of the last change of the valve output up to `time_s`, in seconds.
    pub(crate) fn valve_changed(&self, time_s: f64) -> Option<f64> {
        self.valve.changed(time_s)
    }

    /// State of the valve output at a time: on while the device feeds, if the valve is closed without power, otherwise inverted.
    pub(crate) fn valve_at(&self, time_s: f64) -> bool {
        let feeds =
            self.truth.air_saving.is_some_and(|saving| self.valve.at(time_s) == saving.open_without_power);
        self.powered && feeds != self.is_operated(1, time_s)
    }

    fn is_operated(&self, output: usize, time_s: f64) -> bool {
        let [from_s, to_s] = self.operated[output];
        (from_s..to_s).contains(&time_s)
    }
}
