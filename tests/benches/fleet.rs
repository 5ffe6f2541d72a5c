//! A fleet in one daemon: 32 simulated rigs at 100 scans per second each, watched by 20 clients, one of them a real browser. Prints the
//! resources and losses of the daemon beside the limits. The daemon and the simulated modules are separate processes, in which this
//! program starts itself again; only the daemon is measured.
#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "a program that measures in real time and prints"
)]

use serde_json::{Value, json};
use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tripbench_bench::{RigEntry, RigSheets, SheetFiles};
use tripbench_daemon::{Limits, Serve, serve};
use tripbench_rig::RigSheet;
use tripbench_simulator::{SimulatedBench, Truth, serve as serve_module};
use tripbench_tests::browser::{Browser, is_there};
use tripbench_tests::command::Workplace;
use tripbench_tests::daemon::Daemon;
use tripbench_tests::good;

const RIGS: usize = 32;
/// Watching clients without the browser.
const WATCHERS: usize = 19;
/// Duration of the measurement, during which every rig runs.
const MEASURED: Duration = Duration::from_secs(25);
/// Limits in cores, megabytes, scans, milliseconds: targets of this project.
const LIMITS: [(&str, f64); 4] =
    [("cpu_cores", 1.0), ("rss_mb", 250.0), ("scans_lost", 0.0), ("event_ms_p99", 200.0)];
/// Environment variable with the role of a process of this program.
const ROLE: &str = "TRIPBENCH_FLEET";

fn name(number: usize) -> String {
    format!("rig-{number:02}")
}

fn sheet_of(number: usize) -> String {
    format!("{}.toml", name(number))
}

/// Serves all simulated modules: prints their addresses and then, for each line of input, how often each module was read.
fn modules() {
    let rig_text = std::fs::read_to_string("rig.toml").expect("a rig sheet");
    let truth_text = std::fs::read_to_string("truth.toml").expect("a truth");
    let rig = good(&rig_text, RigSheet::read);
    let one = |_| {
        let truth = good(&truth_text, |reader| Truth::read(reader, &rig));
        serve_module(SimulatedBench::new(&rig, truth), ([127, 0, 0, 1], 0).into()).expect("a port")
    };
    let servers: Vec<_> = (0..RIGS).map(one).collect();
    let told = |words: Vec<String>| println!("{}", words.join(" "));
    told(servers.iter().map(|server| server.address().to_string()).collect());
    for _ in std::io::stdin().lock().lines() {
        let reads = servers.iter().map(|server| server.look(SimulatedBench::reference_reads).to_string());
        told(reads.collect());
    }
}

/// Serves all rigs in one daemon, as `tripbench serve` does.
fn daemon() {
    let entry = |number: usize| {
        let files = SheetFiles {
            site: None,
            rig: sheet_of(number).into(),
            device_type: Some("type.toml".into()),
            settings: Some("settings.toml".into()),
            script: Some("script.toml".into()),
        };
        RigEntry { sheets: RigSheets::from_files(files).expect("good sheets"), simulated: true, probes: None }
    };
    let rigs = (0..RIGS).map(entry).collect();
    let bench = Serve {
        listen: ([127, 0, 0, 1], 0).into(),
        runs: "runs".into(),
        users: Vec::new(),
        rigs,
        limits: Limits::default(),
    };
    let until = async {
        tripbench_runner::Signals::take().first().await;
        "a signal"
    };
    serve(bench, until, |address: SocketAddr| println!("http://{address}/")).expect("it serves");
}

fn again(workplace: &Workplace, role: &str) -> Command {
    let mut command = Command::new(std::env::current_exe().expect("this program"));
    command.env(ROLE, role).current_dir(&workplace.folder);
    command
}

/// Process of the modules, as seen by the measuring process.
struct Modules {
    child: Child,
    input: ChildStdin,
    output: BufReader<ChildStdout>,
}

impl Modules {
    fn start(workplace: &Workplace) -> (Self, Vec<String>) {
        let mut command = again(workplace, "modules");
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("modules");
        let (input, output) = (child.stdin.take().expect("input"), child.stdout.take().expect("output"));
        let mut modules = Self { child, input, output: BufReader::new(output) };
        let addresses = modules.line();
        (modules, addresses)
    }

    fn line(&mut self) -> Vec<String> {
        let mut line = String::new();
        self.output.read_line(&mut line).expect("a line");
        line.split_whitespace().map(str::to_owned).collect()
    }

    fn reads(&mut self) -> Vec<u64> {
        writeln!(self.input).expect("it listens");
        self.line().iter().map(|word| word.parse().expect("a number")).collect()
    }
}

