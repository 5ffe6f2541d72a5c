//! A run at this program's simulated module says so, and a module that cannot identify itself disturbs nothing.

use rstest::rstest;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::process::{Child, ChildStdin, Stdio};
use std::time::Duration;
use tripbench_link::{Clock, Link, ModuleWire, StopLatch};
use tripbench_rig::{Identification, RigSheet};
use tripbench_simulator::{SerialPace, SimulatedBench, Truth, serve_rtu_over_tcp, serve_serial};
use tripbench_tests::command::{Said, Simulated, Workplace, quick, undecided};
use tripbench_tests::good;
use tripbench_tests::hosted::wait;
use tripbench_tests::wire::frame;

const SHEETS: &str = "--rig rig.toml --type type.toml --settings settings.toml --script script.toml";
const SAYS: &str = "SIMULATED BENCH: no device was tested.";

fn record(workplace: &Workplace, run: &str) -> Value {
    serde_json::from_str(&workplace.read(&format!("{run}/record.json"))).expect("JSON")
}

fn run(workplace: &Workplace) -> Said {
    let said = workplace.run(&format!("run {SHEETS} --serial 1=A1 --out run"));
    assert!(said.code.is_some_and(|code| [0, 1, 3].contains(&code)), "{}\n{}", said.out, said.err);
    said
}

#[test]
fn a_run_at_the_simulator_says_so_in_record_report_and_terminal() {
    let workplace = quick();
    let rig = Simulated::start(&workplace);
    let said = run(&workplace);
    drop(rig);
    assert!(said.out.contains(SAYS), "{}", said.out);
    assert!(
        said.out.contains("The module identifies itself as: tripbench, simulated module,"),
        "{}",
        said.out
    );
    let record = record(&workplace, "run");
    assert_eq!(record["header"]["simulated"], true);
    assert_eq!(record["header"]["module"]["vendor"], "tripbench");
    assert_eq!(record["header"]["warnings"], Value::Array(vec![]));
    let html = workplace.read("run/report.html");
    assert!(html.contains(SAYS) && html.contains("The module identifies itself as: tripbench"), "{html}");
    assert_eq!(workplace.run("rejudge run").code, said.code);
}

/// How a module without Read Device Identification reacts to it.
#[derive(Debug, Clone, Copy)]
enum Answers {
    Refusal(u8),
    Silence,
    Nonsense,
    ClosesConnection,
    AnotherUnit,
    NoObjects,
}

/// A proxy before a module that handles function 43 in its own way, and passes on all else.
fn old_module(server: SocketAddr, how: Answers) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("its address");
    std::thread::spawn(move || {
        for mut client in listener.incoming().flatten() {
            let Ok(mut upstream) = TcpStream::connect(server) else { continue };
            std::thread::spawn(move || while hand_on(&mut client, &mut upstream, how).is_some() {});
        }
    });
    address
}

/// Passes one request on; `None` when the connection ends.
fn hand_on(client: &mut TcpStream, upstream: &mut TcpStream, how: Answers) -> Option<()> {
    let mut bytes = [0; 512];
    let count = client.read(&mut bytes).ok().filter(|count| *count > 0)?;
    let request = &bytes[..count];
    if request[7] != 0x2B {
        upstream.write_all(request).ok()?;
        let count = upstream.read(&mut bytes).ok().filter(|count| *count > 0)?;
        return client.write_all(&bytes[..count]).ok();
    }
    let answer = match how {
        Answers::Refusal(code) => frame(request, &[0xAB, code]),
        Answers::Silence => return Some(()),
        Answers::Nonsense => frame(request, &[0x2B, 0x0E, 9, 9, 9, 9, 9, 9]),
        Answers::ClosesConnection => return None,
        Answers::AnotherUnit => {
            let mut other = frame(request, &[0x2B, 0x0E, 1, 1, 0, 0, 0]);
            other[6] ^= 1;
            other
        }
        Answers::NoObjects => frame(request, &[0x2B, 0x0E, 1, 1, 0, 0, 0]),
    };
    client.write_all(&answer).ok()
}

/// The run works as without identification; the report says that the module is on this computer.
#[rstest]
#[case(Answers::Refusal(1))]
#[case(Answers::Refusal(4))]
#[case(Answers::Silence)]
#[case(Answers::Nonsense)]
#[case(Answers::ClosesConnection)]
#[case(Answers::AnotherUnit)]
#[case(Answers::NoObjects)]
fn a_module_that_does_not_say_what_it_is_disturbs_no_run(#[case] how: Answers) {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let rig = good(&workplace.read("rig.toml"), RigSheet::read);
    let tripbench_rig::Wire::Tcp(at) = &rig.link.wire else { panic!("Modbus TCP") };
    let proxy = old_module(at.value.parse().expect("an address"), how);
    workplace.change("rig.toml", &at.value, &proxy.to_string());
    let said = run(&workplace);
    let record = record(&workplace, "run");
    assert_eq!(
        (&record["header"]["module"], &record["header"]["simulated"]),
        (&Value::Null, &Value::Bool(false))
    );
    assert_eq!((&record["halted"], &record["safe_confirmed"]), (&Value::Null, &Value::Bool(true)));
    let warned = format!("The module was reached on this computer, at `{proxy}`, and gave no identification");
    assert!(said.out.contains(&warned) && !said.out.contains(SAYS), "{}", said.out);
    assert!(workplace.read("run/report.html").contains("gave no identification"));
}

