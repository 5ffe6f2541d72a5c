//! `run --on URL`: gives the job to a daemon and follows it like a run of this process.

use super::live::{Show, follow};
use crate::output::{JOURNAL, RECORD, REPORT, TRACE, create};
use crate::say;
use anyhow::{Context, Result, anyhow, bail};
use serde_json::{Value, json};
use std::fs::File;
use std::io::{BufRead, BufReader, ErrorKind, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Duration;
use tripbench_record::journal::{MAGIC, event};
use tripbench_record::{Event, EventKind, Record, SheetRole};
use tripbench_runner::{Control, JobError, Prepared, Signals};
use ureq::Agent;

/// Failed tries, at least two seconds each, after which a daemon counts as lost.
const TRIES: u32 = 15;
const BETWEEN: Duration = Duration::from_secs(2);
/// A stop not answered within this time is reported as not confirmed.
const STOP_WITHIN: Duration = Duration::from_secs(2);
/// Longest time for the answer to any other request.
const ANSWER_WITHIN: Duration = Duration::from_secs(30);
/// A stream of events is requested again after this time: a silent stream does not show whether the daemon is still there.
const STREAM_FOR: Duration = Duration::from_secs(20);
/// Longest time for a file of a run to arrive: a trace may have hundreds of megabytes.
const FILE_WITHIN: Duration = Duration::from_mins(2);
/// Longest time until a running daemon begins to answer.
const ALIVE_WITHIN: Duration = Duration::from_secs(5);
/// Time between two checks whether the run has begun.
const TURN: Duration = Duration::from_millis(200);
/// Kind of the problem of a run that was withdrawn, or failed before it began.
const NEVER_BEGAN: &str = "/problems/never-began";
/// Tries for the record: that of a long run takes a while.
const RECORD_TRIES: u32 = 150;

/// A daemon and one of its rigs.
#[derive(Debug, Clone)]
struct Daemon {
    agent: Agent,
    api: String,
    rig: String,
}

/// Runs on a daemon to the end and fetches the files of the run into the folder; `announce` is called once the daemon has answered. Ending
/// this process ends the run.
pub(super) fn run(prepared: &Prepared, show: Show, url: &str, announce: impl FnOnce()) -> Result<Record> {
    let daemon = Daemon::at(url, &prepared.task.sheets.rig.header.name.value)?;
    let job = job(prepared, daemon.stops()?);
    announce();
    // Before the run begins: a stop sent from here on keeps the daemon from beginning it.
    let stopping = daemon.clone();
    let (taken, wait_taken) = channel();
    let stopped = Arc::new(AtomicBool::new(false));
    let by_signal = Arc::clone(&stopped);
    std::thread::spawn(move || stop_on_signal(&stopping, &by_signal, &taken));
    wait_taken.recv().context("cannot catch signals")?;
    if stopped.load(Ordering::SeqCst) {
        return Err(JobError::Stopped.into());
    }
    create(&prepared.folder)?;
    let started = daemon.post("runs", &job, ANSWER_WITHIN);
    // Repeats a stop that did not get through before. The run is followed in any case.
    if stopped.load(Ordering::SeqCst) {
        stop(&daemon);
    }
    // Without an answer that names the run it may have begun; a refusal means that it has not.
    let may_have_begun = "THE RUN MAY HAVE BEGUN: check the daemon's page, or press STOP TEST there";
    let lost = |error: &anyhow::Error| error.is::<ureq::Error>();
    let started =
        started.map_err(|error| if lost(&error) { error.context(may_have_begun) } else { error })?;
    let run = started["run"].as_str().context(may_have_begun)?.to_owned();
    say::note(&format!("Given to the daemon at {url}: run {run}."));
    let (control, controlled) = channel();
    let (events, seen) = channel();
    let answering = daemon.clone();
    let of = run.clone();
    std::thread::spawn(move || pass_on(&answering, &of, &controlled));
    let (reading, of, path) = (daemon.clone(), run.clone(), prepared.folder.join(JOURNAL));
    let mut journal = File::create_new(&path).with_context(|| format!("cannot make `{}`", path.display()))?;
    journal.write_all(MAGIC.as_bytes())?;
    let reader = std::thread::spawn(move || read(&reading, &of, &mut journal, &events));
    follow(prepared, show, &seen, &control);
    reader.join().map_err(|_| anyhow!("the program failed inside"))??;
    let record = daemon.record(&run)?;
    for (what, file) in [("", RECORD), ("/report", REPORT), ("/trace", TRACE)] {
        let bytes = daemon.get(&format!("runs/{run}{what}"))?;
        let path = prepared.folder.join(file);
        std::fs::write(&path, bytes).with_context(|| format!("cannot write `{}`", path.display()))?;
    }
    Ok(record)
}

/// The request that starts a run: every sheet as text, because the files are on this side. `stops` is the daemon's count of STOP TEST
/// presses at the rig.
fn job(prepared: &Prepared, stops: u64) -> Value {
    let header = &prepared.header;
    let sheet = |role| {
        let copy = header.sheets.iter().find(|sheet| sheet.role == role)?;
        Some(json!({"file": copy.file, "text": copy.text}))
    };
    let place = |plan: &tripbench_record::PositionPlan| match plan.identity.how {
        tripbench_record::IdentityHow::OwnNumber => json!({"position": plan.number, "own_number": true}),
        tripbench_record::IdentityHow::ByOperator => {
            json!({"position": plan.number, "serial": plan.identity.serial})
        }
    };
    json!({
        "stops": stops,
        "places": header.positions.iter().map(place).collect::<Vec<_>>(),
        "operators": header.operators,
        "site": sheet(SheetRole::Site),
        "rig": sheet(SheetRole::Rig),
        "device_type": sheet(SheetRole::Type),
        "settings": sheet(SheetRole::Settings),
        "script": sheet(SheetRole::Script),
        "measure_only": prepared.task.sheets.settings.is_none(),
        "confirmed": true,
    })
}

impl Daemon {
    fn at(url: &str, rig: &str) -> Result<Self> {
        let base = url.trim_end_matches('/');
        if !base.starts_with("http://") {
            bail!("--on {url}: expected a daemon's address, such as http://127.0.0.1:7420");
        }
        let config = Agent::config_builder().http_status_as_error(false);
        let config = config.timeout_connect(Some(STOP_WITHIN)).timeout_recv_response(Some(ANSWER_WITHIN));
        // A daemon that hangs in the middle of an answer does not hold this program for ever.
        let config = config.timeout_send_request(Some(ALIVE_WITHIN)).timeout_send_body(Some(ANSWER_WITHIN));
        let config = config.timeout_recv_body(Some(ALIVE_WITHIN));
        let agent = config.build().into();
        Ok(Self { agent, api: format!("{base}/api/v1"), rig: rig.to_owned() })
    }

    fn post(&self, what: &str, body: &Value, within: Duration) -> Result<Value> {
        let url = format!("{}/rigs/{}/{what}", self.api, encoded(&self.rig));
        let request = self.agent.post(&url).header("content-type", "application/json");
        let request = request.config().timeout_global(Some(within)).build();
        let mut answer =
            request.send(body.to_string()).with_context(|| format!("no answer from {}", self.api))?;
        let text = answer.body_mut().read_to_string()?;
        let value: Value = serde_json::from_str(&text).unwrap_or(Value::Null);
        if answer.status().is_success() {
            return Ok(value);
        }
        for finding in value["findings"].as_array().into_iter().flatten().filter_map(Value::as_str) {
            say::note(finding);
        }
        bail!("the daemon refuses: {}", value["detail"].as_str().unwrap_or(&text))
    }

    fn get(&self, path: &str) -> Result<Vec<u8>> {
        let request = self.agent.get(format!("{}/{path}", self.api)).config();
        let mut answer = request.timeout_recv_body(Some(FILE_WITHIN)).build().call()?;
        if !answer.status().is_success() {
            bail!("`{path}`: the daemon answers {}", answer.status());
        }
        Ok(answer.body_mut().with_config().limit(1 << 30).read_to_vec()?)
    }

    /// Number of STOP TEST presses at the rig so far: the daemon refuses a start that does not know of the latest.
    fn stops(&self) -> Result<u64> {
        let url = format!("{}/rigs/{}", self.api, encoded(&self.rig));
        let mut answer = self.agent.get(url).call().with_context(|| format!("no daemon at {}", self.api))?;
        let text = answer.body_mut().read_to_string().unwrap_or_default();
        let state: Value = serde_json::from_str(&text).unwrap_or(Value::Null);
        if let Some(stops) = state["stops"].as_u64() {
            return Ok(stops);
        }
        if let Some(why) = state["detail"].as_str() {
            bail!("the daemon refuses: {why}");
        }
        bail!(
            "what answers at {} is not a tripbench daemon of this version (HTTP status {}): expected the address of `tripbench serve`, such as \
             http://127.0.0.1:7420",
            self.api.trim_end_matches("/api/v1"),
            answer.status().as_u16()
        )
    }

    /// Whether the run is queued, or a run is in progress.
    fn has(&self, run: &str) -> Result<bool> {
        let state: Value = serde_json::from_slice(&self.get(&format!("rigs/{}", encoded(&self.rig)))?)?;
        let waits = state["queue"].as_array().into_iter().flatten().any(|one| one["run"] == run);
        Ok(waits || state["doing"] == "running")
    }

    /// The record, once it is made.
    fn record(&self, run: &str) -> Result<Record> {
        for _ in 0..RECORD_TRIES {
            if let Ok(bytes) = self.get(&format!("runs/{run}")) {
                return serde_json::from_slice(&bytes).context("the daemon's record has another version");
            }
            std::thread::park_timeout(Duration::from_millis(200));
        }
        bail!("the daemon has no record of run {run}: its page says why")
    }
}

/// Percent-encodes a name for a path.
fn encoded(name: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~".contains(&byte);
    name.bytes()
        .map(|byte| if plain(byte) { char::from(byte).to_string() } else { format!("%{byte:02X}") })
        .collect()
}

/// How reading a stream ended.
enum Read {
    /// With the end of the run.
    Whole,
    /// It broke off; the next request continues where it stopped.
    Broken,
    /// The run waits for its turn.
    NotYet,
    /// The run will never begin, with the daemon's reason.
    Never(String),
    /// The daemon cannot send on the journal, with its reason: asking again changes nothing.
    Problem(String),
}

/// Writes every event of the run, in order, to the local journal and passes it on to be shown. A broken stream is continued where it
/// stopped.
fn read(daemon: &Daemon, run: &str, journal: &mut File, events: &Sender<Event>) -> Result<()> {
    let mut last: Option<u64> = None;
    let mut silent = 0;
    while silent < TRIES {
        let there = match read_on(daemon, run, &mut last, journal, events) {
            Ok(Read::Whole) => return Ok(()),
            Ok(Read::NotYet) if last.is_none() => daemon.has(run),
            Ok(Read::NotYet | Read::Broken) => Ok(true),
            Ok(Read::Never(why)) => bail!("nothing was tested: {why}"),
            Ok(Read::Problem(why)) => bail!("the daemon cannot give the rest of run {run}: {why}"),
            Err(error) => Err(error),
        };
        match there {
            Ok(true) => silent = 0,
            Ok(false) => {
                bail!(
                    "nothing was tested: the daemon does not know the run any more, because it was started again"
                )
            }
            Err(error) => {
                if silent == 0 {
                    say::note(&format!("No answer from the daemon ({error:#}); trying again."));
                }
                silent += 1;
            }
        }
        std::thread::park_timeout(if silent > 0 { BETWEEN } else { TURN });
    }
    bail!(
        "the daemon no longer answers; its record of run {run} is on its own disk and says how the run ended"
    )
}

fn read_on(
    daemon: &Daemon,
    run: &str,
    last: &mut Option<u64>,
    journal: &mut File,
    events: &Sender<Event>,
) -> Result<Read> {
    let request = daemon.agent.get(format!("{}/runs/{run}/events", daemon.api)).config();
    let request = request.timeout_recv_response(Some(ALIVE_WITHIN)).timeout_recv_body(Some(STREAM_FOR));
    let mut request = request.build();
    if let Some(last) = last {
        request = request.header("last-event-id", last.to_string());
    }
    let mut answer = request.call()?;
    if answer.status() == 404 {
        let problem: Value =
            serde_json::from_str(&answer.body_mut().read_to_string()?).unwrap_or(Value::Null);
        let never = problem["type"] == NEVER_BEGAN;
        let why = problem["detail"].as_str().filter(|_| never);
        return Ok(why.map_or(Read::NotYet, |why| Read::Never(why.to_owned())));
    }
    if !answer.status().is_success() {
        bail!("the daemon answers {}", answer.status());
    }
    for line in BufReader::new(answer.into_body().into_reader()).lines() {
        let line = match line {
            Ok(line) => line,
            Err(error) if error.kind() == ErrorKind::InvalidData => return Err(error.into()),
            // Cut off, or the time is up: an incomplete line is sent again.
            Err(_) => break,
        };
        let Some(text) = line.strip_prefix("data: ") else { continue };
        let whole = format!("{text}\n");
        let Some(event) = event(whole.as_bytes()) else { return Ok(Read::Problem(problem_in(text))) };
        journal.write_all(whole.as_bytes())?;
        *last = Some(event.seq.0);
        let ended = matches!(event.kind, EventKind::Ended { .. });
        let _nobody_looks = events.send(event);
        if ended {
            return Ok(Read::Whole);
        }
    }
    Ok(Read::Broken)
}

/// What the daemon says of a journal that it cannot send on.
fn problem_in(text: &str) -> String {
    let problem = serde_json::from_str::<Value>(text).ok();
    let detail = problem.as_ref().and_then(|problem| problem["detail"].as_str());
    detail.map_or_else(|| String::from("a line of the daemon's journal is damaged"), str::to_owned)
}

/// Passes answers and stops on to the daemon.
fn pass_on(daemon: &Daemon, run: &str, controlled: &Receiver<Control>) {
    for control in controlled {
        let passed = match control {
            Control::Answer { to, answer, by } => {
                let answer = json!({"run": run, "question": to.0, "answer": answer, "by": by});
                daemon.post("answer", &answer, ANSWER_WITHIN)
            }
            Control::Stop(_) => {
                stop(daemon);
                continue;
            }
        };
        if let Err(error) = passed {
            say::error(&format!("{error:#}"));
        }
    }
}

/// Ends the run with this process: `taken` is notified once signals are caught, `stopped` is set by the first one. A stop not
/// confirmed in time is reported.
fn stop_on_signal(daemon: &Daemon, stopped: &AtomicBool, taken: &Sender<()>) {
    let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
    runtime.block_on(async {
        let mut signals = Signals::take();
        let _nobody_waits = taken.send(());
        loop {
            signals.first().await;
            stopped.store(true, Ordering::SeqCst);
            stop(daemon);
        }
    });
}

fn stop(daemon: &Daemon) {
    if let Err(error) = daemon.post("stop", &json!({}), STOP_WITHIN) {
        say::error(&format!("STOP NOT CONFIRMED ({error:#}): use the hard-wired EMERGENCY STOP"));
    }
}
