mod changed;
mod copies;
mod damaged;
mod listed;
mod together;

use super::open::Opened;
use super::*;
use crate::demo::planned;
use rstest::rstest;
use std::fs::{FileTimes, TryLockError};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::sync::LazyLock;
use tripbench_quantity::Mono;
use tripbench_record::journal::{MAGIC, Tally, closing_line, line};
use tripbench_record::{Event, EventKind, RunHeader, RunView, Seq, canonical_json, sha256_hex};
use tripbench_runner::JournalWriter;
use tripbench_runner::folder::{JOURNAL, RECORD};

/// An empty folder.
fn scratch(name: &str) -> PathBuf {
    let path = std::env::temp_dir().join(format!("tripbench-runs-{}-{name}", std::process::id()));
    drop(std::fs::remove_dir_all(&path));
    std::fs::create_dir(&path).expect("a folder");
    path
}

/// A header, planned once.
static HEADER: LazyLock<RunHeader> = LazyLock::new(|| planned(&[1]).prepared.header);

fn header(number: Option<u64>, started: &str) -> RunHeader {
    let run = format!("run-{}", number.map_or_else(|| started.to_owned(), |number| number.to_string()));
    RunHeader { run, number, started: started.to_owned(), ..HEADER.clone() }
}

fn started(header: RunHeader) -> Event {
    Event { seq: Seq(0), at: Mono::START, kind: EventKind::Started(Box::new(header)) }
}

/// The bytes of a record of a run that was aborted at once.
fn record(header: RunHeader) -> Vec<u8> {
    let mut view = RunView::default();
    view.fold(&started(header));
    canonical_json(&folder::record(&view).expect("a header").0).expect("finite")
}

/// The journal of a run that was aborted at once.
fn whole_journal(header: RunHeader) -> String {
    let text = format!("{MAGIC}{}", line(&started(header), None).expect("a line"));
    let mut before = Tally::default();
    before.add(text.as_bytes());
    let ended = Event { seq: Seq(1), at: Mono::START, kind: EventKind::Ended { ended: None } };
    text + &closing_line(&ended, &before).expect("a line")
}

/// Stores a finished run, and returns its folder.
fn store(runs: &Path, number: Option<u64>, at: &str) -> PathBuf {
    let one = runs.join(format!("{at}-{}", number.unwrap_or(0)));
    std::fs::create_dir(&one).expect("a folder");
    std::fs::write(one.join(JOURNAL), whole_journal(header(number, at))).expect("a journal");
    std::fs::write(one.join(RECORD), record(header(number, at))).expect("a record");
    one
}

/// Stores a run whose program ended before the run did.
fn store_open(runs: &Path, number: u64, at: &str) -> PathBuf {
    let one = runs.join(format!("{at}-{number}"));
    std::fs::create_dir(&one).expect("a folder");
    let journal = JournalWriter::create(&one.join(JOURNAL), 0, Box::new(|_| {})).expect("a journal");
    journal.send(started(header(Some(number), at))).expect("written");
    journal.finish().expect("written");
    one
}

/// Opens a folder of runs as a daemon does, and ends that daemon.
fn opened(runs: &Path) -> (Opened, Vec<String>) {
    let daemon = Runs::of(runs);
    let opened = daemon.open().expect("it opens");
    (opened, daemon.newest(None, usize::MAX).into_iter().map(|entry| entry.run).collect())
}

impl Runs {
    fn opened(self) -> Self {
        self.open().expect("it opens");
        self
    }
}

const AT: &str = "2026-11-25T07:00:00+01:00";

