//! The same run over every wire: the same verdicts, and levels that agree within their uncertainty.

use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::process::{Child, Stdio};
use tripbench_tests::command::{Workplace, brisk};
use tripbench_tests::line::port_path;

const SHEETS: &str = "--rig rig.toml --type type.toml --settings settings.toml --script script.toml";

/// `tripbench simulate` on the wire of a rig sheet; ended when dropped.
struct Simulated(Child);

impl Simulated {
    /// Starts it and waits until it reports where it listens; returns that line.
    fn start(workplace: &Workplace) -> (Self, String) {
        let mut command = workplace.command("simulate --rig rig.toml --truth truth.toml");
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("it starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("output")).read_line(&mut line).expect("a line");
        (Self(child), line)
    }
}

impl Drop for Simulated {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// A free port of this machine.
fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    listener.local_addr().expect("an address").port()
}

/// Name, verdict, value and U of every required check of every position.
type Found = Vec<(String, String, f64, f64)>;

fn run_over(wire: &str, scanned: &str) -> Found {
    let workplace = brisk();
    // On the serial line the scans are 15 ms apart.
    workplace.change("rig.toml", "evacuate_fine = \"8 s\"", "evacuate_fine = \"16 s\"");
    workplace.change("rig.toml", "bleed = \"3 s\"", "bleed = \"6 s\"");
    workplace.change("rig.toml", "tcp = \"127.0.0.1:1502\"", wire);
    let (_simulated, line) = Simulated::start(&workplace);
    assert!(line.contains(scanned), "{line}");
    let said = workplace.run(&format!("run {SHEETS} --no-serial --out run"));
    assert_eq!(said.code, Some(1), "{}\n{}", said.out, said.err);
    let record: Value = serde_json::from_str(&workplace.read("run/record.json")).expect("json");
    assert_eq!(record["safe_confirmed"], true);
    let positions = record["positions"].as_array().expect("positions");
    let checks = positions.iter().flat_map(|position| {
        let checks = position["checks"].as_array().expect("checks").iter();
        checks.filter(|check| check["role"] == "required" && check["unit"] == "Pa").map(|check| {
            let name = format!("{} of position {}", check["quantity"], position["number"]);
            let figure = |key: &str| check[key].as_f64().expect("a figure");
            let verdict = check["verdict"].as_str().expect("a verdict").to_owned();
            (name, verdict, figure("value"), figure("expanded_uncertainty"))
        })
    });
    checks.collect()
}

#[test]
fn a_run_over_tcp_a_fast_serial_line_and_a_converter_finds_the_same() {
    let port = port_path();
    let serial = format!("serial = \"{}\"\nbaud = 115200\nparity = \"even\"", port.display());
    let (tcp, converter) = (wire("tcp"), wire("converter"));
    let [tcp, serial, converter] = std::thread::scope(|scope| {
        [(tcp, "Modbus TCP"), (serial, "serial port"), (converter, "RTU over TCP")]
            .map(|(wire, scanned)| scope.spawn(move || run_over(&wire, scanned)))
            .map(|run| run.join().expect("a run"))
    });
    drop(std::fs::remove_file(&port));
    assert!(tcp.len() >= 16, "{tcp:?}");
    for other in [serial, converter] {
        assert_eq!(tcp.len(), other.len());
        for ((name, verdict, value, u), (_, other_verdict, other_value, other_u)) in tcp.iter().zip(&other) {
            assert_eq!(verdict, other_verdict, "{name}");
            assert!(
                (value - other_value).abs() <= u.hypot(*other_u),
                "{name}: {value} ± {u}, {other_value} ± {other_u}"
            );
        }
    }
}

/// Keys for a wire that is not in use.
fn wire(kind: &str) -> String {
    match kind {
        "tcp" => format!("tcp = \"127.0.0.1:{}\"", free_port()),
        "converter" => format!("rtu_over_tcp = \"127.0.0.1:{}\"", free_port()),
        _ => format!("serial = \"{}\"\nbaud = 115200\nparity = \"even\"", port_path().display()),
    }
}
