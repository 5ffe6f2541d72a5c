//! Records that somebody has changed.

use super::*;
use crate::runs::genuine::Changed;
use proptest::prelude::*;
use tripbench_runner::folder::TRACE;

/// How a record is changed.
#[derive(Debug, Clone)]
enum Change {
    /// A verdict becomes another one.
    Verdict(&'static str),
    /// One bit changes.
    Bit(prop::sample::Index, u8),
    /// A byte is added that no reader of JSON sees.
    Blank,
}

fn change_of(bytes: &[u8], how: &Change) -> Vec<u8> {
    let mut changed = match how {
        Change::Verdict(other) => {
            let text = String::from_utf8(bytes.to_vec()).expect("a text");
            text.replacen("\"verdict\":\"aborted\"", &format!("\"verdict\":\"{other}\""), 1).into_bytes()
        }
        Change::Bit(..) => bytes.to_vec(),
        Change::Blank => [bytes, b"\n"].concat(),
    };
    if let Change::Bit(at, bit) = how {
        let at = at.index(changed.len());
        changed[at] ^= 1 << bit;
    }
    assert_ne!(changed, bytes);
    changed
}

fn how() -> impl Strategy<Value = Change> {
    prop_oneof![
        prop::sample::select(vec!["pass", "fail", "undecided", "measured"]).prop_map(Change::Verdict),
        (any::<prop::sample::Index>(), 0_u8..8).prop_map(|(at, bit)| Change::Bit(at, bit)),
        Just(Change::Blank),
    ]
}

/// Number of devices that count, whatever their verdicts.
fn counted(daemon: &Runs) -> usize {
    daemon.counts().into_iter().map(|(.., count)| count).sum()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// A daemon gives out the record that it has listed, or none; after a restart it does not believe the other one.
    #[test]
    fn a_record_that_was_changed_is_never_believed(
        number in 1_u64..4,
        how in how(),
        lose_index in any::<bool>(),
    ) {
        let runs = scratch(&format!("changed-{}", std::thread::current().name().unwrap_or_default().replace(':', "-")));
        let folders: Vec<_> = (1..4).map(|number| store(&runs, Some(number), AT)).collect();
        let path = folders[usize::try_from(number).expect("small") - 1].join(RECORD);
        let (run, bytes) = (format!("run-{number}"), std::fs::read(&path).expect("a record"));
        let daemon = Runs::of(&runs).opened();
        let place = daemon.place(&run);
        let given = daemon.genuine(&run).expect("it is listed").expect("it is the one");
        prop_assert_eq!(&given.record, &bytes);
        std::fs::write(&path, change_of(&bytes, &how)).expect("a record");
        let is_other = |given: &Option<_>| matches!(given, Some(Err(Changed::Other { .. })));
        prop_assert!(is_other(&daemon.genuine(&run)));
        prop_assert_eq!(counted(&daemon), 3, "what was listed before still counts");
        drop(daemon);
        if lose_index {
            std::fs::remove_file(runs.join("runs.index")).expect("an index");
        }
        for _ in 0..2 {
            let daemon = Runs::of(&runs).opened();
            let entry = daemon.entry(&run).expect("it is listed");
            prop_assert!(entry.untrusted.is_some() && entry.positions.is_empty(), "{:?}", entry);
            prop_assert_eq!((daemon.place(&run), counted(&daemon)), (place, 2));
            prop_assert!(matches!(daemon.genuine(&run), Some(Err(Changed::Untrusted(_)))));
            let last = daemon.last("goods-in-1");
            let hides = matches!(&last, Some(Last::Unmade(last)) if !last.to_make && last.owed.run == run);
            prop_assert_eq!(hides, number == 3, "{:?}", last);
        }
        // Put back from a backup.
        std::fs::write(&path, &bytes).expect("a record");
        let daemon = Runs::of(&runs).opened();
        let given = daemon.genuine(&run).expect("it is listed").expect("it is the one");
        prop_assert_eq!((given.record, counted(&daemon), daemon.place(&run)), (bytes, 3, place));
        drop(daemon);
        std::fs::remove_dir_all(&runs).expect("a folder");
    }
}

/// The trace is the one that the record names.
#[rstest]
#[case::unchanged(None)]
#[case::first_byte(Some(0))]
#[case::last_byte(Some(1))]
fn a_trace_that_was_changed_is_not_given_out(#[case] changed: Option<usize>) {
    let runs = scratch(&format!("trace-{changed:?}"));
    let one = store_open(&runs, 1, AT);
    let daemon = Runs::of(&runs).opened();
    let path = one.join(TRACE);
    let mut bytes = std::fs::read(&path).expect("a trace");
    if let Some(part) = changed {
        let last = bytes.len() - 1;
        bytes[part * last] ^= 1;
        std::fs::write(&path, bytes).expect("a trace");
    }
    let given = daemon.genuine("run-1").expect("it is listed").expect("its record is the one").trace();
    match changed {
        None => assert_eq!(given.expect("it is the one"), path),
        Some(_) => assert!(matches!(given, Err(Changed::Other { .. })), "{given:?}"),
    }
    std::fs::remove_dir_all(&runs).expect("a folder");
}
