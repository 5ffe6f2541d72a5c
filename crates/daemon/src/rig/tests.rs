use super::*;
use crate::refusal::Refusal;
use crate::sheets::Given;
use crate::tell::Teller;
use proptest::prelude::*;
use rstest::rstest;
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::time::Duration;
use tripbench_job::{Reins, Texts};
use tripbench_quantity::{Mono, Span};
use tripbench_record::{Event, EventKind, Seq};
use tripbench_rig::{Area, Block, RigSheet, Scan};
use tripbench_sheet::Source;

const POSITIONS: [u8; 4] = [1, 2, 3, 4];

/// The demo's rig at rest, every plug in.
fn rig() -> Arc<Rig> {
    let sheet = |name: &str, text: &str| Some(Source::new(name, text));
    let rig = include_str!("../../../../bench-scripts/rigs/goods-in-1.toml");
    let texts = Texts {
        site: sheet("site.toml", include_str!("../../../../bench-scripts/site.toml")),
        // The tests are to pass in any year.
        rig: sheet("rig.toml", &rig.replace("due = 2027-03-12", "due = 2999-03-12")),
        device_type: sheet("type.toml", include_str!("../../../../bench-scripts/types/jd-20.toml")),
        settings: sheet(
            "settings.toml",
            include_str!("../../../../bench-scripts/settings/depalletiser.toml"),
        ),
        script: sheet("script.toml", include_str!("../../../../bench-scripts/scripts/goods-in.toml")),
    };
    let sheets = RigSheets::from_texts(texts).expect("the demo's sheets are good");
    let rig = Rig::new(RigEntry { sheets, simulated: true, probes: None });
    rig.change(|shown| shown.doing = Doing::Idle);
    see(&rig, &[]);
    Arc::new(rig)
}

/// A look that sees every plug but these.
fn see(rig: &Rig, out: &[u8]) {
    rig.saw_plugs(&POSITIONS.map(|position| (position, Some(!out.contains(&position)))));
}

/// A run with devices at some positions, asked for at a moment.
fn job(rig: &Rig, positions: &[u8], press: Press) -> Job {
    let place = |position: &u8| Place {
        position: *position,
        serial: Some(format!("A-{position}")),
        ..Place::default()
    };
    let places: Vec<Place> = positions.iter().map(place).collect();
    let (prepared, script) = rig.sheets.prepare(Given::default(), &places, &[]).expect("a plan");
    Job { prepared, script, again: None, press }
}

const fn order(stops: u64) -> Order {
    Order { revision: None, round: None, stops, unattended: false }
}

fn begins(rig: &Rig) -> Option<(Job, Reins, Receiver<Control>)> {
    match rig.next(Duration::ZERO) {
        Next::Job(job, (reins, controlled)) => Some((*job, reins, controlled)),
        Next::Look | Next::End => None,
    }
}

