//! Coverage of U: for each cell the share of errors within U, the size of U compared with the errors, and their bias.

use tripbench_measure::mean;
use tripbench_record::QuantityName;
use tripbench_tests::proving::{Cell, Ready, Said, anywhere, on_all_cores, said};

/// Results over all cells.
pub(crate) struct Coverage {
    pub(crate) least: f64,
    pub(crate) pooled: f64,
    pub(crate) over_ideal: f64,
    pub(crate) bias: f64,
    pub(crate) runs: u32,
}

const B: Cell = Cell::BASE;

/// The grid: the base cell, then cells that differ from it in one parameter.
pub(crate) const CELLS: [Cell; 17] = [
    B,
    Cell { name: "scan 1 ms", scan_s: 1e-3, ..B },
    Cell { name: "scan 20 ms", scan_s: 20e-3, ..B },
    Cell { name: "scan 50 ms", scan_s: 50e-3, ..B },
    Cell { name: "lag 10 ± 5 ms", lag_s: [10e-3, 5e-3], ..B },
    Cell { name: "lag 2 ± 0 ms", lag_s: [2e-3, 0.0], ..B },
    Cell { name: "noise 5 Pa", noise_pa: 5.0, ..B },
    Cell { name: "noise 100 Pa", noise_pa: 100.0, ..B },
    Cell { name: "leak 100 Pa/s", leak_pa_per_s: 100.0, ..B },
    Cell { name: "drift 150 Pa", drift_pa: 150.0, ..B },
    Cell { name: "thermal 3 s", thermal_s: 3.0, ..B },
    Cell { name: "16 positions", positions: 16, ..B },
    Cell { name: "delay to 20 ms", response_s: 20e-3, ..B },
    Cell { name: "delay to 100 ms", response_s: 100e-3, ..B },
    Cell { name: "spread 300 Pa", repeatability_pa: 300.0, ..B },
    Cell { name: "calibration 20 Pa", calibration_pa: 20.0, ..B },
    Cell { name: "10 ramps", cycles: 10, ..B },
];

/// One row of the table: one quantity in one cell.
struct Row {
    held: f64,
    over_ideal: f64,
    bias: f64,
    /// Name and coverage factor of a contribution that is over 1.9 times all others together.
    dominant: Option<String>,
    stated: f64,
}

pub(crate) fn table(devices: u32) -> Coverage {
    println!(
        "{devices} devices in a cell; U is the stated one, ideal is half of the range that contains 95 % of the errors"
    );
    println!(
        "{:<18} {:<10} {:>7} {:>9} {:>8} {:>8}  dominant contribution",
        "cell", "quantity", "held", "U", "U/ideal", "bias/U"
    );
    let mut all: Vec<Row> = Vec::new();
    for cell in &CELLS {
        for (name, found) in ["on", "off", "hysteresis"].into_iter().zip(run(cell, devices)) {
            let row = row(&found);
            println!(
                "{:<18} {name:<10} {:>6.2}% {:>6.0} Pa {:>8.3} {:>8.3}  {}{}",
                cell.name,
                row.held * 100.0,
                row.stated,
                row.over_ideal,
                row.bias,
                row.dominant.as_deref().unwrap_or_default(),
                if found.len() < devices as usize {
                    format!(" ({} measured)", found.len())
                } else {
                    String::new()
                }
            );
            all.push(row);
        }
    }
    let free = all.iter().filter(|row| row.dominant.is_none());
    Coverage {
        least: all.iter().map(|row| row.held).fold(1.0, f64::min),
        pooled: mean(&all.iter().map(|row| row.held).collect::<Vec<_>>()).unwrap_or(0.0),
        over_ideal: free.map(|row| row.over_ideal).fold(0.0, f64::max),
        bias: all.iter().map(|row| row.bias.abs()).fold(0.0, f64::max),
        runs: devices * u32::try_from(CELLS.len()).unwrap_or(1),
    }
}