impl Drop for Modules {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Processor time of a process in seconds, and its present and peak memory in megabytes.
fn taken(process: u32) -> (f64, f64, f64) {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).expect("a process");
    let after = stat.rsplit(')').next().expect("fields");
    let field = |index: usize| -> f64 {
        after.split_whitespace().nth(index).and_then(|word| word.parse().ok()).expect("a number")
    };
    // utime and stime are fields 14 and 15 of /proc/PID/stat (proc(5)), in clock ticks, here hundredths of a second.
    let seconds = (field(11) + field(12)) / 100.0;
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).expect("a process");
    let megabytes = |key: &str| -> f64 {
        let line = status.lines().find(|line| line.starts_with(key)).expect("a line");
        let kilobytes: f64 = line.split_whitespace().nth(1).and_then(|word| word.parse().ok()).expect("kB");
        kilobytes / 1024.0
    };
    (seconds, megabytes("VmRSS"), megabytes("VmHWM"))
}

/// Reads the event stream of all rigs as fast as it arrives and counts its `samples` events.
fn watch(base: &str, samples: Arc<AtomicU64>, ended: Arc<AtomicBool>) -> std::thread::JoinHandle<()> {
    let host = base.trim_start_matches("http://").to_owned();
    std::thread::spawn(move || {
        let mut stream = std::net::TcpStream::connect(&host).expect("it listens");
        write!(stream, "GET /api/v1/watch HTTP/1.1\r\nHost: {host}\r\n\r\n").expect("a request");
        let mut buffer = vec![0; 1 << 16];
        while !ended.load(Ordering::SeqCst) {
            let count = stream.read(&mut buffer).unwrap_or(0);
            assert!(count > 0 || ended.load(Ordering::SeqCst), "the stream ended");
            let text = &buffer[..count];
            let found = text.windows(14).filter(|window| *window == b"event: samples").count();
            samples.fetch_add(found as u64, Ordering::Relaxed);
        }
    })
}

/// Number of scans in the journals, by rig.
fn kept(folder: &Path) -> Vec<u64> {
    let folders: Vec<PathBuf> =
        std::fs::read_dir(folder).expect("runs").flatten().map(|entry| entry.path()).collect();
    let of = |number: usize| -> u64 {
        let rig = format!("-{}-", name(number));
        let mine = folders.iter().filter(|path| path.to_string_lossy().contains(&rig));
        let scans = |path: &PathBuf| -> u64 {
            let text = std::fs::read_to_string(path.join("run.journal")).expect("a journal");
            text.lines().filter(|line| line.split(' ').take(5).any(|word| word == "scan")).count() as u64
        };
        mine.map(scans).sum()
    };
    (0..RIGS).map(of).collect()
}

fn looks(daemon: &Daemon) -> Vec<u64> {
    let text = daemon.get("/metrics").text;
    let of = |number: usize| {
        let key = format!("tripbench_looks_total{{rig=\"{}\"}} ", name(number));
        text.lines().find_map(|line| line.strip_prefix(&key)?.parse().ok()).expect("looks")
    };
    (0..RIGS).map(of).collect()
}

/// Scans that a module answered and no journal contains: reads of the module minus looks between runs minus scans kept. A rig is
/// counted only while its number of looks does not change.
fn lost(daemon: &Daemon, modules: &mut Modules, kept: &[u64]) -> u64 {
    let mut lost: Vec<Option<u64>> = vec![None; RIGS];
    for _ in 0..200 {
        let (before, reads, after) = (looks(daemon), modules.reads(), looks(daemon));
        for number in (0..RIGS).filter(|&number| before[number] == after[number]) {
            let found = reads[number].abs_diff(before[number] + kept[number]);
            // A look in progress has been read but not yet counted: the least of many differences is the true one.
            lost[number] = Some(lost[number].map_or(found, |least| least.min(found)));
        }
    }
    lost.into_iter().map(|one| one.expect("a quiet moment")).sum()
}

fn start_all(daemon: &Daemon) {
    for number in 0..RIGS {
        daemon.until(&name(number), |state| state["doing"] == "idle");
        let place =
            |position: u64| json!({"position": position, "serial": format!("{}-{position}", name(number))});
        let places: Vec<Value> = (1..=4).map(place).collect();
        let answer = daemon.begin(&name(number), &json!({"places": places}));
        assert_eq!(answer.status, 201, "{}", answer.text);
        std::thread::sleep(Duration::from_millis(40));
    }
}

/// Script that collects how late the page shows each event, in milliseconds.
const COLLECT: &str = "window.late = []; new PerformanceObserver((list) => { for (const mark of list.getEntries()) if (mark.name === 'tripbench-shown') window.late.push(mark.detail.late_ms); }).observe({ type: 'mark' });";

