//! Killed runs: what their journals must still contain.

use crate::command::{brisk, program};
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};
use std::time::Duration;
use tripbench_record::journal::{MAGIC, open};
use tripbench_record::{Event, EventKind, Halt};
use tripbench_rig::RigSheet;
use tripbench_runner::recover;
use tripbench_simulator::{SimulatedBench, Truth, serve};

/// Remains of a killed run.
#[derive(Debug)]
pub struct Killed {
    /// Events of the recovered journal.
    pub events: Vec<Event>,
    /// Events that the listener received.
    pub seen: Vec<Event>,
    /// Scans that the module answered.
    pub answered: u64,
    /// Scans in the journal.
    pub kept: u64,
    /// Whether the journal was open, so the run still in progress.
    pub was_open: bool,
}

/// Starts a run of the demo's sheets on a simulated module, kills it after a time, and recovers its journal.
///
/// # Panics
/// If a process cannot be started or the journal cannot be recovered.
#[expect(clippy::disallowed_methods, reason = "kills a process in real time")]
pub fn kill_after(time: Duration) -> Killed {
    let workplace = brisk();
    let rig = crate::good(&workplace.read("rig.toml"), RigSheet::read);
    let truth = crate::good(&workplace.read("truth.toml"), |reader| Truth::read(reader, &rig));
    let server = serve(SimulatedBench::new(&rig, truth), ([127, 0, 0, 1], 0).into()).expect("a port");
    workplace.change("rig.toml", "127.0.0.1:1502", &server.address().to_string());
    workplace.change("rig.toml", "answer_timeout = \"150 ms\"", "answer_timeout = \"60 ms\"");
    workplace.change("rig.toml", "slowest_answer = \"500 ms\"", "slowest_answer = \"60 ms\"");
    let mut child = Command::new(program())
        .args("run --rig rig.toml --type type.toml --settings settings.toml --script script.toml --no-serial --out run --events".split(' '))
        .current_dir(&workplace.folder)
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the command starts");
    let output = child.stdout.take().expect("its output");
    let reader = std::thread::spawn(move || {
        let lines = BufReader::new(output).lines().map_while(Result::ok);
        // A last line that the kill cut off stays unparsed.
        lines.map(|line| line + "\n").collect::<Vec<_>>()
    });
    std::thread::sleep(time);
    // The run may already have ended; the journal then says so.
    drop(child.kill());
    child.wait().expect("it ended");
    let answered = server.look(SimulatedBench::reference_reads);
    let lines = reader.join().expect("the listener");
    let journal = workplace.folder.join("run/run.journal");
    if !journal.exists() {
        return Killed { events: Vec::new(), seen: Vec::new(), answered, kept: answered, was_open: false };
    }
    let recovered = recover(&journal, Halt::Killed).expect("the journal opens");
    let again = recover(&journal, Halt::Killed).expect("and opens again");
    assert_eq!(again.events, recovered.events);
    let kept =
        recovered.events.iter().filter(|event| matches!(event.kind, EventKind::Scan(_))).count() as u64;
    Killed { seen: seen(&lines), events: recovered.events, answered, kept, was_open: recovered.was_open }
}

/// Parses the lines of a listener.
fn seen(lines: &[String]) -> Vec<Event> {
    let text: String = std::iter::once(MAGIC.to_owned()).chain(lines.iter().cloned()).collect();
    open(text.as_bytes()).expect("lines of a journal").events
}

impl Killed {
    /// Broken promises, in words; empty if there are none.
    pub fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        if self.events.is_empty() {
            return faults;
        }
        let halted = self.events.iter().any(|event| matches!(event.kind, EventKind::Halted(Halt::Killed)));
        let ended = matches!(self.events.last().map(|event| &event.kind), Some(EventKind::Ended { .. }));
        if !ended || (self.was_open && !halted) {
            faults.push(String::from("the journal does not end as a killed run"));
        }
        for event in &self.seen {
            if self.events.get(usize::try_from(event.seq.0).unwrap_or(usize::MAX)) != Some(event) {
                faults.push(format!("event {} was received but is not in the journal", event.seq.0));
            }
        }
        // At most 250 ms may be lost: 50 scans, 5 ms apart.
        if self.answered.saturating_sub(self.kept) > 50 {
            faults.push(format!("{} scans were answered, {} are in the journal", self.answered, self.kept));
        }
        faults
    }
}

/// Kills `count` runs at times spread over a run, `workers` at once. Returns the broken promises, the greatest number of lost scans and
/// the number of events that the listeners received.
///
/// # Panics
/// If a worker fails.
pub fn kill_many(count: u32, workers: u32) -> (Vec<String>, u64, usize) {
    let work = move |worker: u32| {
        let mine = (0..count).filter(|number| number % workers == worker);
        let run = |number: u32| {
            // Spread over the 25 s of a run without a pattern, most of them early: multiples of the golden ratio, cubed.
            let share = f64::from(number).mul_add(0.618_033_988_749_895, 0.1).fract();
            let killed = kill_after(Duration::from_secs_f64(0.02 + 25.0 * share.powi(3)));
            let faults = killed.faults();
            (faults, killed.answered.saturating_sub(killed.kept), killed.seen.len())
        };
        mine.map(run).collect::<Vec<_>>()
    };
    let threads: Vec<_> = (0..workers).map(|worker| std::thread::spawn(move || work(worker))).collect();
    let all: Vec<_> = threads.into_iter().flat_map(|thread| thread.join().expect("a worker")).collect();
    let lost = all.iter().map(|(_, lost, _)| *lost).max().unwrap_or(0);
    let seen = all.iter().map(|(_, _, seen)| *seen).sum();
    (all.into_iter().flat_map(|(faults, _, _)| faults).collect(), lost, seen)
}
