//! The proving ground: simulated rigs with every error drawn from what their sheets declare, and their results against the truth.

use crate::{Bench, Quick};
use rand_core::SeedableRng;
use rand_distr::{Distribution, Normal, Uniform};
use rand_pcg::Pcg64Mcg;
use std::num::NonZero;
use tripbench_quantity::LevelRate;
use tripbench_record::{Check, QuantityName, Task};
use tripbench_simulator::{AirSavingTruth, DeviceTruth, HoseTruth};

/// Switch point and reset point that every device of the proving ground is set to, pascal.
pub const NOMINAL_PA: [f64; 2] = [60e3, 55e3];
/// Cut-off and resume level of devices that save air, pascal.
pub const NOMINAL_VALVE_PA: [f64; 2] = [70e3, 65e3];
/// Half of the tolerance of a level, pascal.
pub const HALF_TOLERANCE_PA: f64 = 1_500.0;
/// Volume of the demo's manifold, m³.
const VOLUME_M3: f64 = 1.2e-3;
/// Least volume behind a throttling hose, from the demo's rig sheet, m³.
const BEHIND_M3: f64 = 5e-6;
/// Greatest delay of a hose that a faster device makes up for, seconds (judgement of this project, `docs/figures.md`).
const FASTER_S: f64 = 0.006;

/// Parameters of one kind of rig with its devices. Times in seconds, levels in pascal.
#[derive(Debug, Clone, Copy)]
pub struct Cell {
    /// Name: the parameter that differs from the base.
    pub name: &'static str,
    /// Time from one scan to the next.
    pub scan_s: f64,
    /// Lag of the reference and its half width.
    pub lag_s: [f64; 2],
    /// Noise of the reference, as a standard deviation.
    pub noise_pa: f64,
    /// Half width of the zero drift.
    pub drift_pa: f64,
    /// Half width of the reference's hysteresis.
    pub hysteresis_pa: f64,
    /// Expanded uncertainty of the calibration, k = 2.
    pub calibration_pa: f64,
    /// Thermal time constant.
    pub thermal_s: f64,
    /// Leak at half vacuum, pascal per second.
    pub leak_pa_per_s: f64,
    /// Promised response time: longest delay of the devices.
    pub response_s: f64,
    /// Half width of the promised repeatability.
    pub repeatability_pa: f64,
    /// Cycles.
    pub cycles: u16,
    /// Devices in one run.
    pub positions: u8,
    /// Time constants of the throttles, evacuating and bleeding.
    pub throttles_s: [f64; 2],
    /// Value of `way` in the script, if any.
    pub way: Option<&'static str>,
    /// Time between two conversions of the reference.
    pub converter_s: f64,
    /// Counts of the reference over its range.
    pub counts: u32,
    /// Selected delay of 0, 20 and 200 ms; `None` if the type has no delays.
    pub selected_s: Option<f64>,
    /// Least and greatest scatter of the devices, as a share of the promised one.
    pub spread_shares: [f64; 2],
    /// Whether the devices save air.
    pub saves_air: bool,
    /// Operations of a response step that follows the ramps, if any.
    pub operations: u16,
}

impl Cell {
    /// The base cell (`docs/figures.md`): 1.2 L, 90 kPa, an evacuation of 4.8 s (0.25 L/s), reads 5 ms apart.
    pub const BASE: Self = Self {
        name: "base",
        scan_s: 5e-3,
        lag_s: [2e-3, 1e-3],
        noise_pa: 20.0,
        drift_pa: 50.0,
        hysteresis_pa: 30.0,
        calibration_pa: 250.0,
        thermal_s: 1.0,
        leak_pa_per_s: 20.0,
        response_s: 6e-3,
        repeatability_pa: 100.0,
        cycles: 5,
        positions: 1,
        throttles_s: [20.0, 20.0],
        way: None,
        converter_s: 0.0,
        counts: 16_000,
        selected_s: None,
        spread_shares: [1.0, 1.0],
        saves_air: false,
        operations: 0,
    };