#[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
const fn count(count: u64) -> f64 {
    count as f64
}

fn percentile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "an index"
    )]
    let index = ((values.len() as f64 * share).ceil() as usize).clamp(1, values.len()) - 1;
    values[index]
}

fn main() {
    match std::env::var(ROLE).as_deref() {
        Ok("modules") => modules(),
        Ok("daemon") => daemon(),
        _ => measure(),
    }
}

/// Writes the sheets of all rigs and starts their modules.
fn prepared(workplace: &Workplace) -> Modules {
    workplace.change("rig.toml", "scan_interval = \"5 ms\"", "scan_interval = \"10 ms\"");
    let (modules, addresses) = Modules::start(workplace);
    let sheet = workplace.read("rig.toml");
    for (number, address) in addresses.iter().enumerate() {
        let text = sheet
            .replace("127.0.0.1:1502", address)
            .replace("\"goods-in-1\"", &format!("\"{}\"", name(number)));
        workplace.write(&sheet_of(number), &text);
    }
    modules
}

fn measure() {
    if !is_there() {
        println!("no chromium: one watching client is a real browser; install chromium and chromium-driver");
        return;
    }
    let workplace = Workplace::new();
    let mut modules = prepared(&workplace);
    let daemon = Daemon::of(&workplace, again(&workplace, "daemon"));
    let (samples, ended) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicBool::new(false)));
    let watchers: Vec<_> =
        (0..WATCHERS).map(|_| watch(&daemon.base, Arc::clone(&samples), Arc::clone(&ended))).collect();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let browser = runtime.block_on(async {
        let browser = Browser::start(&workplace.folder, (1920, 1080)).await;
        browser.open(&daemon.base).await;
        browser.until(&format!("document.querySelectorAll('section').length === {RIGS}")).await;
        browser
    });
    start_all(&daemon);
    println!(
        "{RIGS} rigs running, watched by {WATCHERS} streams and a browser; measured for {} s",
        MEASURED.as_secs()
    );
    runtime.block_on(browser.run(COLLECT));
    let (from, seen) = (Instant::now(), samples.load(Ordering::Relaxed));
    let (before_s, ..) = taken(daemon.id());
    std::thread::sleep(MEASURED);
    let (after_s, _, peak_mb) = taken(daemon.id());
    let cores = (after_s - before_s) / from.elapsed().as_secs_f64();
    let frames = count(samples.load(Ordering::Relaxed) - seen) / MEASURED.as_secs_f64();
    let late = runtime.block_on(browser.run("return window.late"));
    let running = (0..RIGS).filter(|&number| daemon.rig(&name(number))["doing"] == "running").count();
    let mut late: Vec<f64> = late.as_array().expect("marks").iter().filter_map(Value::as_f64).collect();
    let shown = late.len();
    let (median, p99) = (percentile(&mut late, 0.5), percentile(&mut late, 0.99));
    println!("rigs still running after the measurement: {running} of {RIGS}");
    println!("frames of samples to all streams: {frames:.0} per second");
    println!("delay of {shown} events on the screen: median {median:.0} ms, 99 % within {p99:.0} ms");
    for number in 0..RIGS {
        daemon.until(&name(number), |state| state["doing"] == "idle" && state["run"]["over"] == true);
    }
    let (_, _, peak_later_mb) = taken(daemon.id());
    let kept = kept(&workplace.folder.join("runs"));
    let all: u64 = kept.iter().sum();
    let halts: Vec<String> = (0..RIGS)
        .filter_map(|number| Some(daemon.rig(&name(number))["run"]["halted"]["text"].as_str()?.to_owned()))
        .collect();
    let lost = lost(&daemon, &mut modules, &kept);
    println!("scans kept: {all}, peak memory {peak_mb:.0} MB while all rigs ran");
    println!("runs aborted: {} {}", halts.len(), halts.first().map_or("", String::as_str));
    ended.store(true, Ordering::SeqCst);
    let found = [cores, peak_later_mb, count(lost), p99];
    let mut last = String::new();
    for ((name, limit), value) in LIMITS.into_iter().zip(found) {
        let ratio = if limit == 0.0 { String::new() } else { format!(", {:.2} of the limit", value / limit) };
        println!(
            "{name}: {value:.2}, limit {limit:.0}{ratio}: {}",
            if value <= limit { "kept" } else { "NOT kept" }
        );
        write!(last, "{name} {value:.2} ").expect("a text");
    }
    drop((browser, daemon));
    for watcher in watchers {
        drop(watcher.join());
    }
    println!("{}", last.trim_end());
}