fn asked(rig: &RigSheet) -> Option<Identification> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let wire = ModuleWire::of(&rig.link).expect("a wire");
        let mut link = Link::new(wire, Clock::start(), StopLatch::armed(), rig);
        link.make_safe(rig).await.expect("safe");
        let said = link.identify().await.expect("an answer");
        assert!(!link.is_in_doubt());
        link.make_safe(rig).await.expect("safe, after it as before");
        said
    })
}

#[rstest]
fn the_simulator_says_what_it_is_on_a_serial_line_and_behind_a_converter(
    #[values(true, false)] serial: bool,
) {
    let workplace = Workplace::new();
    let text = workplace.read("rig.toml");
    let with = |wire: &str| good(&text.replace("tcp = \"127.0.0.1:1502\"", wire), RigSheet::read);
    let rig = with("serial = \"/dev/ttyUSB0\"\nbaud = 19200");
    let bench = SimulatedBench::new(&rig, Truth::as_declared(&rig, 1));
    let said = if serial {
        let pace = SerialPace { timing: rig.link.timing(), slave: Duration::from_millis(1) };
        let server = serve_serial(bench, pace).expect("a pseudo-terminal");
        let path = server.port().expect("a path").display();
        asked(&with(&format!("serial = \"{path}\"\nbaud = 19200")))
    } else {
        let server = serve_rtu_over_tcp(bench, ([127, 0, 0, 1], 0).into()).expect("a port");
        let address = server.address().expect("an address");
        asked(&with(&format!("rtu_over_tcp = \"{address}\"")))
    };
    assert!(said.as_ref().is_some_and(Identification::is_simulator), "{said:?}");
}

/// A repeat can be practised at the simulator; like the run before, it is not a test of a device, but it is counted.
#[test]
fn a_repeat_at_the_simulator_is_made_counted_and_simulated() {
    let workplace = undecided();
    let _rig = Simulated::start(&workplace);
    let first = workplace.run(&format!("run {SHEETS} --serial 1=A1 --out runs/first"));
    assert_eq!(first.code, Some(3), "{}\n{}", first.out, first.err);
    // Many ramps: the journal's header says which test this is, long before they are done.
    let mut command = workplace.command("run --again 1 --of runs/first --out runs/second");
    let mut repeat = command.stderr(Stdio::null()).stdout(Stdio::piped()).spawn().expect("it starts");
    wait(Duration::from_secs(3));
    kill_process(Pid::from_child(&repeat), Signal::INT).expect("it is there");
    let mut out = String::new();
    repeat.stdout.take().expect("output").read_to_string(&mut out).expect("text");
    assert_eq!(repeat.wait().expect("it ends").code(), Some(4));
    assert!(out.contains("Test 2 of this device.") && out.contains(SAYS), "{out}");
    let second = record(&workplace, "runs/second");
    assert_eq!(
        (&second["header"]["simulated"], &second["header"]["again"]["attempt"]),
        (&Value::Bool(true), &2.into())
    );
    assert_eq!(workplace.run("rejudge runs/second").code, Some(4));
}

/// The simulator with a person at its plugs, who is instructed by lines.
struct AtPlugs(Child, ChildStdin);

impl AtPlugs {
    fn start(workplace: &Workplace) -> Self {
        let arguments = "simulate --rig rig.toml --truth truth.toml --listen 127.0.0.1:0 --operate";
        let mut command = workplace.command(arguments);
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("it starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("output")).read_line(&mut line).expect("a line");
        let address = line.split("Modbus TCP ").nth(1).and_then(|rest| rest.split(',').next());
        workplace.change("rig.toml", "127.0.0.1:1502", address.expect("an address"));
        let input = child.stdin.take().expect("its input");
        Self(child, input)
    }
}

impl Drop for AtPlugs {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// `rig check --inputs` asks for each output; here each is operated by a line to the simulator.
#[test]
fn the_check_of_inputs_can_be_practised_at_the_simulator() {
    let workplace = quick();
    let mut plugs = AtPlugs::start(&workplace);
    let mut command = workplace.command("rig check --inputs --rig rig.toml --out run");
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut check = command.spawn().expect("it starts");
    let mut answers = check.stdin.take().expect("its input");
    let asks = BufReader::new(check.stderr.take().expect("its questions"));
    let mut operated = Vec::new();
    for line in asks.lines().map_while(Result::ok) {
        if let Some(wanted) =
            line.split("Next: the ").nth(1).filter(|_| line.contains(" output of position "))
        {
            let output = wanted.split(' ').next().expect("an output").to_owned();
            let position: u8 = wanted
                .split("position ")
                .nth(1)
                .and_then(|rest| rest.split('.').next()?.parse().ok())
                .expect("a position");
            writeln!(answers, "yes").expect("it reads");
            wait(Duration::from_secs(3));
            writeln!(plugs.1, "operate {position} {output}").expect("it reads");
            operated.push((position, output));
            if operated.len() == 2 {
                break;
            }
        } else if line.contains("(yes/no)") {
            writeln!(answers, "yes").expect("it reads");
        }
    }
    // The last one is confirmed before the next question; then the test has seen enough.
    wait(Duration::from_secs(3));
    kill_process(Pid::from_child(&check), Signal::INT).expect("it is there");
    drop(answers);
    let mut out = String::new();
    check.stdout.take().expect("output").read_to_string(&mut out).expect("text");
    assert_eq!(check.wait().expect("it ends").code(), Some(4));
    assert_eq!(operated, [(1, String::from("switch")), (1, String::from("valve"))]);
    assert!(out.contains("the switch output of position 1: its own input changed, and no other"), "{out}");
}
