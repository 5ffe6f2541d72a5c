//! Air saving: cut-off and resume levels of ramps that the device itself stops and starts.

use tripbench_measure::mean;
use tripbench_record::QuantityName;
use tripbench_tests::Bench;
use tripbench_tests::proving::{Cell, Said, on_all_cores, said};

/// Largest bias/U of cut-off and resume level.
pub(crate) fn table(devices: u32) -> f64 {
    let mut bench = Bench::demo();
    bench.positions = vec![1];
    bench.truth.devices.truncate(1);
    bench.script = String::from(SCRIPT);
    bench.truth.reference.gain = 0.0;
    let task = bench.task();
    let steps_s = bench.quick(&task).steps_s;
    let cell = Cell { name: "air saving", ..Cell::BASE };
    let found = on_all_cores(devices, |seed| {
        let mut bench = bench.clone();
        let saving = bench.truth.devices[0].air_saving;
        let levels = [bench.truth.devices[0].switch_point_pa, bench.truth.devices[0].reset_point_pa];
        cell.draw(&mut bench, (seed, &steps_s), |_| levels);
        let Some(saving) = saving else { return [None, None] };
        let checks = bench.quick(&task).checks;
        [
            said(&checks, QuantityName::CutOff, saving.cut_off_pa),
            said(&checks, QuantityName::Resume, saving.resume_pa),
        ]
    });
    println!("\nAir saving, the device drives the valve");
    let mut largest = 0.0_f64;
    for (index, name) in ["cut-off", "resume"].into_iter().enumerate() {
        let all: Vec<&Said> = found.iter().filter_map(|both| both[index].as_ref()).collect();
        let average = |values: Vec<f64>| mean(&values).unwrap_or(f64::NAN);
        let bias = average(all.iter().map(|said| said.error).collect());
        let u = average(all.iter().map(|said| said.stated).collect());
        let held = all.iter().filter(|said| said.error.abs() <= said.stated).count();
        println!(
            "{name:<10} bias {bias:>6.1} Pa, U {u:>5.0} Pa, bias/U {:>6.3}, held {held} of {}",
            bias / u,
            all.len()
        );
        largest = largest.max((bias / u).abs());
    }
    largest
}

const SCRIPT: &str = r#"
name = "air saving"
revision = "1"
state = "released"

[[step]]
do = "zero"

[[step]]
do = "leak"

[[step]]
do = "air-saving"

[[step]]
do = "leak"

[[step]]
do = "zero"
"#;
