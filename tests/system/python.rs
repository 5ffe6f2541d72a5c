//! Independent implementations on the other side of the wire: pymodbus, libmodbus and mbpoll as clients of the simulated rig, pymodbus
//! and libmodbus as servers.

use rstest::rstest;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tripbench_link::{Clock, ModuleWire, Transport};
use tripbench_rig::{Area, Doubt, Query, Request, Response, RigSheet, SerialTiming};
use tripbench_simulator::{RtuServer, SerialPace, Server, SimulatedBench, Truth, serve, serve_serial};
use tripbench_tests::command::Workplace;
use tripbench_tests::line::{serial_link, with_link};
use tripbench_tests::ways::{in_holding_registers, in_whole_registers, one_by_one};
use tripbench_tests::{good, sheet_text};

/// The python that `tests/run` sets up. Without it the test is skipped and says so; in CI that is a failure.
#[expect(clippy::print_stdout, reason = "a test that is skipped says so")]
pub(crate) fn python() -> Option<PathBuf> {
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

/// Path of a script that plays the other side.
pub(crate) fn script(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("python").join(name)
}

#[test]
fn pymodbus_reads_and_drives_the_simulated_rig() {
    let Some(python) = python() else { return };
    let (_server, address) = on_tcp();
    agrees(Command::new(python).arg(script("client.py")).args(address), "pymodbus agrees");
}

/// A simulated rig on a pseudo-terminal at 115200 baud, and its path.
fn on_a_serial_port() -> (RtuServer, String) {
    let rig = good(&sheet_text("rigs/goods-in-1.toml"), RigSheet::read);
    let truth = good(&sheet_text("simulated/four-devices.toml"), |reader| Truth::read(reader, &rig));
    let pace = SerialPace { timing: Some(SerialTiming::at(115_200)), slave: Duration::ZERO };
    let server = serve_serial(SimulatedBench::new(&rig, truth), pace).expect("a pseudo-terminal");
    let path = server.port().expect("a path").to_string_lossy().into_owned();
    (server, path)
}

/// A simulated rig on Modbus TCP, with host and port.
fn on_tcp() -> (Server, [String; 2]) {
    let rig = good(&sheet_text("rigs/goods-in-1.toml"), RigSheet::read);
    let truth = good(&sheet_text("simulated/four-devices.toml"), |reader| Truth::read(reader, &rig));
    let server = serve(SimulatedBench::new(&rig, truth), ([127, 0, 0, 1], 0).into()).expect("a port");
    let address = server.address();
    (server, [address.ip().to_string(), address.port().to_string()])
}

fn agrees(command: &mut Command, words: &str) {
    let output = command.output().expect("it starts");
    let said =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.contains(words), "{said}");
}

#[test]
fn pymodbus_reads_and_drives_the_simulated_rig_over_a_serial_port() {
    let Some(python) = python() else { return };
    let (_server, path) = on_a_serial_port();
    agrees(Command::new(python).arg(script("client.py")).args([&path, "115200"]), "pymodbus agrees");
}

/// Whether a program is installed. Without it the test is skipped and says so; in CI that is a failure.
#[expect(clippy::print_stdout, reason = "a test that is skipped says so")]
fn there(program: &str) -> bool {
    let found = Command::new("sh").args(["-c", &format!("command -v {program}")]).output().expect("a shell");
    assert!(
        found.status.success() || std::env::var_os("CI").is_none(),
        "{program} is not installed: run tests/run"
    );
    if !found.status.success() {
        println!("SKIPPED: {program} is not installed; tests/run installs it where it may");
    }
    found.status.success()
}

#[rstest]
fn libmodbus_reads_and_drives_the_simulated_rig(#[values(false, true)] serial: bool) {
    let Some(python) = python().filter(|_| there("mbpoll")) else { return };
    let mut command = Command::new(python);
    command.arg(script("others.py")).args(["ask", "libmodbus"]);
    if serial {
        let (_server, path) = on_a_serial_port();
        agrees(command.args([&path, "115200"]), "libmodbus agrees");
    } else {
        let (_server, address) = on_tcp();
        agrees(command.args(address), "libmodbus agrees");
    }
}

// mbpoll counts addresses from 1: -r 1 is the reference, which shows 4 mA and the demo's offset of 120 Pa.
#[rstest]
fn mbpoll_reads_the_simulated_rig(#[values(false, true)] serial: bool) {
    if !there("mbpoll") {
        return;
    }
    let mut command = Command::new("mbpoll");
    command.args(["-1", "-q", "-a", "1", "-t", "3", "-r", "1", "-c", "2"]);
    let output = if serial {
        let (_server, path) = on_a_serial_port();
        command.args(["-m", "rtu", "-b", "115200", "-P", "even", &path]).output()
    } else {
        let (_server, [host, port]) = on_tcp();
        command.args(["-m", "tcp", "-p", &port, &host]).output()
    };
    let said = String::from_utf8_lossy(&output.expect("mbpoll starts").stdout).into_owned();
    let reference = said.lines().find_map(|line| line.strip_prefix("[1]:")).map(str::trim);
    let counts: u16 = reference.and_then(|text| text.parse().ok()).unwrap_or_else(|| panic!("{said}"));
    assert!((3_980..4_060).contains(&counts), "{said}");
}

