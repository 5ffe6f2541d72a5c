//! Efficiency of the estimate: the spread of the level, with only edge and repeatability unknown, against the lower bound B(n)
//! for crossings at random phases.

use tripbench_measure::{mean, standard_deviation};
use tripbench_record::QuantityName;
use tripbench_simulator::ReferenceTruth;
use tripbench_tests::proving::{Cell, NOMINAL_PA, Ready, on_all_cores, said};

/// Pairs of s/w and g(w/s), the information of one crossing (`docs/figures.md`, "Bounds that it compares with").
const G: [(f64, f64); 7] =
    [(0.05, 0.090), (0.10, 0.181), (0.164, 0.296), (0.20, 0.361), (0.30, 0.530), (0.50, 0.751), (1.0, 0.923)];

/// Lower bound B(n) of the standard deviation of a level from `count` crossings at random phase, with intervals of this width and
/// this spread (`docs/figures.md`).
pub(crate) fn bound(width: f64, spread: f64, count: f64) -> f64 {
    let edge = width / (2.0 * (count + 1.0) * (count + 2.0)).sqrt();
    let share = spread / width;
    let g = match G.iter().position(|(known, _)| share <= *known + 1e-9) {
        // For small s/w the limit g(h) = 1.806/h with h = w/s.
        Some(0) => 1.806 * share,
        Some(index) => {
            let ((low, below), (high, above)) = (G[index - 1], G[index]);
            below + (above - below) * (share - low) / (high - low)
        }
        None => 1.0,
    };
    edge.max(spread / (count * g).sqrt())
}

/// Results over all cells.
pub(crate) struct Spread {
    /// Largest ratio of the spread to its bound for random phases.
    pub(crate) ratio: f64,
    /// Least share of errors within U.
    pub(crate) held: f64,
    /// Spread with five ramps and almost no scatter, divided by that of the mean of five at random phases.
    pub(crate) planned: f64,
}

/// Compares the spread with its bound, and counts the coverage in the same cells.
pub(crate) fn table(devices: u32) -> Spread {
    println!("\nSpread of the level against B(n): only edge and repeatability unknown");
    println!(
        "{:>3} {:>6} {:>9} {:>9} {:>7} {:>15} {:>7}",
        "n", "s/w", "sd", "B(n)", "ratio", "of limit/sqrt n", "held"
    );
    let (mut largest, mut least, mut planned) = (0.0_f64, 1.0_f64, f64::NAN);
    for count in [1_u16, 5, 10] {
        for share in [0.02, 0.1, 0.3, 1.0] {
            let (sd, limit, width, held) = one(count, share, devices);
            let of_mean = sd / (width / (12.0 * f64::from(count)).sqrt());
            println!(
                "{count:>3} {share:>6.2} {sd:>6.2} Pa {limit:>6.2} Pa {:>7.3} {of_mean:>15.3} {:>6.2}%",
                sd / limit,
                held * 100.0
            );
            largest = largest.max(sd / limit);
            least = least.min(held);
            if count == 5 && share <= 0.02 {
                planned = of_mean;
            }
        }
    }
    Spread { ratio: largest, held: least, planned }
}

fn one(count: u16, share: f64, devices: u32) -> (f64, f64, f64, f64) {
    // Rate at 60 kPa with an ultimate vacuum of 90 kPa and a time constant of 4.8 s, times a scan of 5 ms.
    let width_pa = (90e3 - NOMINAL_PA[0]) / 4.8 * 5e-3;
    let spread_pa = share * width_pa;
    let cell = Cell {
        name: "spread",
        lag_s: [2e-3, 0.0],
        noise_pa: 1.0,
        drift_pa: 0.0,
        hysteresis_pa: 0.0,
        calibration_pa: 0.02,
        response_s: 1e-6,
        repeatability_pa: 2.0 * spread_pa,
        cycles: count,
        way: Some("full-flow"),
        ..Cell::BASE
    };
    let ready = Ready::new(cell);
    let found = on_all_cores(devices, |seed| {
        let (bench, found) = ready.run(
            seed,
            |within| NOMINAL_PA.map(|level| level + within(-500.0, 500.0)),
            |bench| {
                let reference = &mut bench.truth.reference;
                *reference = ReferenceTruth { lag_s: 2e-3, noise_pa: 1.0, ..ReferenceTruth::default() };
                bench.truth.devices[0].repeatability_pa = spread_pa;
                (bench.truth.devices[0].delay_on_s, bench.truth.devices[0].delay_off_s) = (0.0, 0.0);
            },
        );
        said(&found.checks, QuantityName::SwitchPoint, bench.truth.devices[0].on_level_pa())
    });
    let found: Vec<_> = found.into_iter().flatten().collect();
    let errors: Vec<f64> = found.iter().map(|said| said.error).collect();
    let widths: Vec<f64> = found
        .iter()
        .flat_map(|said| &said.check.crossings)
        .map(|crossing| crossing.high_pa - crossing.low_pa)
        .collect();
    let held = found.iter().filter(|said| said.error.abs() <= said.stated).count();
    let width = mean(&widths).unwrap_or(f64::NAN);
    #[expect(clippy::cast_precision_loss, reason = "thousands")]
    let held = held as f64 / found.len().max(1) as f64;
    (standard_deviation(&errors).unwrap_or(f64::NAN), bound(width, spread_pa, f64::from(count)), width, held)
}
