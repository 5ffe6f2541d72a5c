//! Several folders of one run.

use super::*;
use crate::runs::genuine::Changed;
use proptest::prelude::*;
use std::collections::BTreeSet;
use tripbench_record::Halt;
use tripbench_runner::folder::TRACE;

/// Copies a run as a file manager does.
fn copy(run: &Path, name: &str) -> PathBuf {
    let copy = run.with_file_name(name);
    std::fs::create_dir(&copy).expect("a folder");
    for file in std::fs::read_dir(run).expect("a folder").flatten() {
        std::fs::copy(file.path(), copy.join(file.file_name())).expect("a copy");
    }
    copy
}

/// `known` is whether the daemon has listed the run before it was copied: then the copy never counts, whatever its name.
#[rstest]
#[case::finished("2", "copy of 2", true, 1)]
#[case::with_a_name_that_comes_first("2", "0", true, 1)]
#[case::before_the_first_start("2", "copy of 2", false, 1)]
#[case::left_open("4", "4 (copy)", false, 0)]
#[case::left_open_and_closed_since("4", "0", true, 1)]
fn a_run_that_was_copied_counts_once(
    #[case] which: &str,
    #[case] copied_to: &str,
    #[case] known: bool,
    #[case] read: usize,
) {
    let runs = scratch(&format!("copied-{which}-{copied_to}-{known}"));
    for number in 1..=3 {
        store(&runs, Some(number), AT);
    }
    store_open(&runs, 4, AT);
    if known {
        opened(&runs);
    }
    let run = runs.join(format!("{AT}-{which}"));
    let other = copy(&run, copied_to);
    let (first, all) = opened(&runs);
    assert_eq!(all, ["run-4", "run-3", "run-2", "run-1"]);
    assert_eq!(first.copies, std::slice::from_ref(&other));
    // The index does not have it: its record is read at every start, and the index stays as it is.
    let index = std::fs::metadata(runs.join("runs.index")).expect("an index").ino();
    let expected = Opened { indexed: 4, read, copies: vec![other.clone()] };
    assert_eq!(opened(&runs), (expected, all));
    assert_eq!(std::fs::metadata(runs.join("runs.index")).expect("an index").ino(), index, "written anew");
    let counts: usize = Runs::of(&runs).opened().counts().into_iter().map(|(.., count)| count).sum();
    assert_eq!(counts, 4, "one device in each run");
    assert!(!other.join(folder::REPORT).exists() || known, "a copy was closed");
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// A run that was left open with a second event, by which its record tells who stopped it, and was closed since.
fn store_stopped(runs: &Path, by: &str) -> PathBuf {
    let one = store_open(runs, 1, AT);
    let halted = EventKind::Halted(Halt::Operator { by: by.to_owned() });
    let halted = line(&Event { seq: Seq(1), at: Mono::START, kind: halted }, None).expect("a line");
    let mut bytes = std::fs::read(one.join(JOURNAL)).expect("a journal");
    bytes.extend_from_slice(halted.as_bytes());
    std::fs::write(one.join(JOURNAL), bytes).expect("a journal");
    opened(runs);
    one
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Whichever of two folders is damaged, in whichever file, whatever their names, and whether the daemon has listed the run before.
    #[test]
    fn a_run_is_shown_from_the_folder_that_is_sound(
        copied_to in prop::sample::select(vec!["0", "copy"]),
        damages_the_copy in any::<bool>(),
        file in prop::sample::select(vec![JOURNAL, RECORD, TRACE]),
        place in any::<prop::sample::Index>(),
        known in any::<bool>(),
    ) {
        let runs = scratch(&format!("sound-{}", std::thread::current().name().unwrap_or("copies").replace(':', "-")));
        let run = store_stopped(&runs, "Ann");
        let other = copy(&run, copied_to);
        let (damaged, sound) = if damages_the_copy { (&other, &run) } else { (&run, &other) };
        let mut bytes = std::fs::read(damaged.join(file)).expect("a file");
        let place = place.index(bytes.len());
        bytes[place] ^= 1;
        std::fs::write(damaged.join(file), bytes).expect("a file");
        if !known {
            std::fs::remove_file(runs.join("runs.index")).expect("an index");
        }
        for _ in 0..2 {
            let daemon = Runs::of(&runs).opened();
            prop_assert_eq!(daemon.find("run-1"), Some(sound.clone()));
            let entry = daemon.entry("run-1").expect("it is listed");
            prop_assert_eq!(entry.others, Vec::<String>::new());
            let record = std::fs::read(sound.join(RECORD)).expect("a record");
            prop_assert_eq!(entry.sha256, sha256_hex(&record));
        }
        std::fs::remove_dir_all(&runs).expect("a folder");
    }
}

/// One was stopped by Ann, the other by Ben: only one of it can be true.
#[rstest]
fn two_sound_folders_of_one_run_that_differ_are_told_and_no_verdict_is_shown(
    #[values("0", "copy")] copied_to: &str,
    #[values(false, true)] known: bool,
) {
    let (runs, beside) =
        (scratch(&format!("two-{copied_to}-{known}")), scratch(&format!("beside-{copied_to}-{known}")));
    let bens = store_stopped(&beside, "Ben");
    let anns = store_stopped(&runs, "Ann");
    let other = runs.join(copied_to);
    std::fs::rename(&bens, &other).expect("a folder");
    if !known {
        std::fs::remove_file(runs.join("runs.index")).expect("an index");
    }
    let digest = |folder: &Path| sha256_hex(&std::fs::read(folder.join(RECORD)).expect("a record"));
    let both = |one: String, other: String| BTreeSet::from([one, other]);
    for _ in 0..2 {
        let daemon = Runs::of(&runs).opened();
        let listed = daemon.newest(None, usize::MAX);
        assert_eq!((listed.len(), listed[0].others.len()), (1, 1));
        let told = both(listed[0].sha256.clone(), listed[0].others[0].clone());
        assert_eq!(told, both(digest(&anns), digest(&other)));
        let Some(Last::Unmade(last)) = daemon.last("goods-in-1") else { panic!("a verdict is shown") };
        assert!(last.why.contains("different records of one run") && !last.to_make, "{last:?}");
        // Nothing says what its devices are.
        assert!(matches!(daemon.genuine("run-1"), Some(Err(Changed::Disputed(_)))));
        assert!(daemon.undisputed("run-1").is_err() && daemon.counts().is_empty());
        assert!(
            !listed[0].positions.is_empty() && listed[0].positions.iter().all(|one| one.verdict.is_none())
        );
        assert!(daemon.beside("run-1", &[]).is_empty());
    }
    std::fs::remove_dir_all(&other).expect("a folder");
    let daemon = Runs::of(&runs).opened();
    assert!(matches!(daemon.last("goods-in-1"), Some(Last::Kept(..))));
    assert!(matches!(daemon.genuine("run-1"), Some(Ok(_))));
    assert!(daemon.undisputed("run-1").is_ok());
    assert_eq!((daemon.counts().len(), daemon.beside("run-1", &[]).len()), (1, 1));
    assert_eq!(daemon.newest(None, 1)[0].sha256, digest(&anns));
    for folder in [runs, beside] {
        std::fs::remove_dir_all(folder).expect("a folder");
    }
}

/// The program was killed after the run was copied; the copy has an event less, or is damaged.
#[rstest]
fn of_several_runs_left_open_the_one_with_most_events_is_closed(
    #[values("0", "copy")] copied_to: &str,
    #[values(1, 4, 30)] events: u64,
    #[values(false, true)] damaged: bool,
) {
    let runs = scratch(&format!("left-open-{copied_to}-{events}-{damaged}"));
    let run = store_open(&runs, 1, AT);
    let other = copy(&run, copied_to);
    let mut bytes = std::fs::read(run.join(JOURNAL)).expect("a journal");
    let second = bytes.len() + 1;
    for seq in 1..=events {
        let safe = Event { seq: Seq(seq), at: Mono::START, kind: EventKind::Safe };
        bytes.extend_from_slice(line(&safe, Some(Seq(seq - 1))).expect("a line").as_bytes());
    }
    std::fs::write(run.join(JOURNAL), &bytes).expect("a journal");
    if damaged {
        // Longer, and not to be believed.
        bytes.extend_from_slice(&bytes.clone());
        bytes[second] ^= 1;
        std::fs::write(other.join(JOURNAL), bytes).expect("a journal");
    }
    let daemon = Runs::of(&runs);
    assert_eq!(daemon.open().expect("it opens").copies, [other]);
    assert_eq!(daemon.find("run-1"), Some(run));
    std::fs::remove_dir_all(&runs).expect("a folder");
}