    /// The sheets of the cell, with devices exactly at their settings.
    ///
    /// # Panics
    /// If the demo's rig sheet lacks a line that is replaced.
    pub fn bench(&self) -> Bench {
        let mut bench = Bench::demo();
        let mut change = |from: &str, to: String| {
            assert!(bench.rig.contains(from), "the rig sheet does not contain `{from}`");
            bench.rig = bench.rig.replacen(from, &to, 1);
        };
        change("scan_interval = \"5 ms\"", format!("scan_interval = \"{} ms\"", self.scan_s * 1e3));
        let converter = format!("converter = \"{} ms\"\n", self.converter_s * 1e3);
        change("converter = \"2 ms\"\n", if self.converter_s > 0.0 { converter } else { String::new() });
        let counts = [self.counts / 4, self.counts / 4 + self.counts];
        change("counts = [4000, 20000]", format!("counts = {counts:?}"));
        change("noise = \"20 Pa\"", format!("noise = \"{} Pa\"", self.noise_pa));
        change("hysteresis = \"30 Pa\"", format!("hysteresis = \"{} Pa\"", self.hysteresis_pa));
        change("drift = \"50 Pa\"", format!("drift = \"{} Pa\"", self.drift_pa));
        change("value = \"2 ms\"", format!("value = \"{} ms\"", self.lag_s[0] * 1e3));
        change("uncertainty = \"1 ms\"", format!("uncertainty = \"{} ms\"", self.lag_s[1] * 1e3));
        let calibration = format!("expanded_uncertainty = \"{} kPa\"", self.calibration_pa / 1e3);
        change("expanded_uncertainty = \"0.25 kPa\"", calibration);
        change("evacuate = \"3 s\"", String::from("evacuate = \"4.8 s\""));
        change("evacuate_fine = \"40 s\"", format!("evacuate_fine = \"{} s\"", self.throttles_s[0]));
        change("bleed = \"6 s\"", format!("bleed = \"{} s\"", self.throttles_s[1]));
        change("vent = \"0.5 s\"", String::from("vent = \"1.8 s\""));
        change("thermal = \"1 s\"", format!("thermal = \"{} s\"", self.thermal_s));
        bench.device_type = DEVICE_TYPE
            .replace("RESPONSE", &format!("{} ms", self.response_s * 1e3))
            .replace("SPREAD", &format!("{} Pa", self.repeatability_pa));
        let selected_ms = self.selected_s.map_or(0.0, |selected_s| selected_s * 1e3);
        let saving = if self.saves_air { SAVING } else { "" };
        bench.settings =
            Some(SETTINGS.replace("delay = \"0 ms\"", &format!("delay = \"{selected_ms} ms\"")) + saving);
        if self.selected_s.is_some() {
            bench.device_type = bench
                .device_type
                .replace("delays = [\"0 ms\"]", "delays = [\"0 ms\", \"20 ms\", \"200 ms\"]");
        }
        let way = self.way.map_or_else(String::new, |way| format!("way = \"{way}\"\n"));
        let response = if self.operations > 0 {
            let limit_ms = (60.0 + selected_ms).to_string();
            RESPONSE.replace("OPERATIONS", &self.operations.to_string()).replace("LIMIT", &limit_ms)
        } else {
            String::new()
        };
        let settle = format!("{} s", 6.0 * self.thermal_s);
        bench.script = SCRIPT
            .replace("SETTLE", &settle)
            .replace("cycles = 5\n", &format!("cycles = {}\n{}", self.cycles, way))
            .replace("# responds\n", &response);
        bench.positions = (1..=self.positions).collect();
        bench.truth.air.leak = LevelRate::new(self.leak_pa_per_s);
        bench.truth.faults.clear();
        bench.truth.devices = bench
            .positions
            .iter()
            .map(|&number| DeviceTruth {
                air_saving: self.saves_air.then_some(AirSavingTruth {
                    cut_off_pa: NOMINAL_VALVE_PA[0],
                    resume_pa: NOMINAL_VALVE_PA[1],
                    open_without_power: false,
                }),
                ..DeviceTruth::good(number, NOMINAL_PA[0], NOMINAL_PA[1])
            })
            .collect();
        bench
    }

