//! Regimes beyond the grid of `coverage`: stated and predicted U, and the share of good devices that are undecided or fail.
//! Every second device is anywhere within most of its tolerance, the others are at nominal.

use crate::coverage::quantile;
use tripbench_engine::predictions;
use tripbench_judge::{promised, verdict};
use tripbench_measure::mean;
use tripbench_record::{Check, CheckVerdict, Prediction, QuantityName, Verdict, undecided_share};
use tripbench_simulator::DeviceTruth;
use tripbench_tests::Bench;
use tripbench_tests::proving::{Cell, NOMINAL_PA, Ready, anywhere, on_all_cores};

const B: Cell = Cell::BASE;
const V: Cell = Cell { saves_air: true, ..B };

/// The regimes.
pub(crate) const CELLS: [Cell; 18] = [
    Cell { name: "no air saving", ..B },
    Cell { name: "valve levels", ..V },
    Cell { name: "selected 0 of 3", selected_s: Some(0.0), ..V },
    Cell { name: "selected 20 ms", selected_s: Some(0.02), ..V },
    Cell { name: "selected 200 ms", selected_s: Some(0.2), ..V },
    Cell { name: "noise 100 Pa, V", noise_pa: 100.0, ..V },
    Cell { name: "noise 200 Pa, V", noise_pa: 200.0, ..V },
    Cell { name: "10 bits", counts: 1_023, ..V },
    Cell { name: "12 bits", counts: 4_095, ..V },
    Cell { name: "15 bits", counts: 26_000, ..V },
    Cell { name: "converter 10 ms", converter_s: 10e-3, ..V },
    Cell { name: "converter 20 ms", converter_s: 20e-3, ..V },
    Cell { name: "both 20 ms", converter_s: 20e-3, scan_s: 20e-3, ..V },
    Cell { name: "converter 50 ms", converter_s: 50e-3, ..V },
    Cell { name: "spread 1/5 to all", spread_shares: [0.2, 1.0], ..V },
    Cell { name: "spread 1/5", spread_shares: [0.2, 0.2], ..V },
    Cell { name: "response 60 ms", operations: 5, ..V },
    Cell { name: "one response, 20 ms", operations: 1, converter_s: 20e-3, scan_s: 20e-3, ..V },
];

/// Results over all regimes.
pub(crate) struct Regimes {
    pub(crate) held_min: f64,
    pub(crate) over_needed_max: f64,
    pub(crate) undecided_nominal_max: f64,
    pub(crate) good_failed_max: f64,
    pub(crate) predicted_ratio: [f64; 2],
}

/// One acceptance.
struct Run {
    nominal: bool,
    verdict: Verdict,
    checks: Vec<Check>,
    device: DeviceTruth,
}

pub(crate) fn table(devices: u32) -> Regimes {
    println!(
        "\nRegimes, {devices} devices each: held, U, U / half of the range that contains 95 % of the errors, bias/U, predicted U / U"
    );
    let mut all = Regimes {
        held_min: 1.0,
        over_needed_max: 0.0,
        undecided_nominal_max: 0.0,
        good_failed_max: 0.0,
        predicted_ratio: [f64::INFINITY, 0.0],
    };
    let only = std::env::var("TRIPBENCH_CELL").ok();
    let known = CELLS.iter().any(|cell| only.as_deref().is_none_or(|only| cell.name.contains(only)));
    assert!(known, "no regime has a name that contains `{}`", only.unwrap_or_default());
    for cell in CELLS.iter().filter(|cell| only.as_deref().is_none_or(|only| cell.name.contains(only))) {
        let ready = Ready::new(*cell);
        let foreseen = predictions(&ready.task);
        let runs = runs(&ready, devices);
        println!("{}", cell.name);
        for quantity in [
            QuantityName::SwitchPoint,
            QuantityName::ResetPoint,
            QuantityName::Hysteresis,
            QuantityName::CutOff,
            QuantityName::Resume,
            QuantityName::OnDelay,
            QuantityName::OffDelay,
            QuantityName::CutOffDelay,
            QuantityName::ResumeDelay,
            QuantityName::ResponseOn,
            QuantityName::ResponseOff,
        ] {
            all.row(&runs, &foreseen, quantity);
        }
        all.shares(&runs, &foreseen);
    }
    all
}

fn runs(ready: &Ready, devices: u32) -> Vec<Run> {
    let wanted = promised(&ready.task);
    on_all_cores(devices, |seed| {
        let nominal = seed % 2 == 1;
        let levels =
            |within: &mut dyn FnMut(f64, f64) -> f64| if nominal { NOMINAL_PA } else { anywhere(within) };
        // The drift stops at its declared value: beyond it the rig is at fault and no device is judged.
        let rests_s = ready.drifts_s();
        let rest = |bench: &mut Bench| {
            let reference = &mut bench.truth.reference;
            reference.drift_for_s = Some(reference.drift_for_s.unwrap_or(rests_s).min(rests_s));
        };
        let (bench, found) = ready.run(seed, levels, rest);
        let verdict = verdict(&ready.task, 1, &found.checks, &[], found.halted.as_ref());
        assert!(!wanted.is_empty(), "the task promises no checks");
        Run { nominal, verdict, checks: found.checks, device: bench.truth.devices[0].clone() }
    })
}

