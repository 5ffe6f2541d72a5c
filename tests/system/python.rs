//! The other side of the wire by somebody else: pymodbus as client of the simulated rig, and as server for a run.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use tripbench_rig::RigSheet;
use tripbench_simulator::{SimulatedBench, Truth, serve};
use tripbench_tests::command::Workplace;
use tripbench_tests::{good, sheet_text};

/// The python that `tests/run` has set up. Without it the test is skipped and says so; in CI that is a failure.
#[expect(clippy::print_stdout, reason = "a test that is skipped says so")]
fn python() -> Option<PathBuf> {
    let python = std::env::var_os("TRIPBENCH_PYTHON").map(PathBuf::from);
    assert!(
        python.is_some() || std::env::var_os("CI").is_none(),
        "TRIPBENCH_PYTHON is not set: run tests/run"
    );
    if python.is_none() {
        println!("SKIPPED: TRIPBENCH_PYTHON is not set; tests/run sets it up");
    }
    python
}

fn script(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("python").join(name)
}

#[test]
fn pymodbus_reads_and_drives_the_simulated_rig() {
    let Some(python) = python() else { return };
    let rig = good(&sheet_text("rigs/goods-in-1.toml"), RigSheet::read);
    let truth = good(&sheet_text("simulated/four-devices.toml"), |reader| Truth::read(reader, &rig));
    let server = serve(SimulatedBench::new(&rig, truth), ([127, 0, 0, 1], 0).into()).expect("a port");
    let address = server.address();
    let output = Command::new(python)
        .arg(script("client.py"))
        .args([address.ip().to_string(), address.port().to_string()])
        .output()
        .expect("python starts");
    let said =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.contains("pymodbus agrees"), "{said}");
}

/// A server in python; ended when dropped.
struct Served(Child);

impl Drop for Served {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

#[test]
fn a_run_against_a_pymodbus_server_finds_its_levels() {
    let Some(python) = python() else { return };
    let mut child =
        Command::new(python).arg(script("server.py")).stdout(Stdio::piped()).spawn().expect("python starts");
    let mut port = String::new();
    BufReader::new(child.stdout.take().expect("output")).read_line(&mut port).expect("a port");
    let _served = Served(child);
    let workplace = Workplace::new();
    workplace.write("rig.toml", &one_position(&workplace.read("rig.toml"), port.trim()));
    workplace.change(
        "settings.toml",
        "[air_saving]\ncut_off = \"70 kPa\"\nresume = \"64 kPa\"\nsupply_valve = \"closed-without-power\"\n",
        "",
    );
    workplace.change("settings.toml", "[workpiece]", "# no air saving\n[workpiece]");
    workplace.change("script.toml", "cycles = 5", "cycles = 3\nrising = \"evacuate\"");
    let said = workplace.run(
        "run --rig rig.toml --type type.toml --settings settings.toml --script script.toml --serial 1=P-1 --out run",
    );
    assert_eq!(said.code, Some(0), "{}\n{}", said.out, said.err);
    let record: serde_json::Value = serde_json::from_str(&workplace.read("run/record.json")).expect("json");
    let checks = record["positions"][0]["checks"].as_array().expect("checks");
    for (quantity, truth) in [("switch-point", 60e3), ("reset-point", 55e3)] {
        let check = checks.iter().find(|check| check["quantity"] == quantity).expect("the check");
        let (value, u) =
            (check["value"].as_f64().expect("value"), check["expanded_uncertainty"].as_f64().expect("U"));
        assert!((value - truth).abs() <= u, "{quantity}: {value} ± {u}, is {truth}");
    }
}

/// The demo's rig sheet for the rig of `server.py`: one position, no air pressure input, no conversions.
fn one_position(sheet: &str, port: &str) -> String {
    let (front, _) = sheet.split_once("[[position]]").expect("positions");
    let (front, interlocks) = front.split_once("[air_pressure]").expect("air pressure");
    let (_, outputs) = interlocks.split_once("[[output]]").expect("outputs");
    let sheet = format!(
        "{front}[[output]]{outputs}[[position]]\nnumber = 1\nswitch = {{ at = \"discrete-input 0\" }}\npresent = {{ at = \"discrete-input 1\" }}\n"
    );
    let changes = [
        ("127.0.0.1:1502", &*format!("127.0.0.1:{port}")),
        ("converter = \"2 ms\"\nloss_of_master = \"2 s\"\n", ""),
        ("air_pressure = [\"4.5 bar\", \"6.5 bar\"]\n", ""),
        ("[interlocks.emergency_stop]\nat = \"discrete-input 12\"\n", ""),
        ("[interlocks.guard_door]\nat = \"discrete-input 13\"\n", ""),
        ("evacuate = \"3 s\"", "evacuate = \"2 s\""),
        ("bleed = \"6 s\"", "bleed = \"4 s\""),
        ("vent = \"0.5 s\"", "vent = \"0.3 s\""),
        ("value = \"2 ms\"", "value = \"0 ms\""),
    ];
    changes.into_iter().fold(sheet, |sheet, (from, to)| {
        assert!(sheet.contains(from), "`{from}` is not in the rig sheet");
        sheet.replace(from, to)
    })
}
