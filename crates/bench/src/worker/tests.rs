mod fake;

use super::*;
use crate::demo::texts;
use crate::entry::RigEntry;
use crate::phase::Rest;
use crate::plan::Planned;
use crate::rig::tests::Nobody;
use crate::round::Place;
use crate::sheets::{Given, RigSheets};
use crate::waiting::{Job, Seen};
use fake::{Answers, Fake};
use rstest::rstest;
use std::net::TcpListener;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::Receiver;
use tripbench_link::Module;
use tripbench_quantity::{Mono, TimeSpan, VacuumLevel};
use tripbench_rig::Doubt;
use tripbench_runner::{Control, HowEnded, RunHandle, Today, folder};
use tripbench_sheet::Source;

/// An empty folder of runs.
fn scratch() -> PathBuf {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let name = format!("tripbench-worker-{}-{}", std::process::id(), NEXT.fetch_add(1, Ordering::SeqCst));
    let path = std::env::temp_dir().join(name);
    drop(std::fs::remove_dir_all(&path));
    std::fs::create_dir(&path).expect("a folder");
    path
}

/// The worker of the demo's rig at a module with these keys of its link.
fn worker(link: &str, runs: &Path) -> Worker {
    let mut texts = texts();
    let rig = texts.rig.take().expect("a rig sheet");
    let rig = rig.text.replace("tcp = \"127.0.0.1:1502\"", link);
    let rig = rig.replace("\"150 ms\"", "\"60 ms\"").replace("\"500 ms\"", "\"80 ms\"");
    texts.rig = Some(Source::new("rig.toml", rig));
    let sheets = RigSheets::from_texts(texts).expect("good sheets");
    let entry = RigEntry { sheets, simulated: false, probes: None };
    let (rig, wake) = Rig::new(entry, Arc::new(Nobody)).expect("a thread");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    Worker::new(rig, (Arc::new(Runs::of(runs)), wake), runtime)
}

fn at(fake: &Fake) -> Worker {
    worker(&format!("tcp = \"{}\"", fake.address), Path::new("/nonexistent"))
}

impl Worker {
    /// Looks once; the fault found.
    fn fault(&mut self) -> Option<Fault> {
        self.look(Look::AtRest);
        self.rig.status().phase.fault().cloned()
    }

    fn keeps_to_a_module(&self) -> bool {
        self.rig.pin.wire().is_some()
    }
}

/// From its first answer on, and until its outputs were safe: another module would be made safe in its place.
#[rstest]
fn a_module_whose_output_is_stuck_is_kept_to(
    #[values(0, 1, 2, 3, 4)] output: usize,
    #[values(1, 3)] looks: u32,
) {
    let fake = Fake::start(Answers::Stuck(output));
    let mut worker = at(&fake);
    for _ in 0..looks {
        assert_eq!(worker.fault(), Some(Fault::NotSafe(Doubt::OutputsDiffer)));
        assert!(worker.keeps_to_a_module(), "after its first answer");
    }
    fake.set(Answers::Nothing);
    for _ in 0..looks {
        assert!(worker.fault().is_some_and(|fault| fault.outputs_safe() == Some(false)));
        assert!(worker.keeps_to_a_module(), "its output may be open");
    }
    fake.set(Answers::Well);
    assert_eq!(worker.fault(), None);
    fake.set(Answers::Nothing);
    assert!(worker.fault().is_some_and(|fault| fault.is_silence()));
    assert!(!worker.keeps_to_a_module(), "its outputs were safe");
}

/// What never answers is no module yet: its name may be mended, or its port plugged in elsewhere.
#[rstest]
#[case::silence(Answers::Nothing, false)]
#[case::a_gateway_without_a_path(Answers::Refusal(0x0A), false)]
#[case::a_gateway_whose_module_is_off(Answers::Refusal(0x0B), false)]
#[case::a_module_that_is_busy(Answers::Refusal(0x06), true)]
#[case::a_module_that_fails(Answers::Refusal(0x04), true)]
fn a_module_is_kept_to_once_it_has_answered(#[case] answers: Answers, #[case] kept: bool) {
    let fake = Fake::start(answers);
    let mut worker = at(&fake);
    for _ in 0..2 {
        assert!(worker.fault().is_some());
        assert_eq!(worker.keeps_to_a_module(), kept);
    }
    fake.set(Answers::Well);
    assert_eq!(worker.fault(), None);
    assert!(worker.keeps_to_a_module());
}

/// The name of the module leads nowhere by now.
#[test]
fn as_long_as_a_module_is_kept_to_its_name_is_not_looked_up() {
    let fake = Fake::start(Answers::Well);
    let mut first = at(&fake);
    assert_eq!(first.fault(), None);
    let mut worker = worker("tcp = \"nowhere.invalid:502\"", Path::new("/nonexistent"));
    worker.rig.pin.set(first.reached.as_ref().expect("it was reached"));
    for _ in 0..3 {
        worker.link = None;
        assert_eq!(worker.fault(), None);
    }
    fake.set(Answers::Nothing);
    assert!(matches!(worker.fault(), Some(Fault::Silent(_))));
    assert!(!worker.keeps_to_a_module());
    assert!(matches!(worker.fault(), Some(Fault::Unreachable(_))), "its name is looked up again");
}

