//! Duration of the plan's ramps, compared at the same U with one constant rate from ambient or inside the window, and with the
//! minimum that pump and valves allow.

use rand_core::SeedableRng;
use rand_distr::{Distribution, Normal, Uniform};
use rand_pcg::Pcg64Mcg;
use tripbench_measure::{Contribution, CrossingInterval, combine, mean, posterior};
use tripbench_record::{Measured, QuantityName};
use tripbench_tests::proving::{Cell, HALF_TOLERANCE_PA, NOMINAL_PA, Ready, on_all_cores, said};

/// Ratios of durations.
pub(crate) struct Speed {
    pub(crate) full: [f64; 2],
    pub(crate) window: f64,
    pub(crate) floor: f64,
}

/// Time for a change of valves on the simulated rig, command and valve travel together, seconds.
const CHANGE_S: f64 = 0.03;
/// Factor by which U of the constant rate may exceed that of the plan: a choice of this benchmark.
const SAME: f64 = 1.02;
/// Deep end of the window: 0.5 kPa beyond the switch point's deeper limit.
const TOP_PA: f64 = NOMINAL_PA[0] + HALF_TOLERANCE_PA + 500.0;
const BOTTOM_PA: f64 = NOMINAL_PA[1] - HALF_TOLERANCE_PA - 500.0;
const ULTIMATE_PA: f64 = 90e3;
const EVACUATE_S: f64 = 4.8;
const VENT_PA_PER_S: f64 = 30e3;

pub(crate) fn table() -> Speed {
    println!(
        "\nSpeed at the same U, 5 ramps: this plan, one constant rate ambient to top to ambient, one constant rate"
    );
    println!("inside the windows with full flow between them, and the floor of pump and vent");
    println!(
        "{:<12} {:>9} {:>8} {:>16} {:>16} {:>8} {:>6} {:>6} {:>6}",
        "delay to", "U", "plan", "0-top-0", "window", "floor", "full", "window", "floor"
    );
    let rows = [20e-3, 100e-3].map(row);
    Speed {
        full: rows.map(|row| row[0]),
        window: rows[0][1].min(rows[1][1]),
        floor: rows[0][2].max(rows[1][2]),
    }
}

fn row(response_s: f64) -> [f64; 3] {
    const RUNS: u32 = 40;
    let name = if response_s < 0.05 { "20 ms" } else { "100 ms" };
    let cell = Cell {
        name,
        response_s,
        drift_pa: 0.0,
        hysteresis_pa: 0.0,
        repeatability_pa: 20.0,
        throttles_s: [9.6, 6.0],
        ..Cell::BASE
    };
    let ready = Ready::new(cell);
    let runs = on_all_cores(RUNS, |seed| {
        let (_, found) = ready.run(seed, |_| NOMINAL_PA, |_| {});
        let both = [QuantityName::SwitchPoint, QuantityName::ResetPoint]
            .map(|quantity| said(&found.checks, quantity, 0.0).and_then(|said| said.check.measured));
        // The leak step already contains the first pull: add it here.
        (pull(0.0, TOP_PA) + found.steps_s[2], both)
    });
    let average = |values: Vec<f64>| mean(&values).unwrap_or(f64::NAN);
    // The fall to ambient at the end is added to all but the constant rate from ambient, which includes it.
    let vent_s = TOP_PA / VENT_PA_PER_S;
    let plan_s = average(runs.iter().map(|run| run.0).collect()) + vent_s;
    let of = |index: usize| runs.iter().filter_map(move |run| run.1[index].clone());
    let u_pa = [0, 1].map(|index| average(of(index).map(|measured| measured.expanded_uncertainty).collect()));
    let budget: Vec<Measured> = of(0).take(1).collect();
    let allowed = SAME * u_pa[0].max(u_pa[1]);
    let fastest_pump = (ULTIMATE_PA - TOP_PA) / EVACUATE_S;
    let rate = fastest_rate(&cell, &budget, allowed).min(fastest_pump);
    let full_s = 5.0 * (2.0 * TOP_PA / rate + 2.0 * CHANGE_S);
    let window_pa = 2.0 * HALF_TOLERANCE_PA + 1_000.0;
    let between_s = pull(NOMINAL_PA[1] + 2_000.0, NOMINAL_PA[0] - 2_000.0) + 1_000.0 / VENT_PA_PER_S;
    let window_s = pull(0.0, BOTTOM_PA)
        + 5.0
            * (2.0 * window_pa / rate
                + pull(BOTTOM_PA, NOMINAL_PA[1] + 2_000.0)
                + between_s
                + 4.0 * CHANGE_S)
        + vent_s;
    let floor_s = pull(0.0, TOP_PA)
        + 4.0 * ((TOP_PA - BOTTOM_PA) / VENT_PA_PER_S + pull(BOTTOM_PA, TOP_PA) + 2.0 * CHANGE_S)
        + CHANGE_S
        + vent_s;
    println!(
        "{name:<12} {:>6.0} Pa {plan_s:>6.1} s {full_s:>6.1} s {:>5.2} kPa/s {window_s:>5.1} s {:>5.2} kPa/s {floor_s:>6.1} s {:>6.2} {:>6.2} {:>6.2}",
        u_pa[0].max(u_pa[1]),
        rate / 1e3,
        rate / 1e3,
        full_s / plan_s,
        window_s / plan_s,
        plan_s / floor_s
    );
    [full_s / plan_s, window_s / plan_s, plan_s / floor_s]
}

