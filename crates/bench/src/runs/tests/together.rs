//! Several threads at the list of runs, while the disk hangs at one of them.

use super::*;
use crate::listing::place_of;
use std::sync::Barrier;
use std::sync::mpsc::channel;
use std::time::Duration;

/// Hangs at the file that a file `hangs` beside it names.
fn at_file(path: &Path) {
    let hangs = path.with_file_name("hangs");
    while std::fs::read_to_string(&hangs).is_ok_and(|file| path.ends_with(&file)) {
        std::thread::park_timeout(Duration::from_millis(5));
    }
}

/// The record of a run that was aborted at once.
fn record_of(number: u64) -> Record {
    let mut view = RunView::default();
    view.fold(&started(header(Some(number), AT)));
    folder::record(&view).expect("a header").0
}

/// Nobody who asks for the runs, and no other run, waits for the disk at one of them.
#[rstest]
fn a_run_that_hangs_while_it_is_listed_holds_no_other(
    #[values("listed", "runs.index")] file: &str,
    #[values(1, 3)] others: u64,
) {
    disk::probe(at_file);
    let runs = scratch(&format!("hangs-{file}-{others}"));
    let daemon = Runs::of(&runs).opened();
    let hung = store(&runs, Some(1), AT);
    let at = if file == "listed" { &hung } else { &runs };
    std::fs::write(at.join("hangs"), file).expect("a file");
    let (tells, told) = channel();
    std::thread::scope(|scope| {
        let adding = scope.spawn(|| daemon.add(&hung, &record_of(1), String::from("1")));
        // Long enough to come to the disk. If it has not, the test says less.
        std::thread::park_timeout(Duration::from_millis(100));
        let (daemon, runs) = (&daemon, &runs);
        scope.spawn(move || {
            if file == "listed" {
                for number in 2..2 + others {
                    daemon.add(&store(runs, Some(number), AT), &record_of(number), String::new());
                }
            }
            let known = (daemon.newest(None, 9), daemon.counts(), daemon.place("run-2"), daemon.find("none"));
            tells.send(known.0.len()).expect("somebody waits");
        });
        let known = told.recv_timeout(Duration::from_secs(20));
        std::fs::remove_file(at.join("hangs")).expect("a file");
        adding.join().expect("it is added");
        let expected = if file == "listed" { usize::try_from(others).expect("few") } else { 1 };
        assert_eq!(known, Ok(expected));
    });
    // Listed behind those that were listed meanwhile, and its folder says so.
    let last = daemon.listed_after(None, 0).pop().expect("a run");
    assert_eq!(last.run, "run-1");
    assert_eq!(place_of(&hung), Some(last.listed));
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// Its place is in its folder alone: a disk that is full when the daemon starts must not empty it.
#[rstest]
fn the_place_of_an_untrusted_run_is_not_written_again(#[values(1, 3)] starts: u32) {
    let runs = scratch(&format!("untrusted-{starts}"));
    let one = store(&runs, Some(1), AT);
    std::fs::write(one.join(RECORD), "{}").expect("a record");
    let listed = |daemon: &Runs| daemon.newest(None, 9).into_iter().map(|run| run.listed).collect::<Vec<_>>();
    let places = listed(&Runs::of(&runs).opened());
    let file =
        || std::fs::metadata(one.join("listed")).map(|file| (file.ino(), file.ctime_nsec())).expect("a file");
    let before = file();
    for _ in 0..starts {
        let daemon = Runs::of(&runs).opened();
        assert!(daemon.newest(None, 9)[0].untrusted.is_some());
        assert_eq!((listed(&daemon), file()), (places.clone(), before));
    }
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// Attempts at one record that hung wake up together: the run is listed once, at one place, which its folder has too.
#[rstest]
fn a_run_that_is_added_by_several_threads_at_once_is_listed_once(#[values(2, 4)] threads: usize) {
    let runs = scratch(&format!("together-{threads}"));
    let daemon = Runs::of(&runs).opened();
    for number in 1..=25 {
        let (one, barrier) = (store(&runs, Some(number), AT), Barrier::new(threads));
        std::thread::scope(|scope| {
            for _ in 0..threads {
                scope.spawn(|| {
                    let record = record_of(number);
                    barrier.wait();
                    daemon.add(&one, &record, String::from("1"));
                });
            }
        });
        let all = daemon.newest(None, usize::MAX);
        assert_eq!(all.len() as u64, number);
        assert_eq!(place_of(&one), Some(all[0].listed));
    }
    std::fs::remove_dir_all(&runs).expect("a folder");
}
