//! A run of one hour in virtual time with 200 scans a second, over the wire and with its journal: what a scan costs at the start and at
//! the end, and the memory beside the trace. Prints, asserts nothing.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tripbench_link::Clock;
use tripbench_quantity::Mono;
use tripbench_record::journal::MAGIC;
use tripbench_record::{Event, EventKind};
use tripbench_runner::{VirtualDisk, VirtualRun};
use tripbench_tests::hour::{long_bench, memory, processor_time, scan_bytes};
use tripbench_tests::virtual_line::{OnLine, VirtualLine, run_and_hear};

/// What a minute of the run used.
#[derive(Debug, Clone, Copy, Default)]
struct Minute {
    scans: u32,
    used: Duration,
    /// Memory of the process, and of all scans up to then, bytes.
    resident: usize,
    trace: usize,
}

/// Figures of the run so far.
#[derive(Default)]
struct Figures {
    minutes: Vec<Minute>,
    now: Minute,
    since: Duration,
    /// Ends of the last scan, and the gaps between scans, seconds.
    last: Option<Mono>,
    gaps_s: Vec<f64>,
    halted: Option<String>,
}

impl Figures {
    fn hear(&mut self, event: &Event) {
        let minute = usize::try_from(event.at.nanos() / 60_000_000_000).unwrap_or(0);
        while self.minutes.len() < minute {
            let used = processor_time();
            self.now.used = used.saturating_sub(self.since);
            (self.since, self.now.resident) = (used, memory("VmRSS"));
            self.minutes.push(self.now);
            self.now = Minute { trace: self.now.trace, ..Minute::default() };
        }
        if let EventKind::Scan(scan) = &event.kind {
            self.now.scans += 1;
            self.now.trace += scan_bytes(scan);
            self.gaps_s.extend(self.last.map(|last| scan.end().since(last).as_secs_f64()));
            self.last = Some(scan.end());
        } else if let EventKind::Halted(halt) = &event.kind {
            self.halted = Some(format!("{halt:?}"));
        }
    }
}

#[expect(clippy::print_stdout, clippy::cast_precision_loss, reason = "a program that measures and prints")]
fn main() {
    let bench = long_bench(88, 5, Duration::from_secs(15));
    let task = bench.task();
    println!("predicted {:.0} s, {} steps", task.predicted().si(), task.steps.len());
    let path = path();
    let mut file = File::create(&path).expect("a file for the journal");
    file.write_all(MAGIC.as_bytes()).expect("a journal");
    let clock = Clock::in_virtual_time();
    let line = VirtualLine::new(&task.sheets.rig, bench.truth, &clock, Vec::new());
    let disk = VirtualDisk { journal: Some(Box::new(file)), ..VirtualDisk::default() };
    let with = OnLine { run: VirtualRun { disk, ..VirtualRun::default() }, ..OnLine::default() };
    let before = memory("VmRSS");
    let mut figures = Figures { since: processor_time(), ..Figures::default() };
    run_and_hear(&line, &clock, (task, with), |event| figures.hear(&event));
    let journal = std::fs::metadata(&path).map_or(0, |file| file.len());
    drop(std::fs::remove_file(&path));
    println!(
        "lasted {:.0} s, halted: {:?}, journal {} MB",
        clock.now().seconds(),
        figures.halted,
        journal >> 20
    );
    let mb = |bytes: usize| bytes as f64 / f64::from(1 << 20);
    println!(
        "{:>6} {:>7} {:>8} {:>9} {:>9} {:>14}",
        "minute", "scans", "µs/scan", "RSS MB", "trace MB", "beside it MB"
    );
    let count = figures.minutes.len();
    for (index, minute) in figures.minutes.iter().enumerate() {
        let number = index + 1;
        if number == 1 || number == count || number % 10 == 0 {
            let beside = mb(minute.resident) - mb(before) - mb(minute.trace);
            println!(
                "{number:>6} {:>7} {:>8.2} {:>9.1} {:>9.1} {beside:>14.1}",
                minute.scans,
                per_scan_us(*minute),
                mb(minute.resident),
                mb(minute.trace),
            );
        }
    }
    let mut gaps_s = figures.gaps_s;
    gaps_s.sort_by(f64::total_cmp);
    let at = |per_mille: usize| {
        gaps_s.get(gaps_s.len().saturating_sub(1) * per_mille / 1_000).map_or(0.0, |gap_s| gap_s * 1e3)
    };
    let late = gaps_s.iter().filter(|gap_s| **gap_s > LATE_S).count();
    println!(
        "scan period in virtual time: median {:.2} ms, 99.9 % {:.2} ms, longest {:.2} ms; {late} later than {:.0} ms",
        at(500),
        at(999),
        at(1_000),
        LATE_S * 1e3
    );
    let (Some(first), Some(last)) = (figures.minutes.first(), figures.minutes.last()) else { return };
    println!("last_minute_over_first={:.2}", per_scan_us(*last) / per_scan_us(*first));
}

/// Two scan intervals: one scan was missed.
const LATE_S: f64 = 0.01;

fn per_scan_us(minute: Minute) -> f64 {
    minute.used.as_secs_f64() * 1e6 / f64::from(minute.scans.max(1))
}

/// A file for the journal, in memory if the system has such a folder: the disk is not measured here.
fn path() -> PathBuf {
    let shared = Path::new("/dev/shm");
    let folder = if shared.is_dir() { shared.to_owned() } else { std::env::temp_dir() };
    folder.join(format!("tripbench-hour-{}.journal", std::process::id()))
}