#[test]
fn a_second_start_with_hundreds_of_runs_reads_no_record() {
    let runs = scratch("many");
    let bare = RunHeader { sheets: Vec::new(), steps: Vec::new(), predictions: Vec::new(), ..HEADER.clone() };
    for number in 1..=400 {
        let one = runs.join(format!("{number:04}"));
        std::fs::create_dir(&one).expect("a folder");
        let header = RunHeader { number: Some(number), run: format!("run-{number}"), ..bare.clone() };
        std::fs::write(one.join(JOURNAL), whole_journal(header.clone())).expect("a journal");
        std::fs::write(one.join(RECORD), record(header)).expect("a record");
    }
    let (first, all) = opened(&runs);
    assert_eq!((first, all.len()), (Opened { read: 400, ..Opened::default() }, 400));
    assert_eq!(opened(&runs), (Opened { indexed: 400, ..Opened::default() }, all));
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// What happens to a folder of three runs between two starts, and how many records are then read.
#[rstest]
#[case::nothing(|_: &Path| {}, 0)]
#[case::no_index(|runs: &Path| std::fs::remove_file(runs.join("runs.index")).expect("an index"), 3)]
#[case::emptied(|runs: &Path| std::fs::write(runs.join("runs.index"), "").expect("an index"), 3)]
#[case::of_something_else(|runs: &Path| change(runs, |text| text.replace("tripbench-runs 4", "tripbench-runs 3")), 3)]
#[case::largest_number_changed(|runs: &Path| change(runs, |text| text.replacen("runs 4 3 ", "runs 4 7 ", 1)), 0)]
#[case::last_line_cut_off(|runs: &Path| change(runs, |text| text[..text.len() - 9].to_owned()), 1)]
#[case::a_verdict_changed(|runs: &Path| change(runs, |text| text.replacen("aborted", "pass", 1)), 1)]
#[case::lines_joined(|runs: &Path| change(runs, |text| text.replacen("}\n", "}", 1)), 2)]
#[case::a_line_twice(|runs: &Path| change(runs, |text| format!("{text}{}\n", text.lines().nth(1).expect("a line"))), 0)]
#[case::a_record_changed(|runs: &Path| touch(&runs.join(format!("{AT}-2")), true), 1)]
#[case::a_record_written_again_at_its_old_time(|runs: &Path| touch(&runs.join(format!("{AT}-2")), false), 1)]
fn an_index_is_believed_only_as_far_as_it_fits_the_records(#[case] happens: fn(&Path), #[case] read: usize) {
    let test = std::thread::current();
    let runs = scratch(&test.name().unwrap_or_default().replace(':', "-"));
    for number in 1..=3 {
        store(&runs, Some(number), AT);
    }
    let (_, all) = opened(&runs);
    assert_eq!(all, ["run-3", "run-2", "run-1"]);
    happens(&runs);
    assert_eq!(opened(&runs), (Opened { indexed: 3 - read, read, ..Opened::default() }, all.clone()));
    let (_, next) = Runs::of(&runs).opened().folder("rig", "a-1").expect("a folder");
    assert_eq!(next, 4, "a number that was not given");
    // It was written anew.
    assert_eq!(opened(&runs), (Opened { indexed: 3, ..Opened::default() }, all));
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// Changes the text of the index.
fn change(runs: &Path, how: impl Fn(&str) -> String) {
    let path = runs.join("runs.index");
    let text = std::fs::read_to_string(&path).expect("an index");
    let other = how(&text);
    assert_ne!(text, other);
    std::fs::write(path, other).expect("an index");
}

/// Writes a record again with as many bytes; with its old time of modification unless `later`.
fn touch(run: &Path, later: bool) {
    let path = run.join(RECORD);
    let modified = std::fs::metadata(&path).expect("a record").modified().expect("a time");
    let bytes = std::fs::read(&path).expect("a record");
    std::fs::write(&path, bytes).expect("a record");
    if !later {
        let file = File::options().write(true).open(&path).expect("a record");
        file.set_times(FileTimes::new().set_modified(modified)).expect("a time");
    }
}

#[test]
fn a_run_whose_folder_is_gone_is_gone_but_its_number_is_not_given_again() {
    let runs = scratch("gone");
    store(&runs, Some(1), AT);
    let last = store(&runs, Some(7), AT);
    opened(&runs);
    std::fs::remove_dir_all(last).expect("a folder");
    for _ in 0..2 {
        assert_eq!(opened(&runs).1, ["run-1"]);
    }
    let daemon = Runs::of(&runs);
    daemon.open().expect("it opens");
    let numbers = ["a-1", "a-2"].map(|run| daemon.folder("rig", run).expect("a folder").1);
    assert_eq!(numbers, [8, 9]);
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// Runs without a number are those of the command.
#[test]
fn runs_are_ordered_by_number_and_not_by_a_clock_that_was_set_back() {
    let runs = scratch("order");
    store(&runs, Some(1), "2026-11-25T07:00:00+01:00");
    store(&runs, Some(2), "2019-01-01T00:00:00+01:00");
    store(&runs, None, "2027-01-01T00:00:00+01:00");
    store(&runs, None, "2026-12-31T23:30:00-05:00");
    let expected = ["run-2", "run-1", "run-2026-12-31T23:30:00-05:00", "run-2027-01-01T00:00:00+01:00"];
    for _ in 0..2 {
        assert_eq!(opened(&runs).1, expected);
    }
    // Also while the daemon runs: a record of an earlier run that is made late is not that of the last run.
    let daemon = Runs::of(&runs);
    daemon.open().expect("it opens");
    for number in [9, 8] {
        let mut view = RunView::default();
        view.fold(&started(header(Some(number), AT)));
        let one = store(&runs, Some(number), AT);
        daemon.add(&one, &folder::record(&view).expect("a header").0, String::new());
    }
    let newest = daemon.newest(Some("goods-in-1"), 2);
    assert_eq!(newest.iter().map(|entry| &entry.run).collect::<Vec<_>>(), ["run-9", "run-8"]);
    drop(daemon);
    assert_eq!(opened(&runs).0, Opened { indexed: 6, ..Opened::default() });
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// The digest is that of the bytes that the daemon gives to its clients, whatever told it: the record itself, the index, or the closing
/// of a run that was left open.
#[test]
fn a_run_is_listed_with_the_digest_of_its_record() {
    let runs = scratch("digest");
    store(&runs, Some(1), AT);
    store_open(&runs, 2, AT);
    for (indexed, read) in [(0, 1), (2, 0)] {
        let daemon = Runs::of(&runs);
        assert_eq!(daemon.open().expect("it opens"), Opened { indexed, read, ..Opened::default() });
        let listed = daemon.newest(None, usize::MAX);
        let digests = listed.iter().map(|entry| entry.sha256.clone());
        let bytes =
            |number: u64| std::fs::read(runs.join(format!("{AT}-{number}")).join(RECORD)).expect("a record");
        assert_eq!(digests.collect::<Vec<_>>(), [2, 1].map(|number| sha256_hex(&bytes(number))));
    }
    std::fs::remove_dir_all(&runs).expect("a folder");
}

#[test]
fn a_folder_of_runs_belongs_to_one_daemon() {
    let runs = scratch("lock");
    let first = Runs::of(&runs);
    first.open().expect("it opens");
    let refused = Runs::of(&runs).open();
    assert!(matches!(refused, Err(RunsError::Taken(_))), "{refused:?}");
    drop(first);
    Runs::of(&runs).open().expect("it is free");
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// Left by an earlier daemon, possibly of another user.
#[rstest]
#[case::that_nobody_may_open("mode")]
#[case::that_is_no_file("folder")]
fn a_leftover_lock_keeps_nobody_out(#[case] what: &str) {
    let runs = scratch(&format!("leftover-{what}"));
    let lock = runs.join("lock");
    match what {
        "mode" => {
            std::fs::write(&lock, "").expect("a file");
            std::fs::set_permissions(&lock, std::fs::Permissions::from_mode(0o000)).expect("a mode");
        }
        _ => std::fs::create_dir(&lock).expect("a folder"),
    }
    Runs::of(&runs).open().expect("it opens");
    std::fs::remove_dir_all(&runs).expect("a folder");
}

#[rstest]
#[case::no_locks(37, true)]
#[case::not_supported(95, true)]
#[case::not_implemented(38, true)]
#[case::no_locks_on_folders(9, true)]
#[case::defective_disk(5, false)]
fn a_file_system_without_locks_is_named_with_what_to_do(#[case] errno: i32, #[case] without: bool) {
    let error = TryLockError::Error(std::io::Error::from_raw_os_error(errno));
    let said = chain(&open::not_locked(Path::new("/mnt/runs"), error));
    assert!(said.contains("`/mnt/runs`"), "{said}");
    assert_eq!(said.contains("a local disk (`runs` in the bench sheet)"), without, "{said}");
}

/// Instead of a full disk: a file of the record cannot be created.
#[test]
fn a_run_left_open_stays_owed_until_its_record_is_made() {
    let runs = scratch("owed");
    store(&runs, Some(1), AT);
    let open = store_open(&runs, 2, AT);
    let stone = open.join("trace.csv.part");
    std::fs::create_dir(&stone).expect("a folder");
    let owed = OwedRun { run: String::from("run-2"), folder: open };
    // A folder that is left over has its number in its name.
    for number in [3, 4] {
        let daemon = Runs::of(&runs);
        daemon.open().expect("it opens");
        // The verdict of the run before it is not the last one.
        assert!(matches!(daemon.last("goods-in-1"), Some(Last::Unmade(unmade)) if unmade.owed == owed));
        assert!(daemon.take_unmade("goods-in-1").is_empty(), "not before it is shown");
        daemon.are_shown();
        assert!(daemon.take_unmade("goods-in-2").is_empty());
        let unmade = daemon.take_unmade("goods-in-1");
        assert_eq!(unmade.iter().map(|one| &one.owed).collect::<Vec<_>>(), [&owed]);
        assert!(daemon.take_unmade("goods-in-1").is_empty(), "once");
        assert_eq!(daemon.folder("goods-in-1", "a-3").expect("a folder").1, number);
    }
    std::fs::remove_dir(&stone).expect("a folder");
    let daemon = Runs::of(&runs);
    daemon.open().expect("it opens");
    assert!(
        matches!(daemon.last("goods-in-1"), Some(Last::Kept(snapshot, false)) if snapshot.run() == "run-2")
    );
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// A record that exists is not made again: it may be one of a later version.
#[rstest]
#[case::later_than_the_last_record(2, true)]
#[case::earlier(0, false)]
fn a_record_that_cannot_be_read_is_no_reason_to_show_the_verdict_before_it(
    #[case] number: u64,
    #[case] hides: bool,
    #[values("", "{\"format\":\"of tomorrow\"}")] content: &str,
) {
    let runs = scratch(&format!("unread-{number}-{}", content.len()));
    store(&runs, Some(1), AT);
    let record = store_open(&runs, number, AT).join(RECORD);
    std::fs::write(&record, content).expect("a record");
    let daemon = Runs::of(&runs);
    daemon.open().expect("it opens");
    let last = daemon.last("goods-in-1");
    assert_eq!(matches!(last, Some(Last::Unmade(_))), hides, "{last:?}");
    daemon.are_shown();
    assert!(daemon.take_unmade("goods-in-1").is_empty());
    assert_eq!(std::fs::read_to_string(&record).expect("a record"), content);
    assert_eq!(daemon.folder("goods-in-1", "a-3").expect("a folder").1, number.max(1) + 1);
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// The journal names the run and its rig even if it is damaged after that.
#[rstest]
#[case::later_than_the_last_record(2, true)]
#[case::earlier(0, false)]
fn a_damaged_run_hides_the_verdicts_before_it_only(#[case] number: u64, #[case] hides: bool) {
    let runs = scratch(&format!("damaged-{number}"));
    // A record alone is not shown, but it is the last one.
    store(&runs, Some(1), AT);
    let journal = store_open(&runs, number, AT).join(JOURNAL);
    let bytes = std::fs::read(&journal).expect("a journal");
    let whole = std::fs::read_to_string(&journal).expect("a journal");
    let first = whole.lines().nth(1).expect("an event").to_owned();
    let later = line(&Event { seq: Seq(2), at: Mono::START, kind: EventKind::Safe }, Some(Seq(1)));
    let damaged = [&bytes[..], first.as_bytes(), b"\n", later.expect("a line").as_bytes()].concat();
    std::fs::write(&journal, damaged).expect("a journal");
    let daemon = Runs::of(&runs);
    daemon.open().expect("it opens");
    let last = daemon.last("goods-in-1");
    assert_eq!(matches!(last, Some(Last::Unmade(_))), hides, "{last:?}");
    std::fs::remove_dir_all(&runs).expect("a folder");
}
