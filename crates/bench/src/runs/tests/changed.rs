//! Records that somebody has changed.

use super::*;
use crate::runs::genuine::Changed;
use proptest::prelude::*;
use tripbench_runner::folder::{REPORT, TRACE};

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
            prop_assert!(entry.untrusted.is_some(), "{:?}", entry);
            let found: Vec<_> = entry.positions.iter().map(|one| (one.serial.as_str(), one.verdict)).collect();
            prop_assert_eq!(found, [(HEADER.positions[0].identity.serial.as_str(), None)]);
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

/// The file may be anything: what is given out is made from the record.
#[rstest]
fn a_report_is_what_the_record_says(
    #[values("as it was", "changed", "empty", "gone")] file: &str,
    #[values(false, true)] trace_changed: bool,
) {
    let runs = scratch(&format!("report-{}-{trace_changed}", file.replace(' ', "-")));
    let one = store_open(&runs, 1, AT);
    let daemon = Runs::of(&runs).opened();
    let path = one.join(REPORT);
    let made = std::fs::read_to_string(&path).expect("a report");
    assert!(made.contains("ABORTED"), "{made}");
    match file {
        "changed" => std::fs::write(&path, made.replace("ABORTED", "PASS")).expect("a report"),
        "empty" => std::fs::write(&path, "").expect("a report"),
        "gone" => std::fs::remove_file(&path).expect("a report"),
        _ => {}
    }
    if trace_changed {
        let trace = std::fs::read_to_string(one.join(TRACE)).expect("a trace");
        std::fs::write(one.join(TRACE), trace + "0\n").expect("a trace");
    }
    let given = daemon.genuine("run-1").expect("it is listed").expect("its record is the one").report();
    match given {
        Ok(given) => assert_eq!((given, trace_changed), (made, false)),
        Err(error) => assert!(trace_changed && matches!(error, Changed::Other { .. }), "{error}"),
    }
    std::fs::remove_dir_all(&runs).expect("a folder");
}

/// Another version makes the record of the same events in another way. What the events say themselves is compared all the same.
#[rstest]
#[case::as_it_was("", "", true)]
#[case::made_otherwise("\"remarks\":[]", "\"remarks\":[\"as another version makes it\"]", false)]
#[case::a_verdict("\"verdict\":\"aborted\"", "\"verdict\":\"pass\"", false)]
#[case::the_device("\"serial\":\"", "\"serial\":\"x", false)]
#[case::the_stop("\"halted\":null", "\"halted\":\"killed\"", false)]
#[case::the_trace("\"scans\":0", "\"scans\":1", false)]
fn a_record_of_another_version_is_believed_if_it_says_what_its_journal_says(
    #[case] from: &str,
    #[case] to: &str,
    #[case] own_too: bool,
    #[values(env!("CARGO_PKG_VERSION"), "0.0.1", "99.0.0")] version: &str,
) {
    let test = std::thread::current();
    let runs = scratch(&test.name().unwrap_or_default().replace(':', "-"));
    let one = store(&runs, Some(1), AT);
    let header = RunHeader { software: version.to_owned(), ..header(Some(1), AT) };
    std::fs::write(one.join(JOURNAL), whole_journal(header.clone())).expect("a journal");
    let text = String::from_utf8(record(header)).expect("a text");
    assert!(text.contains(from), "{text}");
    std::fs::write(one.join(RECORD), text.replace(from, to)).expect("a record");
    let daemon = Runs::of(&runs).opened();
    let entry = daemon.entry("run-1").expect("it is listed");
    let is_other = version != env!("CARGO_PKG_VERSION");
    let made_otherwise = is_other && from.contains("remarks");
    assert_eq!(entry.untrusted.is_none(), own_too || made_otherwise, "{entry:?}");
    std::fs::remove_dir_all(&runs).expect("a folder");
}