/// The thread of a run has panicked. Only if its outputs were made safe may its name lead elsewhere.
#[rstest]
#[case::made_safe(Answers::Well, false)]
#[case::stuck(Answers::Stuck(0), true)]
fn after_a_run_that_panicked_a_module_is_kept_to_until_its_outputs_were_safe(
    #[case] answers: Answers,
    #[case] kept: bool,
) {
    let fake = Fake::start(Answers::Well);
    let mut worker = at(&fake);
    assert_eq!(worker.fault(), None);
    // As a run does.
    worker.link = None;
    (worker.safe, worker.left_safe) = (false, false);
    fake.set(answers);
    let sheet = worker.rig.sheets.rig().clone();
    worker.halted(HowEnded::Panicked, &sheet);
    fake.set(Answers::Nothing);
    for _ in 0..2 {
        assert!(worker.fault().is_some());
        assert_eq!(worker.keeps_to_a_module(), kept);
    }
}

/// After a reset of a hub, each path may lead to the other port. The devices stand for ports: they are there, and answer nothing.
#[test]
fn two_rigs_whose_ports_have_changed_places_lock_each_others() {
    let folder = scratch();
    let paths = ["one", "other"].map(|name| folder.join(name));
    let lead_to = |devices: [&str; 2]| {
        for (path, device) in paths.iter().zip(devices) {
            drop(std::fs::remove_file(path));
            symlink(device, path).expect("a link");
        }
    };
    lead_to(["/dev/null", "/dev/zero"]);
    let mut workers = [0, 1].map(|rig| {
        let keys = format!("serial = \"{}\"\nbaud = 115200", paths[rig].display());
        worker(&keys, Path::new("/nonexistent"))
    });
    let locked = |worker: &Worker| {
        let module = Module::of(&worker.rig.sheets.rig().link).expect("a port");
        worker.lock.as_ref().is_some_and(|lock| lock.is_of(&module))
    };
    for devices in [["/dev/null", "/dev/zero"], ["/dev/zero", "/dev/null"], ["/dev/null", "/dev/zero"]] {
        lead_to(devices);
        // The first finds its port still taken, and has let go of its own.
        for worker in &mut workers {
            worker.fault();
        }
        workers[0].fault();
        assert!(workers.iter().all(locked), "{devices:?}");
    }
    std::fs::remove_dir_all(&folder).expect("a folder");
}

/// A run that is next on a rig whose module was never reached.
fn next_run(worker: &Worker, has_room: bool) -> (Job, (RunHandle, Receiver<Control>)) {
    let place = Place { position: 1, serial: Some(String::from("A-1")), ..Place::default() };
    let planned = worker.rig.sheets.prepare(Given::default(), (&[place], &[]), &Today::by_clock());
    let Planned { prepared, script, own } = planned.expect("a plan");
    let press = worker.rig.press().expect("it answers");
    let mut job = Job { prepared, script, again: None, own, press };
    if !has_room {
        // Its journal is predicted to be larger than any disk here, and smaller than what a file may be: 250 bytes for each scan.
        let scans = f64::from(1 << 30) * f64::from(1 << 13) / 250.0;
        let scan_time = worker.rig.sheets.rig().scan_time().si();
        job.prepared.task.steps[0].predicted = TimeSpan::new(scans * scan_time.max(5e-4));
    }
    let seen = Seen { revision: None, round: None, stops: 0, unattended: false };
    let next = worker.rig.ask(move |owner| {
        owner.found(Look::AtRest, Ok(Rest { level: VacuumLevel::new(0.0), vented: true }));
        owner.enqueue(job, seen, Mono::START).expect("it is taken");
        owner.next()
    });
    let Ok(Next::Job(job, controls)) = next else { panic!("it is next") };
    (*job, controls)
}

/// An address at which nobody answers.
fn nobody() -> String {
    let free = TcpListener::bind("127.0.0.1:0").and_then(|free| free.local_addr()).expect("a port");
    format!("tcp = \"{free}\"")
}

#[test]
fn a_run_without_a_module_that_was_reached_is_refused_and_leaves_no_folder() {
    let runs = scratch();
    let mut worker = worker(&nobody(), &runs);
    let (job, controls) = next_run(&worker, true);
    let run = job.run().to_owned();
    worker.run(job, controls);
    worker.look(Look::AtRest);
    let status = worker.rig.status();
    assert!(
        status.why_never_began(&run).is_some_and(|why| why.contains(&Doubt::Lost.to_string())),
        "{status:?}"
    );
    assert!(!worker.began && status.phase.run().is_none());
    assert_eq!(std::fs::read_dir(&runs).expect("runs").count(), 0);
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// Whoever asks for the events of a run finds its journal: the folder is told once it is there. Without room on the disk it is not made.
#[rstest]
fn the_folder_of_a_run_is_told_once_its_journal_is_there(#[values(true, false)] has_room: bool) {
    let runs = scratch();
    let mut worker = worker(&nobody(), &runs);
    let (job, _controls) = next_run(&worker, has_room);
    let run = job.run().to_owned();
    let laid_out = worker.laid_out(job);
    let told = worker.rig.ask(move |owner| owner.status().folder_of(&run)).expect("it answers");
    match laid_out {
        Ok((prepared, _)) => {
            assert!(has_room);
            assert_eq!(told.as_ref(), Some(&prepared.folder));
            assert!(prepared.folder.join(folder::JOURNAL).exists());
            assert_eq!(worker.rig.status().folder_of(&prepared.header.run), told, "published");
        }
        Err(_) => assert_eq!((has_room, told), (false, None)),
    }
    std::fs::remove_dir_all(&runs).expect("a folder");
}
