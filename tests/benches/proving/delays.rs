//! Delays: coverage of the net delay's U, and that U against the lower bound of two rates.

use crate::spread::bound;
use tripbench_measure::mean;
use tripbench_record::{Check, QuantityName, StepTask, SwitchPointsTask};
use tripbench_tests::proving::{Cell, Ready, anywhere, on_all_cores, said};

/// Ambient pressure of the simulated bench: standard atmosphere, ISO 2533.
const AMBIENT_PA: f64 = 101_325.0;

/// Least share of errors within U, and largest ratio of U to the bound of two rates.
pub(crate) fn table(devices: u32) -> (f64, f64) {
    println!("\nDelays from two rates: U against √(B1² + B2²) divided by the difference of the rates");
    println!("{:<18} {:<4} {:>8} {:>9} {:>9} {:>7}", "cell", "", "held", "U(D)", "bound", "ratio");
    let (mut least, mut largest) = (1.0_f64, 0.0_f64);
    for response_s in [20e-3, 100e-3] {
        let name = if response_s < 0.05 { "delay to 20 ms" } else { "delay to 100 ms" };
        let cell = Cell { name, response_s, lag_s: [2e-3, 0.0], ..Cell::BASE };
        let ready = Ready::new(cell);
        let Some(StepTask::SwitchPoints(task)) = ready.task.steps.get(2).map(|step| step.task.clone()) else {
            continue;
        };
        for (direction, rising) in [("on", true), ("off", false)] {
            if !task.two_rates(rising) {
                continue;
            }
            let (held, u_s, bound_s) = one(&ready, &task, rising, devices);
            println!(
                "{name:<18} {direction:<4} {:>7.2}% {:>6.2} ms {:>6.2} ms {:>7.2}",
                held * 100.0,
                u_s * 1e3,
                bound_s * 1e3,
                u_s / bound_s
            );
            least = least.min(held);
            largest = largest.max(u_s / bound_s);
        }
    }
    (least, largest)
}

fn one(ready: &Ready, task: &SwitchPointsTask, rising: bool, devices: u32) -> (f64, f64, f64) {
    let spread_pa = ready.cell.repeatability_pa / 2.0;
    let (level, delay) = if rising {
        (QuantityName::SwitchPoint, QuantityName::OnDelay)
    } else {
        (QuantityName::ResetPoint, QuantityName::OffDelay)
    };
    let found = on_all_cores(devices, |seed| {
        let (bench, found) =
            ready.run(seed, anywhere, |bench| bench.truth.devices[0].repeatability_pa = spread_pa);
        let device = &bench.truth.devices[0];
        // A narrow hose adds to the delay, depending on the pressure at the level.
        let level_pa = if rising { device.on_level_pa() } else { device.off_level_pa() };
        let throttle_s = device
            .hose
            .map_or(0.0, |hose| hose.volume_m3 / hose.conductance_m3_per_s * 50e3 / (AMBIENT_PA - level_pa));
        let own_s = if rising { device.delay_on_s } else { device.delay_off_s };
        let truth = own_s + throttle_s;
        let said = said(&found.checks, delay, truth)?;
        let level = found.checks.iter().find(|check| check.quantity == level)?;
        Some((said.error.abs() <= said.stated, said.stated, two_rate_bound(level, task, rising, spread_pa)))
    });
    let found: Vec<_> = found.into_iter().flatten().collect();
    let of = |pick: fn(&(bool, f64, f64)) -> f64| {
        mean(&found.iter().map(pick).collect::<Vec<_>>()).unwrap_or(f64::NAN)
    };
    (of(|one| f64::from(u8::from(one.0))), of(|one| one.1), of(|one| one.2))
}

/// Lower bound √(B1² + B2²)/(r2 − r1) for the crossings of one run, seconds.
fn two_rate_bound(level: &Check, task: &SwitchPointsTask, rising: bool, spread_pa: f64) -> f64 {
    let group = |slow: bool| {
        let mine: Vec<_> =
            level.crossings.iter().filter(|one| task.slow(rising).contains(one.cycle) == slow).collect();
        let average = |values: Vec<f64>| mean(&values).unwrap_or(f64::NAN);
        let width = average(mine.iter().map(|one| one.high_pa - one.low_pa).collect());
        let rate = average(mine.iter().map(|one| one.rate_pa_per_s.abs()).collect());
        let count = f64::from(u32::try_from(mine.len()).unwrap_or(0));
        (bound(width, spread_pa, count), rate)
    };
    let ((slow, low), (fast, high)) = (group(true), group(false));
    slow.hypot(fast) / (high - low)
}
