//! Scan rates on each wire, compared with a bare libmodbus loop at the same server and with the limit of the serial line, and the time
//! from a stop to the coil, compared with the time that `rig check` states. Prints; asserts nothing.
//!
//! The server over TCP is the loop of libmodbus itself, which does nothing but answer; at the simulated module both masters mostly wait for
//! it.
#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "a program that measures in real time and prints"
)]

use rustix::thread::{CpuSet, sched_getaffinity, sched_setaffinity};
use std::io::{BufRead as _, BufReader};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};
use tripbench_device::SiteSheet;
use tripbench_engine::{Plan, PlanInput, Script, plan};
use tripbench_link::{Clock, Link, ModuleWire, StopLatch};
use tripbench_record::{Halt, Identity, IdentityHow, LoadedSheets, PositionPlan};
use tripbench_rig::{Area, OutputName, Read, RigSheet, SerialTiming};
use tripbench_runner::{Control, JournalWriter, LiveRun, run_live};
use tripbench_sheet::Findings;
use tripbench_simulator::{
    DeviceTruth, RtuServer, SerialPace, Server, SimulatedBench, Truth, serve, serve_serial,
};
use tripbench_tests::hosted::{scans, stated_stop};
use tripbench_tests::line::{serial_link, with_link};
use tripbench_tests::{good, header};

/// Duration of one measurement of a rate.
const MEASURED: Duration = Duration::from_secs(2);
/// Measurements of each rate; the median counts. The two TCP clients take turns.
const ROUNDS: usize = 5;
/// Stops per wire.
const STOPS: u32 = 12;
/// Least share of the rate that the serial line allows. A target of this project.
const RTU_LIMIT: f64 = 0.95;
/// Least share of the rate of the bare loop. A target of this project.
const TCP_LIMIT: f64 = 0.9;

/// A served simulated rig.
enum Served {
    Tcp(Server),
    Rtu(RtuServer),
}

impl Served {
    fn evacuates(&self) -> bool {
        let coil = |bench: &SimulatedBench| bench.coil(OutputName::Evacuate) == Some(true);
        match self {
            Self::Tcp(server) => server.look(coil),
            Self::Rtu(server) => server.look(coil),
        }
    }
}

fn rig(text: &str) -> RigSheet {
    good(text, RigSheet::read)
}

fn bench_of(rig: &RigSheet) -> SimulatedBench {
    let mut truth = Truth::as_declared(rig, 1);
    // A device is plugged in: an empty rig has nothing to test.
    truth.devices = vec![DeviceTruth::good(1, 60e3, 55e3)];
    SimulatedBench::new(rig, truth)
}

fn tcp() -> (Served, RigSheet) {
    let declared = rig(&with_link("tcp = \"127.0.0.1:1\""));
    let server = serve(bench_of(&declared), ([127, 0, 0, 1], 0).into()).expect("a port");
    let sheet = rig(&with_link(&format!("tcp = \"{}\"", server.address())));
    (Served::Tcp(server), sheet)
}

fn serial(baud: u32) -> (Served, RigSheet) {
    let declared = rig(&with_link(&serial_link("/dev/null", baud)));
    let pace = SerialPace { timing: Some(SerialTiming::at(baud)), slave: Duration::ZERO };
    let server = serve_serial(bench_of(&declared), pace).expect("a pseudo-terminal");
    let port = server.port().expect("a port").to_string_lossy().into_owned();
    (Served::Rtu(server), rig(&with_link(&serial_link(&port, baud))))
}

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime")
}

/// Builds a program of this folder with the system's C compiler, which is also the linker; `None` if it or libmodbus is missing.
fn built(name: &str, target: &Path) -> Option<PathBuf> {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches").join(name).with_extension("c");
    let program = target.join(name);
    let built =
        Command::new("cc").arg("-O2").arg(source).arg("-o").arg(&program).arg("-l:libmodbus.so.5").status();
    built.is_ok_and(|status| status.success()).then_some(program)
}

/// The server of libmodbus; it ends with its standard input.
struct BareServer {
    child: Child,
    address: SocketAddr,
}

impl BareServer {
    fn start(program: &Path) -> Self {
        let mut command = Command::new(program);
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("the server starts");
        let mut port = String::new();
        BufReader::new(child.stdout.take().expect("output")).read_line(&mut port).expect("a port");
        let port: u16 = port.trim().parse().expect("a port");
        Self { child, address: ([127, 0, 0, 1], port).into() }
    }
}