    /// Draws the errors from what the sheets declare and the levels of the devices from `levels`. `steps_s` are the durations of the
    /// steps. Also drawn, though no sheet declares it: whether the drift ends before the first ramp or continues (either way within its
    /// declared value when the levels are found), and the device's share of the leak and the hose's share of the delay, from 0 to 1.
    ///
    /// # Panics
    /// If a declared value is not finite.
    pub fn draw(
        &self,
        bench: &mut Bench,
        (seed, steps_s): (u64, &[f64]),
        levels: impl Fn(&mut dyn FnMut(f64, f64) -> f64) -> [f64; 2],
    ) {
        let mut random = Pcg64Mcg::seed_from_u64(seed ^ name_number(self.name));
        let calibration = Normal::new(0.0, self.calibration_pa / 2.0).expect("a spread").sample(&mut random);
        let mut within = |low: f64, high: f64| {
            if low >= high {
                low
            } else {
                Uniform::new_inclusive(low, high).expect("a range").sample(&mut random)
            }
        };
        bench.truth.seed = seed;
        let reference = &mut bench.truth.reference;
        reference.noise_pa = self.noise_pa;
        reference.gain = 0.0;
        reference.offset_pa = within(-500.0, 500.0);
        reference.error_pa = calibration;
        reference.lag_s = within(self.lag_s[0] - self.lag_s[1], self.lag_s[0] + self.lag_s[1]);
        reference.loop_pa = [(); 2].map(|()| within(-self.hysteresis_pa, self.hysteresis_pa));
        let [zero_s, leak_s, ramps_s] = [0, 1, 2].map(|step| steps_s.get(step).copied().unwrap_or(10.0));
        let drift_pa = within(-self.drift_pa, self.drift_pa);
        if within(0.0, 1.0) < 0.5 {
            reference.drift_for_s = Some(zero_s + leak_s);
            reference.drift_pa_per_s = drift_pa / leak_s;
        } else {
            reference.drift_pa_per_s = drift_pa / (leak_s + ramps_s / 2.0);
        }
        let share = within(0.0, 1.0);
        let leak_pa_m3_per_s = self.leak_pa_per_s * VOLUME_M3 / f64::from(self.positions);
        bench.truth.air.leak = LevelRate::new(self.leak_pa_per_s * (1.0 - share));
        for device in &mut bench.truth.devices {
            [device.switch_point_pa, device.reset_point_pa] = levels(&mut within);
            // The valve output's levels are off by as much as those of the switch output.
            if let Some(saving) = &mut device.air_saving {
                saving.cut_off_pa = NOMINAL_VALVE_PA[0] + device.switch_point_pa - NOMINAL_PA[0];
                saving.resume_pa = NOMINAL_VALVE_PA[1] + device.reset_point_pa - NOMINAL_PA[1];
            }
            device.lag_s = 0.0;
            // Single crossings scatter as promised, or by a share of that.
            let share = within(self.spread_shares[0], self.spread_shares[1]);
            device.repeatability_pa = share * self.repeatability_pa / 2.0;
            device.delay_on_s = within(0.0, self.response_s);
            device.delay_off_s = within(0.0, self.response_s);
            // Any share of the delay may come from a throttling hose, with the least volume behind it that the sheet allows.
            let throttle_s = within(0.0, 1.0) * device.delay_on_s.min(device.delay_off_s).min(FASTER_S);
            device.delay_on_s -= throttle_s;
            device.delay_off_s -= throttle_s;
            let selected_s = self.selected_s.unwrap_or(0.0);
            device.delay_on_s += selected_s;
            device.delay_off_s += selected_s;
            device.hose = Some(HoseTruth {
                conductance_m3_per_s: BEHIND_M3 / throttle_s.max(1e-4),
                volume_m3: BEHIND_M3,
                leak_pa_m3_per_s: leak_pa_m3_per_s * share,
            });
        }
    }
}

/// A cell that is planned and ready for repeated runs.
#[derive(Debug)]
pub struct Ready {
    /// The cell.
    pub cell: Cell,
    /// Sheets and nominal truth of the cell.
    pub bench: Bench,
    /// The planned task.
    pub task: Task,
    steps_s: Vec<f64>,
}

impl Ready {
    /// Reads and plans the sheets of a cell, and makes one run to find the durations of its steps.
    pub fn new(cell: Cell) -> Self {
        let bench = cell.bench();
        let task = bench.task();
        let steps_s = bench.quick(&task).steps_s;
        Self { cell, bench, task, steps_s }
    }

    /// Time from the start at which a continuing drift reaches its drawn value, seconds: the leak step and half of the ramps.
    pub fn drifts_s(&self) -> f64 {
        let at = |step: usize| self.steps_s.get(step).copied().unwrap_or(0.0);
        at(1) + at(2) / 2.0
    }