proptest! {
    /// Looks before and after a press, each of which sees the plug, does not see it, or fails.
    #[test]
    fn a_device_may_be_another_where_its_plug_was_not_seen_since_the_press(
        before in prop::collection::vec(prop::option::of(any::<bool>()), 0..6),
        after in prop::collection::vec(prop::option::of(any::<bool>()), 0..6),
        position in 1_u8..=4,
    ) {
        let rig = rig();
        let look = |seen: &Option<bool>| match seen {
            Some(true) => see(&rig, &[]),
            Some(false) => see(&rig, &[position]),
            None => rig.lost_sight(),
        };
        before.iter().for_each(look);
        let press = rig.press();
        after.iter().for_each(look);
        let in_at_press = before.iter().flatten().next_back().copied().unwrap_or(true);
        let in_now = after.iter().flatten().next_back().copied().unwrap_or(in_at_press);
        let not_seen = after.iter().any(|seen| *seen != Some(true));
        let expected = not_seen && (in_at_press || in_now);
        prop_assert_eq!(rig.check_plugs(&press, &[position]).is_err(), expected);
        // Nobody else's device is touched by a plug; a look that fails touches all.
        let lost = after.iter().any(Option::is_none);
        let others: Vec<u8> = POSITIONS.into_iter().filter(|other| *other != position).collect();
        prop_assert_eq!(rig.check_plugs(&press, &others).is_err(), lost);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// Only a start that has seen every stop is taken.
    #[test]
    fn a_start_that_has_not_seen_every_stop_is_refused(stops in 0_u64..6, named in 0_u64..8) {
        let rig = rig();
        for _ in 0..stops {
            rig.stop(Halt::Signal);
        }
        prop_assert_eq!(rig.state().stops, stops);
        let taken = rig.enqueue(job(&rig, &[1], rig.press()), order(named));
        let expected = if named == stops { Ok(()) } else { Err(Refusal::Stopped { now: stops, named }) };
        prop_assert_eq!(taken, expected);
    }
}

#[rstest]
fn a_plug_that_was_out_between_press_and_queue_refuses_the_start(
    #[values(1, 3, 4)] position: u8,
    #[values(false, true)] back: bool,
) {
    let rig = rig();
    let press = rig.press();
    see(&rig, &[position]);
    if back {
        see(&rig, &[]);
    }
    let taken = rig.enqueue(job(&rig, &[1, 3, 4], press), order(0));
    assert_eq!(taken, Err(Refusal::PlugWasOut { position }));
    // One that was asked for afterwards is taken.
    assert_eq!(rig.enqueue(job(&rig, &[1, 3, 4], rig.press()), order(0)), Ok(()));
}

#[rstest]
fn a_plug_that_was_out_while_the_run_waited_takes_it_back(
    #[values(1, 2, 4)] position: u8,
    #[values(false, true)] back: bool,
) {
    let rig = rig();
    rig.enqueue(job(&rig, &[1, 2, 4], rig.press()), order(0)).expect("it is taken");
    see(&rig, &[position]);
    if back {
        see(&rig, &[]);
    }
    assert!(begins(&rig).is_none());
    let state = rig.state();
    let why = state.failed.expect("a reason").text;
    assert!(why.contains(&format!("at position {position} ")), "{why}");
    assert_eq!((state.doing, state.queue.len()), (Doing::Idle, 0));
    // A plug of a position that does not take part is nobody's concern.
    rig.enqueue(job(&rig, &[1, 2], rig.press()), order(0)).expect("it is taken");
    see(&rig, &[3]);
    assert!(begins(&rig).is_some());
}

#[test]
fn nothing_waits_for_a_rig_that_was_not_found_well() {
    let rig = rig();
    let press = rig.press();
    rig.change(|shown| {
        shown.doing = Doing::NotReady;
        shown.problem = Some(String::from("it is off"));
    });
    let taken = rig.enqueue(job(&rig, &[1], press), order(0));
    assert_eq!(taken, Err(Refusal::NotReady(String::from("it is off"))));
}

/// A scan in which everything is off but the plugs, and these are out.
fn scan(sheet: &RigSheet, out: &[u8]) -> Scan {
    let seen = |position: u8| u16::from(!out.contains(&position));
    let blocks = sheet.read_plan().reads.into_iter().map(|read| {
        // The demo's plugs are discrete inputs 8 to 11.
        let word = |address: u16| match (read.area, u8::try_from(address)) {
            (Area::DiscreteInput, Ok(input @ 8..=11)) => seen(input - 7),
            _ => 0,
        };
        let words = (read.start..read.start + read.count).map(word).collect();
        Block { span: Span { before: Mono::START, after: Mono::START }, words }
    });
    Scan { blocks: blocks.collect() }
}

/// Begins a run of positions 1, 2 and 4, of which 4 has no device, and lets it see these scans; whether it was stopped.
fn stopped_by(scans: &[Vec<u8>]) -> Option<Control> {
    let rig = rig();
    see(&rig, &[4]);
    rig.enqueue(job(&rig, &[1, 2, 4], rig.press()), order(0)).expect("it is taken");
    let (job, reins, controlled) = begins(&rig).expect("it begins");
    let sheets = &job.prepared.task.sheets;
    let mut teller = Teller::new(Arc::clone(&rig), sheets, (job.press, positions_of(&job.prepared)));
    let event = |kind| Event { seq: Seq(0), at: Mono::START, kind };
    teller.hear(&event(EventKind::Started(Box::new(job.prepared.header.clone()))));
    for out in scans {
        teller.hear(&event(EventKind::Scan(scan(&sheets.rig, out))));
    }
    let control = controlled.try_recv().ok();
    assert_eq!(control.is_some(), reins.latch.is_set());
    control
}

/// A plug that is pulled later in the run is the engine's to see.
#[rstest]
#[case::all_as_it_was(vec![vec![4], vec![4], vec![4]], None)]
#[case::out_at_the_first_scan(vec![vec![2, 4]], Some(2))]
#[case::out_at_the_second_scan(vec![vec![4], vec![1, 4]], Some(1))]
#[case::in_at_the_first_scan_and_never_out_since(vec![Vec::new()], None)]
#[case::in_behind_the_first_scan(vec![vec![4], Vec::new()], Some(4))]
#[case::out_later(vec![vec![4], vec![4], vec![1, 2, 4]], None)]
fn the_first_scans_end_a_run_whose_device_may_be_another(
    #[case] scans: Vec<Vec<u8>>,
    #[case] position: Option<u8>,
) {
    let control = stopped_by(&scans);
    let why = match &control {
        Some(Control::Stop(Halt::Operator { by })) => Some(by.as_str()),
        _ => None,
    };
    assert_eq!(why.is_some(), position.is_some(), "{control:?}");
    if let Some((why, position)) = why.zip(position) {
        assert!(why.contains(&format!("the plug at position {position} was seen out")), "{why}");
    }
}