impl Drop for BareServer {
    fn drop(&mut self) {
        drop(self.child.stdin.take());
        drop(self.child.wait());
    }
}

fn bare_scans(program: &Path, address: SocketAddr, reads: &[Read]) -> f64 {
    let mut command = Command::new(program);
    command.arg(address.ip().to_string()).arg(address.port().to_string()).arg("1");
    command.arg(format!("{}", MEASURED.as_secs_f64()));
    for read in reads {
        let function = match read.area {
            Area::Coil => "1",
            Area::DiscreteInput => "2",
            Area::HoldingRegister => "3",
            Area::InputRegister => "4",
        };
        command.args([function, &read.start.to_string(), &read.count.to_string()]);
    }
    let output = command.output().expect("the bare loop runs");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let mut figures = text.split_whitespace().filter_map(|word| word.parse::<f64>().ok());
    let (rounds, seconds) = figures.next().zip(figures.next()).expect("rounds and seconds");
    rounds / seconds
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Our scan rate over TCP divided by that of the bare loop with the same requests at the same server, measured in turns.
fn ratio(name: &str, program: &Path, address: SocketAddr) -> f64 {
    let sheet = rig(&with_link(&format!("tcp = \"{address}\"")));
    let plan = sheet.read_plan();
    let (mut ours, mut bare) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        ours.push(scans(&sheet, &plan, MEASURED).0);
        bare.push(bare_scans(program, address, &plan.reads));
    }
    let spread = |rates: &[f64]| {
        let (least, most) =
            rates.iter().fold((f64::INFINITY, 0.0_f64), |(a, b), rate| (a.min(*rate), b.max(*rate)));
        format!("{least:.0} to {most:.0}")
    };
    let [ours_spread, bare_spread] = [spread(&ours), spread(&bare)];
    let (ours, bare) = (median(ours), median(bare));
    let reads = plan.reads.len();
    println!(
        "TCP, {name}: {ours:.0} scans/s ({ours_spread}), bare libmodbus {bare:.0} scans/s ({bare_spread}), {reads} reads each"
    );
    ours / bare
}

/// Keeps this thread, and whatever it starts, on one processor. On several, the rate depends on whether the scheduler puts master and server
/// side by side: it varies by a factor of six, for both masters alike.
fn on_one_processor<T>(work: impl FnOnce() -> T) -> T {
    let before = sched_getaffinity(None).expect("the processors");
    let first = (0..CpuSet::MAX_CPU).find(|processor| before.is_set(*processor)).expect("a processor");
    let mut one = CpuSet::new();
    one.set(first);
    sched_setaffinity(None, &one).expect("one of the processors");
    let done = work();
    sched_setaffinity(None, &before).expect("the processors as before");
    done
}

/// The ratio at the server of libmodbus, and at the simulated module; `None` without a C compiler or libmodbus.
fn tcp_ratios() -> Option<[f64; 2]> {
    let target = std::env::temp_dir().join(format!("tripbench-wire-{}", std::process::id()));
    std::fs::create_dir_all(&target).expect("a folder");
    let programs = built("libmodbus_loop", &target).zip(built("libmodbus_server", &target));
    let ratios = programs.map(|(client, server)| {
        let server = BareServer::start(&server);
        let at_libmodbus = ratio("at the server of libmodbus", &client, server.address);
        let (Served::Tcp(simulated), _) = tcp() else { unreachable!("a server over TCP") };
        [at_libmodbus, ratio("at the simulated module", &client, simulated.address())]
    });
    drop(std::fs::remove_dir_all(&target));
    ratios
}

/// Scan rate on a paced serial line divided by its limit: for each read only both frames and both silences at that baud rate
/// (11 bits per character; 3.5 characters of silence, 1.75 ms above 19 200 baud: MODBUS over Serial Line V1.02, 2.5.1.1).
fn rtu_ratio(baud: u32) -> f64 {
    let (_served, sheet) = serial(baud);
    let plan = sheet.read_plan();
    let character_s = 11.0 / f64::from(baud);
    let silence_s = if baud > 19_200 { 1.75e-3 } else { 3.5 * character_s };
    let wire_s = |read: &Read| {
        let data =
            if read.area.is_bits() { f64::from(read.count.div_ceil(8)) } else { 2.0 * f64::from(read.count) };
        (8.0 + 5.0 + data) * character_s + 2.0 * silence_s
    };
    let allowed = 1.0 / plan.reads.iter().map(wire_s).sum::<f64>();
    let ours = median((0..ROUNDS).map(|_| scans(&sheet, &plan, MEASURED).0).collect());
    println!("RTU {baud}: {ours:.2} scans/s, the line allows {allowed:.2} scans/s");
    ours / allowed
}

