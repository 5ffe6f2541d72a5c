//! Runs whose files are damaged: none vanishes, no number is given twice, and no older verdict is shown in their place.

use super::*;
use proptest::prelude::*;
use tripbench_runner::folder::TRACE;

/// What happens to a file.
#[derive(Debug, Clone)]
enum Damage {
    None,
    /// One bit changes: in the first event of a journal, in the header of a record, or anywhere.
    Bit(prop::sample::Index, u8),
    Emptied,
    Deleted,
}

fn damage() -> impl Strategy<Value = Damage> {
    prop_oneof![
        1 => Just(Damage::None),
        4 => (any::<prop::sample::Index>(), 0_u8..8).prop_map(|(at, bit)| Damage::Bit(at, bit)),
        1 => Just(Damage::Emptied),
        1 => Just(Damage::Deleted),
    ]
}

impl Damage {
    /// Does it to a file, within its first `within` bytes.
    fn happens_to(&self, path: &Path, within: usize) {
        let Ok(mut bytes) = std::fs::read(path) else { return };
        match self {
            Self::None => {}
            Self::Bit(at, bit) => {
                let at = at.index(within.min(bytes.len()));
                bytes[at] ^= 1 << bit;
                std::fs::write(path, bytes).expect("a file");
            }
            Self::Emptied => std::fs::write(path, "").expect("a file"),
            Self::Deleted => std::fs::remove_file(path).expect("a file"),
        }
    }
}

/// A run that a daemon has started, with an event after its start; its record is made at the next start.
fn store_begun(daemon: &Runs) -> (PathBuf, u64) {
    let (one, number) = daemon
        .folder("goods-in-1", &format!("a-{number}", number = daemon.next.load(Ordering::SeqCst)))
        .expect("a folder");
    let journal = JournalWriter::create(&one.join(JOURNAL), 0, Box::new(|_| {})).expect("a journal");
    journal.send(started(header(Some(number), AT))).expect("written");
    journal.send(Event { seq: Seq(1), at: Mono::START, kind: EventKind::Safe }).expect("written");
    journal.finish().expect("written");
    (one, number)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(120))]

    /// Whichever run it is, whatever happens to its journal and to its record, whether it has a record, whether the index is lost, and
    /// whatever its folder is called.
    #[test]
    fn a_run_whose_files_are_damaged_never_vanishes_and_its_number_is_not_given_again(
        which in 0_usize..3,
        (journal, record) in (damage(), damage()),
        at_the_start in any::<bool>(),
        has_record in any::<bool>(),
        index_lost in any::<bool>(),
        renamed in any::<bool>(),
    ) {
        let runs = scratch(&format!("damaged-{}", std::thread::current().name().unwrap_or_default().replace(':', "-")));
        let daemon = Runs::of(&runs).opened();
        let mut all: Vec<(PathBuf, u64)> = (0..2).map(|_| store_begun(&daemon)).collect();
        if has_record {
            all.push(store_begun(&daemon));
        }
        drop(daemon);
        opened(&runs);
        if !has_record {
            let daemon = Runs::of(&runs).opened();
            all.push(store_begun(&daemon));
        }
        let serial = HEADER.positions[0].identity.serial.clone();
        let (mut one, number) = all[which].clone();
        if renamed {
            let name = one.with_file_name("moved by hand");
            std::fs::rename(&one, &name).expect("a folder");
            one = name;
        }
        let within = if at_the_start { 2_000 } else { usize::MAX };
        journal.happens_to(&one.join(JOURNAL), within);
        record.happens_to(&one.join(RECORD), usize::MAX);
        let as_it_was = std::fs::read(one.join(JOURNAL)).ok();
        if index_lost {
            std::fs::remove_file(runs.join("runs.index")).expect("an index");
        }
        for _ in 0..2 {
            let daemon = Runs::of(&runs).opened();
            let nothing_is_left = [JOURNAL, RECORD, TRACE].iter().all(|file| !one.join(file).exists());
            let owed: Vec<Unmade> = daemon.unmade.lock().expect("a lock").clone();
            let listed = daemon.newest(None, usize::MAX);
            // As if it never began.
            let is_empty = as_it_was.as_ref().is_some_and(Vec::is_empty) && !has_record && which == 2;
            let began = !(nothing_is_left || is_empty);
            if began {
                prop_assert_eq!(listed.len() + owed.len(), 3, "{:?} {:?}", listed, owed);
            }
            let suspects: Vec<&RunEntry> = listed.iter().filter(|entry| entry.untrusted.is_some()).collect();
            for suspect in &suspects {
                prop_assert_eq!(&suspect.folder, &one);
                prop_assert!(suspect.positions.iter().all(|position| position.verdict.is_none()));
                prop_assert!(suspect.is_of("goods-in-1") && suspect.may_have_tested(&serial), "{:?}", suspect);
            }
            // What is shown as the last run is the last one, or no verdict.
            let last = daemon.last("goods-in-1").expect("a run");
            match &last {
                Last::Kept(shown, _) => {
                    let sound = suspects.is_empty() && owed.is_empty();
                    prop_assert!(!began || (shown.run() == "run-3" && (sound || number != 3)), "{:?}", shown.run());
                }
                Last::Unmade(last) => prop_assert_eq!(&last.owed.folder, &one),
            }
            let next = daemon.next.load(Ordering::SeqCst);
            prop_assert!((4..=5).contains(&next) || (!began && renamed), "{}", next);
        }
        std::fs::remove_dir_all(&runs).expect("a folder");
    }
}

/// The service manager ends a start that takes too long, and starts it again.
#[rstest]
fn a_start_that_is_cut_off_goes_on_where_it_was(
    #[values(17, 33, 40)] cut_off_at: usize,
    #[values("none", "of another version", "with a part")] index: &str,
) {
    let runs = scratch(&format!("cut-off-{cut_off_at}-{}", index.replace(' ', "-")));
    let first = if index == "with a part" { 5 } else { 0 };
    for number in 1..=first {
        store(&runs, Some(number), AT);
    }
    if index != "none" {
        opened(&runs);
    }
    if index == "of another version" {
        std::fs::write(runs.join("runs.index"), "tripbench-runs 3 9 0 00000000\n").expect("an index");
    }
    for number in first + 1..=40 {
        store(&runs, Some(number), AT);
    }
    let cut_off = |done: usize, _: usize| assert!(done + 1 < cut_off_at, "killed");
    let killed = std::panic::catch_unwind(|| Runs::of(&runs).open_telling(&cut_off));
    let first = usize::try_from(first).expect("small");
    if cut_off_at + first <= 40 {
        killed.expect_err("the start was cut off");
    }
    let (opened, all) = opened(&runs);
    assert_eq!((opened.indexed + opened.read, all.len()), (40, 40));
    assert!(opened.indexed >= first + (cut_off_at - 1) / 16 * 16, "{opened:?}");
    assert_eq!(super::opened(&runs).0, Opened { indexed: 40, ..Opened::default() });
    std::fs::remove_dir_all(&runs).expect("a folder");
}
