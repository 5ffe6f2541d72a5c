//! The order in which finished runs were listed.

use super::*;
use proptest::prelude::*;

/// A program that lists runs after the last one that it knows misses none.
#[test]
fn a_record_that_is_made_late_is_listed_last() {
    let runs = scratch("listed");
    let listed = |daemon: &Runs| {
        let mut all = daemon.newest(None, usize::MAX);
        all.sort_by_key(|entry| entry.listed);
        all.into_iter().map(|entry| entry.run).collect::<Vec<_>>()
    };
    let daemon = Runs::of(&runs);
    daemon.open().expect("it opens");
    for number in [2, 3, 1] {
        store(&runs, Some(number), AT);
        let one = runs.join(format!("{AT}-{number}"));
        let record = std::fs::read(one.join(RECORD)).expect("a record");
        daemon.add(&one, &serde_json::from_slice(&record).expect("a record"), String::new());
    }
    assert_eq!(listed(&daemon), ["run-2", "run-3", "run-1"]);
    drop(daemon);
    let daemon = Runs::of(&runs);
    assert_eq!(daemon.open().expect("it opens"), Opened { indexed: 3, ..Opened::default() });
    assert_eq!(listed(&daemon), ["run-2", "run-3", "run-1"]);
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// What happens while a program asks for the runs after the last one that it knows.
#[derive(Debug, Clone, Copy)]
enum Happens {
    /// A record is made of the run with this number.
    Made(u64),
    /// The folder of the last run that the program knows is deleted.
    LastIsDeleted,
    /// The folder of the run with this number is deleted.
    Deleted(u64),
    /// The daemon is started again.
    Restart,
    /// So it is, and the index is lost meanwhile.
    IndexLost,
    /// The program asks for so many runs.
    Asked(usize),
}

fn happens() -> impl Strategy<Value = Happens> {
    prop_oneof![
        4 => (1_u64..30).prop_map(Happens::Made),
        1 => Just(Happens::LastIsDeleted),
        1 => (1_u64..30).prop_map(Happens::Deleted),
        1 => Just(Happens::Restart),
        2 => Just(Happens::IndexLost),
        3 => (1_usize..5).prop_map(Happens::Asked),
    ]
}

/// A program that asks for runs.
#[derive(Debug, Default)]
struct Asking {
    last: u64,
    got: Vec<String>,
}

impl Asking {
    fn ask(&mut self, daemon: &Runs, most: usize) {
        for entry in daemon.listed_after(None, self.last).into_iter().take(most) {
            self.last = entry.listed;
            self.got.push(entry.run);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Whatever is deleted and lost, and in whatever order the records are made.
    #[test]
    fn who_asks_for_the_runs_after_the_last_one_misses_none_and_gets_none_twice(
        all in prop::collection::vec(happens(), 1..40)
    ) {
        let runs = scratch("asked");
        let folder = |number: u64| runs.join(format!("{AT}-{number}"));
        let (mut daemon, mut asking) = (Some(Runs::of(&runs).opened()), Asking::default());
        let mut made = BTreeMap::new();
        for one in all {
            match one {
                Happens::Made(number) if made.contains_key(&number) => {}
                Happens::Made(number) => {
                    let path = store(&runs, Some(number), AT);
                    let record = std::fs::read(path.join(RECORD)).expect("a record");
                    let record = serde_json::from_slice(&record).expect("a record");
                    daemon.as_ref().expect("it runs").add(&path, &record, String::new());
                    made.insert(number, true);
                }
                Happens::LastIsDeleted | Happens::Deleted(_) => {
                    let last = asking.got.last().and_then(|run| run.strip_prefix("run-")?.parse().ok());
                    let wanted = if let Happens::Deleted(number) = one { Some(number) } else { last };
                    let Some((number, there)) = wanted.and_then(|wanted| made.get_mut(&wanted).map(|there| (wanted, there))) else { continue };
                    // A run that the program was not given yet is not to be had any more.
                    if std::mem::replace(there, false) {
                        std::fs::remove_dir_all(folder(number)).expect("a folder");
                    }
                }
                Happens::Restart | Happens::IndexLost => {
                    drop(daemon.take());
                    if matches!(one, Happens::IndexLost) {
                        drop(std::fs::remove_file(runs.join("runs.index")));
                    }
                    daemon = Some(Runs::of(&runs).opened());
                }
                Happens::Asked(most) => asking.ask(daemon.as_ref().expect("it runs"), most),
            }
        }
        asking.ask(daemon.as_ref().expect("it runs"), usize::MAX);
        let mut once = asking.got.clone();
        once.sort();
        once.dedup();
        prop_assert_eq!(once.len(), asking.got.len(), "twice: {:?}", asking.got);
        let missed = made.iter().filter(|(_, there)| **there).map(|(number, _)| format!("run-{number}"));
        let missed: Vec<String> = missed.filter(|run| !once.contains(run)).collect();
        prop_assert_eq!(missed, Vec::<String>::new());
        std::fs::remove_dir_all(&runs).expect("a folder");
    }
}

/// The identifier of a run of one rig, made this many microseconds from now: the clock was set back meanwhile, or forward.
fn run_of(from_now_ms: i64, filled: u8) -> String {
    let now = jiff::Timestamp::now().as_millisecond();
    let at = u64::try_from(now + from_now_ms).expect("a time");
    uuid::Builder::from_unix_timestamp_millis(at, &[filled; 10]).into_uuid().to_string()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// A program that knows a run by its identifier only, whose folder was deleted since. The run began before the clock was set back.
    #[test]
    fn who_knows_the_identifier_of_a_run_that_is_gone_misses_none_of_those_after_it(
        clock_ms in prop::collection::vec(-10_000_000_i64..10_000_000, 2..6),
        known in any::<prop::sample::Index>(),
        restarted in any::<bool>(),
        index_lost in any::<bool>(),
    ) {
        let runs = scratch("clock");
        let mut daemon = Runs::of(&runs).opened();
        let all: Vec<String> = (0..).zip(&clock_ms).map(|(filled, clock_ms)| run_of(*clock_ms, filled)).collect();
        let mut folders = Vec::new();
        for (run, number) in all.iter().zip(1..) {
            let header = RunHeader { run: run.clone(), ..header(Some(number), AT) };
            let one = runs.join(run);
            std::fs::create_dir(&one).expect("a folder");
            std::fs::write(one.join(JOURNAL), whole_journal(header.clone())).expect("a journal");
            let bytes = record(header);
            std::fs::write(one.join(RECORD), &bytes).expect("a record");
            daemon.add(&one, &serde_json::from_slice(&bytes).expect("a record"), sha256_hex(&bytes));
            folders.push(one);
        }
        let known = known.index(all.len());
        std::fs::remove_dir_all(&folders[known]).expect("a folder");
        if restarted {
            drop(daemon);
            if index_lost {
                std::fs::remove_file(runs.join("runs.index")).expect("an index");
            }
            daemon = Runs::of(&runs).opened();
        }
        let place = place_before(&all[known]).expect("a time");
        let after: Vec<String> = daemon.listed_after(None, place).into_iter().map(|entry| entry.run).collect();
        for run in &all[known + 1..] {
            prop_assert!(after.contains(run), "{} is missed after {}: {:?}", run, all[known], after);
        }
        drop(daemon);
        std::fs::remove_dir_all(&runs).expect("a folder");
    }
}

/// A place of a list that was lost, of this folder or another.
#[rstest]
fn a_place_in_the_future_gives_all_runs(#[values(3_600_000_000, u64::MAX / 2, u64::MAX)] behind: u64) {
    let runs = scratch(&format!("behind-{behind}"));
    store(&runs, Some(1), AT);
    store(&runs, Some(2), AT);
    let daemon = Runs::of(&runs).opened();
    let last = daemon.listed_after(None, 0).pop().expect("a run").listed;
    assert!(daemon.listed_after(None, last).is_empty());
    assert_eq!(daemon.listed_after(None, last.saturating_add(behind)).len(), 2);
    std::fs::remove_dir_all(&runs).expect("a folder");
}