/// Longest time from a stop to the coil and the time that `rig check` states for this rig, milliseconds.
fn stop(name: &str, (served, sheet): (Served, RigSheet)) -> (f64, f64) {
    let stated = stated_stop(&sheet, MEASURED).as_secs_f64() * 1e3;
    let longest = (0..STOPS).map(|number| one_stop(&served, &sheet, number)).fold(0.0, f64::max);
    println!("stop on {name}: at most {longest:.1} ms of {STOPS}, rig check states {stated:.1} ms");
    (longest, stated)
}

const SCRIPT: &str = "name = \"stop\"\n[[step]]\ndo = \"drive\"\nair = \"evacuate\"\n[[step]]\ndo = \"hold\"\ntime = \"60 s\"\n";

/// Stops a live run while it evacuates; milliseconds until the module's coil is off.
fn one_stop(served: &Served, sheet: &RigSheet, number: u32) -> f64 {
    let journal = std::env::temp_dir().join(format!("tripbench-stop-{}-{number}", std::process::id()));
    let latch = StopLatch::armed();
    let (control, controlled) = channel();
    let (rig, stopped, path) = (sheet.clone(), latch.clone(), journal.clone());
    let run = std::thread::spawn(move || runtime().block_on(live(rig, stopped, controlled, &path)));
    while !served.evacuates() {
        std::thread::sleep(Duration::from_micros(200));
    }
    // Spread the stops over more than a scan.
    std::thread::sleep(Duration::from_millis(150) + Duration::from_micros(7_300) * number);
    let started = Instant::now();
    let sent = control.send(Control::Stop(Halt::Operator { by: "the benchmark".into() }));
    sent.expect("the run listens");
    latch.set();
    while served.evacuates() {
        std::thread::sleep(Duration::from_micros(50));
    }
    let took = started.elapsed();
    run.join().expect("the run ends");
    drop(std::fs::remove_file(journal));
    took.as_secs_f64() * 1e3
}

async fn live(rig: RigSheet, latch: StopLatch, control: Receiver<Control>, journal: &Path) {
    let findings = Findings::new();
    let script = good(SCRIPT, Script::read);
    let sheets = Arc::new(LoadedSheets { rig, site: SiteSheet::default(), device: None, settings: None });
    let identity = Identity { serial: "S1".into(), how: IdentityHow::ByOperator };
    let positions = vec![PositionPlan { number: 1, identity }];
    let task = plan(PlanInput { script: &script, sheets, positions }, &findings).expect("a plan");
    let rig = task.sheets.rig.clone();
    let clock = Clock::start();
    let transport = ModuleWire::of(&rig.link).expect("a wire");
    let link = Link::new(transport, clock.clone(), latch.clone(), &rig);
    let journal = JournalWriter::create(journal, 1_000_000, Box::new(|_| {})).expect("a journal");
    let plan = Plan { header: header(&task), task };
    let ended =
        run_live(LiveRun { plan, link, clock, latch, journal, control, wall: String::new, is_here: true })
            .await;
    ended.expect("the journal is kept");
}

fn main() {
    let tcp_ratios = on_one_processor(tcp_ratios);
    let rtu: Vec<f64> = [9_600, 19_200, 115_200].map(rtu_ratio).to_vec();
    let rtu_ratio_min = rtu.iter().copied().fold(f64::INFINITY, f64::min);
    let stops = [stop("TCP", tcp()), stop("RTU 115200", serial(115_200)), stop("RTU 19200", serial(19_200))];
    // The wire with the greatest ratio of measured to stated time.
    let nearest = stops.into_iter().max_by(|a, b| (a.0 / a.1).total_cmp(&(b.0 / b.1)));
    let (stop_ms, stop_stated_ms) = nearest.expect("some wires");
    let shown = |index: usize| {
        tcp_ratios.map_or_else(|| String::from("none"), |ratios| format!("{:.3}", ratios[index]))
    };
    let (tcp, simulated) = (shown(0), shown(1));
    println!("limits: tcp_ratio {TCP_LIMIT}, rtu_ratio_min {RTU_LIMIT}, stop_ms at most stop_stated_ms");
    println!(
        "tcp_ratio={tcp} tcp_ratio_simulated={simulated} rtu_ratio_min={rtu_ratio_min:.3} stop_ms={stop_ms:.1} stop_stated_ms={stop_stated_ms:.1}"
    );
}