/// True value of a quantity; `None` if the simulator has none.
fn truth(device: &DeviceTruth, quantity: QuantityName) -> Option<f64> {
    let saving = device.air_saving;
    let truths = [
        (QuantityName::SwitchPoint, Some(device.on_level_pa())),
        (QuantityName::ResetPoint, Some(device.off_level_pa())),
        (QuantityName::Hysteresis, Some(device.on_level_pa() - device.off_level_pa())),
        (QuantityName::CutOff, saving.map(|saving| saving.cut_off_pa)),
        (QuantityName::Resume, saving.map(|saving| saving.resume_pa)),
    ];
    truths.into_iter().find(|(name, _)| *name == quantity).and_then(|(_, truth)| truth)
}

impl Regimes {
    fn row(&mut self, runs: &[Run], foreseen: &[Prediction], quantity: QuantityName) {
        let said: Vec<(f64, f64)> = runs
            .iter()
            .filter_map(|run| {
                let check = run
                    .checks
                    .iter()
                    .find(|check| check.quantity == quantity && check.position == Some(1))?;
                let measured = check.measured.as_ref()?;
                let error = truth(&run.device, quantity).map_or(f64::NAN, |truth| measured.value - truth);
                Some((error, measured.expanded_uncertainty))
            })
            .collect();
        let Some(stated) = mean(&said.iter().map(|(_, u)| *u).collect::<Vec<_>>()) else { return };
        let unit = if quantity.is_delay() || stated < 1.0 { (1e3, "ms") } else { (1.0, "Pa") };
        let ahead =
            foreseen.iter().find(|one| one.quantity == quantity).map(|one| one.expanded_uncertainty / stated);
        if let Some(ratio) = ahead {
            self.predicted_ratio = [self.predicted_ratio[0].min(ratio), self.predicted_ratio[1].max(ratio)];
        }
        let ahead = ahead.map_or_else(|| String::from("-"), |ratio| format!("{ratio:.2}"));
        let mut errors: Vec<f64> =
            said.iter().map(|(error, _)| *error).filter(|error| error.is_finite()).collect();
        let name = quantity.word();
        if errors.is_empty() {
            println!(
                "  {name:<14} {:>9} U {:>7.1} {}  {:>17} predicted {ahead}",
                "",
                stated * unit.0,
                unit.1,
                ""
            );
            return;
        }
        errors.sort_by(f64::total_cmp);
        let share = share(said.iter().filter(|(error, u)| error.abs() <= *u).count(), said.len());
        let needed = (quantile(&errors, 0.975) - quantile(&errors, 0.025)) / 2.0;
        let bias = mean(&errors).unwrap_or(f64::NAN) / stated;
        println!(
            "  {name:<14} {:>7.2} % U {:>7.1} {}  {:>7.3} {bias:>8.3} predicted {ahead}{}",
            share * 100.0,
            stated * unit.0,
            unit.1,
            stated / needed,
            if said.len() < runs.len() {
                format!(" ({} of {})", said.len(), runs.len())
            } else {
                String::new()
            }
        );
        self.held_min = self.held_min.min(share);
        self.over_needed_max = self.over_needed_max.max(stated / needed);
    }

    fn shares(&mut self, runs: &[Run], foreseen: &[Prediction]) {
        let nominal: Vec<&Run> = runs.iter().filter(|run| run.nominal).collect();
        let of = |wanted: Verdict| {
            share(nominal.iter().filter(|run| run.verdict == wanted).count(), nominal.len())
        };
        let failed = share(runs.iter().filter(|run| run.verdict == Verdict::Fail).count(), runs.len());
        let [at_nominal, _] = undecided_share(foreseen);
        let mut why: Vec<(QuantityName, usize)> = Vec::new();
        for run in nominal.iter().filter(|run| run.verdict == Verdict::Undecided) {
            for check in run.checks.iter().filter(|check| {
                matches!(check.verdict, CheckVerdict::Undecided | CheckVerdict::NotMet)
                    && !check.not_checked()
            }) {
                match why.iter_mut().find(|(quantity, _)| *quantity == check.quantity) {
                    Some((_, count)) => *count += 1,
                    None => why.push((check.quantity, 1)),
                }
            }
        }
        let why: Vec<String> = why.iter().map(|(quantity, count)| format!("{count} {quantity}")).collect();
        println!(
            "  at nominal passed {:.1} %, undecided {:.2} % (predicted {:.2} %), failed of all {:.2} %  {}",
            of(Verdict::Pass) * 100.0,
            of(Verdict::Undecided) * 100.0,
            at_nominal * 100.0,
            failed * 100.0,
            why.join(", ")
        );
        for (seed, run) in runs.iter().enumerate().filter(|(_, run)| run.verdict == Verdict::Fail) {
            for check in run.checks.iter().filter(|check| check.verdict == CheckVerdict::Fail) {
                println!(
                    "  failed: seed {seed}, {} {:?} {:?} {:?} {:?}",
                    check.quantity,
                    check.measured.as_ref().map(|m| (m.value, m.expanded_uncertainty)),
                    check.limits,
                    check.remark,
                    run.device
                );
            }
        }
        self.good_failed_max = self.good_failed_max.max(failed);
        // A regime with 2 % or more predicted as undecided does not count: the user is told before the run.
        if at_nominal < 0.02 {
            self.undecided_nominal_max = self.undecided_nominal_max.max(of(Verdict::Undecided));
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "thousands")]
fn share(count: usize, of: usize) -> f64 {
    count as f64 / of.max(1) as f64
}