#[rstest]
fn the_master_reads_and_drives_other_people_s_servers(
    #[values("pymodbus", "libmodbus")] library: &str,
    #[values("tcp", "serial")] wire: &str,
) {
    let Some(python) = python().filter(|_| there("mbpoll")) else { return };
    let arguments = ["serve", library, wire];
    let mut child = Command::new(python)
        .arg(script("others.py"))
        .args(arguments)
        .stdout(Stdio::piped())
        .spawn()
        .expect("python starts");
    let mut place = String::new();
    BufReader::new(child.stdout.take().expect("output")).read_line(&mut place).expect("where it is");
    let _served = Served(child);
    let place = place.trim();
    let link = if wire == "tcp" { format!("tcp = \"{place}\"") } else { serial_link(place, 115_200) };
    let sheet = good(&with_link(&link), RigSheet::read);
    let mut module = ModuleWire::of(&sheet.link).expect("an address");
    let clock = Clock::start();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let mut ask = async |request| {
            let mut tries = 0;
            loop {
                let answer =
                    module.transact(&Query { unit: 17, request: Request::clone(&request) }, &clock).await;
                // Its port is printed a moment before it listens.
                if tries == 20 || answer != Err(Doubt::Lost) {
                    break answer.map(|(response, _)| response);
                }
                tries += 1;
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        };
        let states = vec![true, false, true, true, false, false, true, true, true, false];
        let read = |area, count| Request::Read { area, start: 0, count };
        assert_eq!(ask(read(Area::InputRegister, 4)).await, Ok(Response::Values(vec![4_000, 555, 0, 100])));
        assert_eq!(
            ask(Request::WriteCoils { start: 0, states: states.clone() }).await,
            Ok(Response::Written)
        );
        let words = states.into_iter().map(u16::from).collect();
        assert_eq!(ask(read(Area::Coil, 10)).await, Ok(Response::Values(words)));
        assert_eq!(ask(read(Area::InputRegister, 5)).await, Err(Doubt::Refused(2)));
    });
}

/// A server in python; ended when dropped.
struct Served(Child);

impl Drop for Served {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// With an option the server has everything in holding registers, and ends at the first function other than 03, 06 and 43. The outputs
/// are bits of one register, or one register each, which 255 turns on.
#[rstest]
fn a_run_against_a_pymodbus_server_finds_its_levels(
    #[values(None, Some("--registers"), Some("--words"))] registers: Option<&str>,
) {
    let Some(python) = python() else { return };
    let mut command = Command::new(python);
    command.arg(script("server.py")).args(registers);
    let mut child = command.stdout(Stdio::piped()).spawn().expect("python starts");
    let mut port = String::new();
    BufReader::new(child.stdout.take().expect("output")).read_line(&mut port).expect("a port");
    let _served = Served(child);
    let workplace = Workplace::new();
    let mut rig = one_position(&workplace.read("rig.toml"), port.trim());
    rig = match registers {
        None => rig,
        Some("--words") => one_by_one(&in_whole_registers(&rig, 255)),
        Some(_) => one_by_one(&in_holding_registers(&rig)),
    };
    workplace.write("rig.toml", &rig);
    workplace.change(
        "settings.toml",
        "[air_saving]\ncut_off = \"70 kPa\"\nresume = \"64 kPa\"\nsupply_valve = \"closed-without-power\"\n",
        "",
    );
    workplace.change("settings.toml", "[workpiece]", "# no air saving\n[workpiece]");
    workplace.change("script.toml", "cycles = 5", "cycles = 3\nway = \"full-flow\"");
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

/// The demo's rig sheet adapted to `server.py`: one position, no air pressure input, no conversions.
fn one_position(sheet: &str, port: &str) -> String {
    let (front, _) = sheet.split_once("[[position]]").expect("positions");
    let (front, run_limits) = front.split_once("[air_pressure]").expect("air pressure");
    let (_, outputs) = run_limits.split_once("[[output]]").expect("outputs");
    let sheet = format!(
        "{front}[[output]]{outputs}[[position]]\nnumber = 1\nswitch = {{ at = \"discrete-input 0\" }}\npresent = {{ at = \"discrete-input 1\" }}\n"
    );
    let changes = [
        ("127.0.0.1:1502", &*format!("127.0.0.1:{port}")),
        ("converter = \"2 ms\"\nloss_of_master = \"2 s\"\n", ""),
        ("air_pressure = [\"4.5 bar\", \"6.5 bar\"]\n", ""),
        ("[run_limits.emergency_stop]\nat = \"discrete-input 12\"\n", ""),
        ("[run_limits.guard_door]\nat = \"discrete-input 13\"\n", ""),
        ("evacuate = \"3 s\"", "evacuate = \"2 s\""),
        ("bleed = \"6 s\"", "bleed = \"4 s\""),
        ("vent = \"0.5 s\"", "vent = \"0.3 s\""),
        ("value = \"2 ms\"", "value = \"0 ms\""),
        // The server's reference has no noise: a sheet that declares noise would make it look frozen.
        ("noise = \"20 Pa\"", "noise = \"1 Pa\""),
    ];
    changes.into_iter().fold(sheet, |sheet, (from, to)| {
        assert!(sheet.contains(from), "the rig sheet does not contain `{from}`");
        sheet.replace(from, to)
    })
}