/// Largest bias/U of the levels with the lag of the reference at either end of its declared range.
pub(crate) fn lag_at_its_ends(devices: u32) -> f64 {
    println!("\nThe lag at either end of its declared range, everything else drawn");
    let mut largest = 0.0_f64;
    for (name, share) in [("least lag", -1.0), ("longest lag", 1.0)] {
        for cell in [Cell { name, ..B }, Cell { name, lag_s: [10e-3, 5e-3], ..B }] {
            let ready = Ready::new(cell);
            let lag_s = cell.lag_s[0] + share * cell.lag_s[1];
            let found = on_all_cores(devices, |seed| {
                let (bench, found) = ready.run(seed, anywhere, |bench| bench.truth.reference.lag_s = lag_s);
                let device = &bench.truth.devices[0];
                let wanted = [
                    (QuantityName::SwitchPoint, device.on_level_pa()),
                    (QuantityName::ResetPoint, device.off_level_pa()),
                ];
                wanted.map(|(quantity, truth)| said(&found.checks, quantity, truth))
            });
            for (index, quantity) in ["on", "off"].into_iter().enumerate() {
                let all: Vec<Said> = found.iter().filter_map(|both| both[index].clone()).collect();
                let row = row(&all);
                println!("{:<18} {quantity:<10} bias/U {:>7.3}", format!("{:.0} ms", lag_s * 1e3), row.bias);
                largest = largest.max(row.bias.abs());
            }
        }
    }
    largest
}

/// Results for switch point, reset point and hysteresis.
fn run(cell: &Cell, devices: u32) -> [Vec<Said>; 3] {
    let ready = Ready::new(*cell);
    let found = on_all_cores(devices, |seed| {
        let (bench, found) = ready.run(seed, anywhere, |_| {});
        let device = &bench.truth.devices[0];
        let (on, off) = (device.on_level_pa(), device.off_level_pa());
        let wanted = [
            (QuantityName::SwitchPoint, on),
            (QuantityName::ResetPoint, off),
            (QuantityName::Hysteresis, on - off),
        ];
        wanted.map(|(quantity, truth)| said(&found.checks, quantity, truth))
    });
    let mut all = [Vec::new(), Vec::new(), Vec::new()];
    for one in found {
        all.iter_mut().zip(one).for_each(|(all, said)| all.extend(said));
    }
    all
}

fn row(found: &[Said]) -> Row {
    let mut errors: Vec<f64> = found.iter().map(|said| said.error).collect();
    errors.sort_by(f64::total_cmp);
    let stated = mean(&found.iter().map(|said| said.stated).collect::<Vec<_>>()).unwrap_or(f64::NAN);
    let held = found.iter().filter(|said| said.error.abs() <= said.stated).count();
    #[expect(clippy::cast_precision_loss, reason = "thousands")]
    let held = held as f64 / found.len().max(1) as f64;
    let ideal = (quantile(&errors, 0.975) - quantile(&errors, 0.025)) / 2.0;
    Row {
        held,
        over_ideal: stated / ideal,
        bias: mean(&errors).unwrap_or(f64::NAN) / stated,
        dominant: found.first().and_then(dominant),
        stated,
    }
}

/// Quantile of sorted values, interpolated linearly; NaN without values.
pub(crate) fn quantile(sorted: &[f64], share: f64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "thousands")]
    let at = share * sorted.len().saturating_sub(1) as f64;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index")]
    let index = at as usize;
    match (sorted.get(index), sorted.get(index + 1)) {
        (Some(low), Some(high)) => low + (high - low) * at.fract(),
        (Some(last), None) => *last,
        (None, _) => f64::NAN,
    }
}

/// The largest contribution, if it is over 1.9 times all others together.
fn dominant(said: &Said) -> Option<String> {
    const OVER: f64 = 1.9;
    let measured = said.check.measured.as_ref()?;
    let whole: f64 = measured.contributions.iter().map(|part| part.standard_uncertainty.powi(2)).sum();
    let largest = measured
        .contributions
        .iter()
        .max_by(|a, b| a.standard_uncertainty.total_cmp(&b.standard_uncertainty))?;
    let rest = (whole - largest.standard_uncertainty.powi(2)).max(0.0).sqrt();
    (largest.standard_uncertainty > OVER * rest)
        .then(|| format!("{} (k = {:.2})", largest.name, measured.coverage_factor))
}