    /// Runs one acceptance: draws the bench, applies `change`, and returns the bench with its results.
    pub fn run(
        &self,
        seed: u64,
        levels: impl Fn(&mut dyn FnMut(f64, f64) -> f64) -> [f64; 2],
        change: impl Fn(&mut Bench),
    ) -> (Bench, Quick) {
        let mut bench = self.bench.clone();
        self.cell.draw(&mut bench, (seed, &self.steps_s), levels);
        change(&mut bench);
        let found = bench.quick(&self.task);
        (bench, found)
    }
}

/// Levels anywhere within 70 % of the tolerance.
pub fn anywhere(within: &mut dyn FnMut(f64, f64) -> f64) -> [f64; 2] {
    NOMINAL_PA.map(|level| level + within(-0.7 * HALF_TOLERANCE_PA, 0.7 * HALF_TOLERANCE_PA))
}

/// Result for one quantity of one device, against the truth.
#[derive(Debug, Clone)]
pub struct Said {
    /// Measured value minus truth.
    pub error: f64,
    /// Stated expanded uncertainty.
    pub stated: f64,
    /// The check.
    pub check: Check,
}

/// Result for a quantity of the device at position 1; `None` if it was not measured.
pub fn said(checks: &[Check], quantity: QuantityName, truth: f64) -> Option<Said> {
    let check = checks.iter().find(|check| check.position == Some(1) && check.quantity == quantity)?;
    let measured = check.measured.as_ref()?;
    Some(Said { error: measured.value - truth, stated: measured.expanded_uncertainty, check: check.clone() })
}

/// Hash of a name, so that each cell draws different numbers.
fn name_number(name: &str) -> u64 {
    name.bytes()
        .fold(0x7269_7062, |sum, byte| sum.rotate_left(7).wrapping_mul(0x9E37_79B9).wrapping_add(byte.into()))
}

/// Calls `one` with each seed from 0 to `count` − 1 on all cores; the results in the order of the seeds.
pub fn on_all_cores<T: Send>(count: u32, one: impl Fn(u64) -> T + Sync) -> Vec<T> {
    let cores = std::thread::available_parallelism().map_or(1, NonZero::get);
    let share = |core: usize| (0..u64::from(count)).skip(core).step_by(cores);
    let parts: Vec<Vec<T>> = std::thread::scope(|scope| {
        let one = &one;
        let threads: Vec<_> =
            (0..cores).map(|core| scope.spawn(move || share(core).map(one).collect::<Vec<T>>())).collect();
        threads.into_iter().map(|thread| thread.join().unwrap_or_default()).collect()
    });
    let mut parts: Vec<_> = parts.into_iter().map(Vec::into_iter).collect();
    let mut all = Vec::new();
    loop {
        let before = all.len();
        for part in &mut parts {
            all.extend(part.next());
        }
        if all.len() == before {
            return all;
        }
    }
}

const SCRIPT: &str = r#"
name = "proving"
revision = "1"
state = "released"

[[step]]
do = "zero"

[[step]]
do = "leak"
settle = "SETTLE"
watch = "4 s"

[[step]]
do = "switch-points"
cycles = 5

# responds
[[step]]
do = "zero"
"#;

const RESPONSE: &str = "[[step]]\ndo = \"response\"\noperations = OPERATIONS\nlimit = \"LIMIT ms\"\n\n";

const SAVING: &str =
    "\n[air_saving]\ncut_off = \"70 kPa\"\nresume = \"65 kPa\"\nsupply_valve = \"closed-without-power\"\n";

const DEVICE_TYPE: &str = r#"
name = "proving"
revision = "1"
state = "released"
full_scale = "100 kPa"
digits = ["0.01 kPa"]
outputs = ["sourcing"]
modes = ["single-point", "two-point"]
power = ["20 V", "28 V"]

[promise]
accuracy = "1.49 %FS + 1 digit"
hysteresis = "3 %FS"
repeatability = "SPREAD"
response_time = "RESPONSE"
delays = ["0 ms"]

[setting]
least_deep = "5 kPa"
deepest = "95 kPa"
smallest_resume_margin = "2 kPa"
noise = "0.3 kPa"
"#;

const SETTINGS: &str = r#"
name = "proving"
type = "proving"
revision = "1"
state = "released"
unit = "kPa"

[switch]
mode = "single-point"
switch_point = "60 kPa"
reset_point = "55 kPa"
logic = "normally-open"
delay = "0 ms"
"#;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_seed_is_called_once_and_the_results_are_in_order() {
        for count in 0..20 {
            assert_eq!(on_all_cores(count, |seed| seed), (0..u64::from(count)).collect::<Vec<_>>());
        }
    }
}
