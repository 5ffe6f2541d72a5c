use super::*;
use crate::halt::Halt;
use proptest::prelude::*;
use tripbench_quantity::Span;
use tripbench_rig::{Block, Doubt, Scan};

fn event(seq: u64, kind: EventKind) -> Event {
    Event { seq: Seq(seq), at: Mono::from_nanos(seq * 5_000_000), kind }
}

fn scan(word: u16) -> EventKind {
    EventKind::Scan(Scan { blocks: [Block { span: Span::default(), words: vec![word, 0, 1] }].into() })
}

/// A journal of 12 scans; the seventh event line states that five events are on the disk.
fn journal() -> Vec<u8> {
    let mut bytes = MAGIC.as_bytes().to_vec();
    for seq in 0..12 {
        let durable = (seq == 6).then_some(Seq(4));
        bytes.extend(
            line(&event(seq, scan(u16::try_from(seq).expect("small"))), durable).expect("line").bytes(),
        );
    }
    bytes
}

fn closed() -> Vec<u8> {
    let mut bytes = journal();
    let end = event(12, EventKind::Ended { ended: Some("2026-11-25T07:00:00Z".into()) });
    let mut tally = Tally::default();
    tally.add(&bytes);
    let closing = closing_line(&end, &tally).expect("line");
    bytes.extend(closing.bytes());
    bytes
}

#[test]
fn a_closed_journal_is_complete_and_says_so() {
    let opened = open(&closed()).expect("good");
    assert_eq!((opened.events.len(), opened.ending), (13, Ending::Complete));
    assert_eq!(opened.good_bytes, closed().len());
}

#[test]
fn every_kind_of_event_is_read_back_as_written() {
    let kinds = [
        scan(7),
        EventKind::Safe,
        EventKind::GoesOn,
        EventKind::Cycle(1, 5),
        EventKind::Halted(Halt::Doubt(Doubt::Refused(2))),
        EventKind::Halted(Halt::EmergencyStop),
        EventKind::Ended { ended: None },
    ];
    for kind in kinds {
        let event = event(3, kind);
        let text = line(&event, Some(Seq(1))).expect("line");
        let parsed = parse_line(text.as_bytes()).expect("readable");
        assert_eq!((parsed.event, parsed.durable), (event, Some(Seq(1))));
    }
}

#[test]
fn a_bad_line_that_was_on_the_disk_is_damage() {
    let mut bytes = journal();
    let third_line = MAGIC.len() + line(&event(0, scan(0)), None).expect("line").len() + 12;
    bytes[third_line] ^= 1;
    assert_eq!(open(&bytes), Err(Damaged::Line { line: 3 }));
}

#[test]
fn a_changed_byte_before_the_closing_line_never_opens_as_complete() {
    let good = closed();
    for at in MAGIC.len()..good.len() {
        let mut bytes = good.clone();
        bytes[at] ^= 0x20;
        let complete = open(&bytes).is_ok_and(|opened| opened.ending == Ending::Complete);
        assert!(!complete, "byte {at}");
    }
}

proptest! {
    #[test]
    fn cut_anywhere_the_good_lines_remain(cut in 0_usize..2_000) {
        let bytes = journal();
        let cut = cut.min(bytes.len());
        match open(&bytes[..cut]) {
            Ok(opened) => {
                prop_assert!(opened.good_bytes <= cut);
                let whole = bytes[..cut].split(|byte| *byte == b'\n').count().saturating_sub(2);
                prop_assert_eq!(opened.events.len(), whole);
            }
            Err(error) => prop_assert!(cut < MAGIC.len(), "{error}"),
        }
    }
}