/// Duration of a pull at full flow between two levels, seconds.
fn pull(from: f64, to: f64) -> f64 {
    EVACUATE_S * ((ULTIMATE_PA - from) / (ULTIMATE_PA - to)).ln()
}

/// Fastest constant rate at which the same estimator states at most the allowed U, pascal per second.
fn fastest_rate(cell: &Cell, budget: &[Measured], allowed_pa: f64) -> f64 {
    let (mut slow, mut fast) = (50.0, 50e3);
    for _ in 0..24 {
        let middle = f64::midpoint(slow, fast);
        if stated(cell, budget, middle) <= allowed_pa { slow = middle } else { fast = middle }
    }
    slow
}

/// Mean U for crossings at one constant rate, pascal: the same likelihood, with the other contributions from the plan's budget.
fn stated(cell: &Cell, budget: &[Measured], rate: f64) -> f64 {
    const SETS: u64 = 20;
    let all = (0..SETS).filter_map(|seed| {
        let mut random = Pcg64Mcg::seed_from_u64(seed);
        let spread = Normal::new(0.0, cell.repeatability_pa / 4.0).ok()?;
        let phase = Uniform::new(0.0, 1.0).ok()?;
        let width = rate * cell.scan_s;
        let crossings: Vec<CrossingInterval> = (0..cell.cycles)
            .map(|_| {
                let low_pa = spread.sample(&mut random) - width * phase.sample(&mut random);
                // Uncertainty of the fitted level from the noise of 40 samples around the edge.
                CrossingInterval {
                    low_pa,
                    high_pa: low_pa + width,
                    fit_pa: cell.noise_pa / 40f64.sqrt() * 1.5,
                }
            })
            .collect();
        let found = posterior(&crossings, cell.repeatability_pa / 2.0)?;
        let fixed = budget.first()?.contributions.iter().filter(|part| {
            !(part.name.starts_with("crossings")
                || part.name.starts_with("delay")
                || part.name.starts_with("lag"))
        });
        let mut contributions: Vec<Contribution> = fixed.cloned().collect();
        contributions.push(Contribution::intervals("crossings", &found.density, crossings.len()));
        contributions.push(Contribution::rectangular("delay", rate * cell.response_s / 2.0));
        contributions.push(Contribution::rectangular("lag", rate * cell.lag_s[1]));
        combine(0.0, 0.0, contributions).ok().map(|result| result.expanded_uncertainty)
    });
    mean(&all.collect::<Vec<_>>()).unwrap_or(f64::INFINITY)
}
