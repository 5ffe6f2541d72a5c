//! Are the stated uncertainties true? Devices and references drawn from what the sheets declare, against the simulator's truth.

use rand_core::SeedableRng;
use rand_distr::{Distribution, Normal, Uniform};
use rand_pcg::Pcg64Mcg;
use tripbench_record::{Check, CheckVerdict, QuantityName};
use tripbench_simulator::{DeviceTruth, ReferenceTruth};
use tripbench_tests::Bench;
use tripbench_tests::proving::on_all_cores;

const DEVICES: u32 = 400;
/// With an exact 95 % interval, fewer than this number of 400 are held with a probability of 0.7 % (binomial).
const LEAST_HELD: usize = 369;

/// Errors and stated uncertainties of one level, pascal.
#[derive(Default)]
struct Errors {
    errors: Vec<f64>,
    stated: Vec<f64>,
}

impl Errors {
    fn take(&mut self, checks: &[Check], quantity: QuantityName, true_pa: f64) {
        let check = checks.iter().find(|check| check.quantity == quantity).expect("the check");
        let measured = check.measured.as_ref().expect("measured");
        self.errors.push(measured.value - true_pa);
        self.stated.push(measured.expanded_uncertainty);
    }

    fn held(&self) -> usize {
        self.errors.iter().zip(&self.stated).filter(|(error, stated)| error.abs() <= **stated).count()
    }

    /// Mean stated uncertainty divided by twice the standard deviation of the errors.
    fn ratio(&self) -> f64 {
        let mean = tripbench_measure::mean(&self.stated).expect("some");
        mean / (2.0 * tripbench_measure::standard_deviation(&self.errors).expect("some"))
    }
}

/// A bench with one device, everything drawn from the distributions that the demo's sheets declare.
fn drawn(seed: u64) -> Bench {
    let mut random = Pcg64Mcg::seed_from_u64(seed);
    let mut within =
        |low: f64, high: f64| Uniform::new_inclusive(low, high).expect("a range").sample(&mut random);
    let (on, off) = (60e3 + within(-1_100.0, 1_100.0), 55e3 + within(-1_100.0, 1_100.0));
    let (delay_on, delay_off) = (within(0.0, 6e-3), within(0.0, 6e-3));
    let lag_s = within(1e-3, 3e-3);
    // The drift is declared for a run, which lasts about 42 s.
    let drift_pa_per_s = within(-50.0, 50.0) / 42.0;
    let (offset_pa, repeatability_pa) = (within(-500.0, 500.0), within(0.0, 100.0));
    // Expanded uncertainty 0.25 kPa with k = 2, as a gain error that shows at the level.
    let gain = Normal::new(0.0, 125.0 / 60e3).expect("a spread").sample(&mut random);
    let mut bench = Bench::demo();
    bench.positions = vec![1];
    bench.truth.seed = seed;
    bench.truth.reference = ReferenceTruth {
        offset_pa,
        gain,
        lag_s,
        drift_pa_per_s,
        noise_pa: 20.0,
        ..ReferenceTruth::default()
    };
    let device = DeviceTruth {
        lag_s: 0.0,
        repeatability_pa,
        delay_on_s: delay_on,
        delay_off_s: delay_off,
        air_saving: bench.truth.devices[0].air_saving,
        ..DeviceTruth::good(1, on, off)
    };
    bench.truth.devices = vec![device];
    bench
}

#[test]
fn the_levels_of_four_hundred_devices_lie_within_what_is_stated() {
    let (mut on, mut off, mut hysteresis) = (Errors::default(), Errors::default(), Errors::default());
    let mut late = 0;
    // The sheets are the same for all.
    let task = drawn(0).task();
    let all = on_all_cores(DEVICES, |seed| {
        let bench = drawn(seed);
        (bench.truth.devices[0].clone(), bench.quick(&task).checks)
    });
    for (device, checks) in all {
        on.take(&checks, QuantityName::SwitchPoint, device.on_level_pa());
        off.take(&checks, QuantityName::ResetPoint, device.off_level_pa());
        let is_late = |check: &Check| {
            check.quantity == QuantityName::OffDelay && check.verdict != CheckVerdict::Measured
        };
        late += u32::from(checks.iter().any(is_late));
        hysteresis.take(&checks, QuantityName::Hysteresis, device.on_level_pa() - device.off_level_pa());
    }
    for (name, found) in [("on", &on), ("off", &off), ("hysteresis", &hysteresis)] {
        println!("{name}: {} of {DEVICES} held, mean U / 2 sd = {:.3}", found.held(), found.ratio());
    }
    for found in [&on, &off] {
        assert!(found.held() >= LEAST_HELD, "{} held", found.held());
        assert!(found.ratio() <= 1.35, "{}", found.ratio());
    }
    println!("{late} of {DEVICES} outputs were called late, none was later than promised");
    assert!(late <= 10, "{late} of {DEVICES} outputs were called late");
    assert!(hysteresis.held() >= LEAST_HELD, "{} held", hysteresis.held());
}

// Ramp identity, closed form: apparent on = L_on + r D_on, apparent off = L_off - r D_off, apparent H = H + r (D_on + D_off) for ramps
// of rate r and delays D. Without a settings sheet no delay is subtracted, so the apparent levels are stated.
#[test]
fn an_unknown_devices_levels_are_apparent_by_rate_times_delay() {
    const DELAY_ON_S: f64 = 0.050;
    const DELAY_OFF_S: f64 = 0.030;
    let mut bench = Bench::demo();
    bench.settings = None;
    bench.script = tripbench_tests::sheet_text("scripts/look.toml");
    bench.positions = vec![1];
    bench.truth.reference = ReferenceTruth { lag_s: 2e-3, noise_pa: 5.0, ..ReferenceTruth::default() };
    let device = DeviceTruth {
        lag_s: 0.0,
        repeatability_pa: 0.0,
        delay_on_s: DELAY_ON_S,
        delay_off_s: DELAY_OFF_S,
        ..DeviceTruth::good(1, 60e3, 55e3)
    };
    bench.truth.devices = vec![device];
    let record = bench.run().record;
    let found = |quantity: QuantityName| {
        let check =
            record.positions[0].checks.iter().find(|check| check.quantity == quantity).expect("the check");
        let rates: Vec<f64> = check.crossings.iter().map(|crossing| crossing.rate_pa_per_s.abs()).collect();
        (
            check.measured.as_ref().expect("measured").value,
            tripbench_measure::mean(&rates).unwrap_or_default(),
        )
    };
    let (on, rate_on) = found(QuantityName::SwitchPoint);
    let (off, rate_off) = found(QuantityName::ResetPoint);
    let (hysteresis, _) = found(QuantityName::Hysteresis);
    // The shift itself is 300 to 700 Pa; an edge is known to about 6 ms, a fifth of that.
    let near =
        |found: f64, expected: f64| assert!((found - expected).abs() < 50.0, "{found} instead of {expected}");
    assert!(rate_on * DELAY_ON_S > 300.0 && rate_off * DELAY_OFF_S > 200.0);
    near(on, 60e3 + rate_on * DELAY_ON_S);
    near(off, 55e3 - rate_off * DELAY_OFF_S);
    near(hysteresis, 5e3 + rate_on * DELAY_ON_S + rate_off * DELAY_OFF_S);
}
