use super::*;
use crate::audience::RunListener;
use crate::demo::{POSITIONS, job, texts};
use crate::follow::Follower;
use crate::owner::{Look, Next};
use crate::phase::Rest;
use crate::waiting::{Job, Seen};
use proptest::prelude::*;
use rstest::rstest;
use std::path::PathBuf;
use std::time::Duration;
use tripbench_quantity::{Mono, Span, VacuumLevel};
use tripbench_record::{Check, Event, EventKind, LoadedSheets, Mark, QuantityName, RunView, Segment, Seq};
use tripbench_rig::{Area, Block, RigSheet, Scan};
use tripbench_runner::Control;

/// Nobody watches.
#[derive(Debug)]
pub(crate) struct Nobody;

impl Audience for Nobody {
    fn status(&self, _: &Arc<Status>) {}

    fn run(&self, _: &Arc<LoadedSheets>) -> Box<dyn RunListener> {
        Box::new(Self)
    }
}

impl RunListener for Nobody {
    fn hears(&mut self, _: &Event, _: &RunView) {}
    fn before_status(&mut self, _: &RunView) {}
}

/// The demo's rig at rest; the plugs at these positions are out.
fn at_rest(out: &'static [u8]) -> Arc<Rig> {
    let sheets = RigSheets::from_texts(texts()).expect("the demo's sheets are good");
    let entry = RigEntry { sheets, simulated: true, probes: None };
    let (rig, _wake) = Rig::new(entry, Arc::new(Nobody)).expect("a thread");
    let looked = rig.ask(|owner| {
        owner.saw_plugs(&POSITIONS.map(|position| (position, !out.contains(&position))));
        owner.found(Look::AtRest, Ok(Rest { level: VacuumLevel::new(0.0), vented: true }));
    });
    looked.expect("it answers");
    rig
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

/// A run in progress with what follows it.
struct Followed {
    rig: Arc<Rig>,
    job: Box<Job>,
    handle: RunHandle,
    controlled: Receiver<Control>,
    follower: Follower,
}

/// Begins a run of positions 1, 2 and 4, of which 4 has no device.
fn followed() -> Followed {
    let rig = at_rest(&[4]);
    let job = job(&[1, 2, 4], rig.press().expect("it answers"));
    let seen = Seen { revision: None, round: None, stops: 0, unattended: false };
    let begun = rig.ask(move |owner| {
        owner.enqueue(job, seen, Mono::START).expect("it is taken");
        owner.next()
    });
    let Ok(Next::Job(job, (handle, controlled))) = begun else { panic!("it begins") };
    let claim = job.claim();
    rig.ask(move |owner| owner.begin(&claim)).expect("it answers").expect("it begins");
    let sheets = Arc::clone(&job.prepared.task.sheets);
    let mut follower = Follower::new(Arc::clone(&rig), sheets, PathBuf::new(), job.claim());
    follower.hear(&event(0, EventKind::Started(Box::new(job.prepared.header.clone()))));
    Followed { rig, job, handle, controlled, follower }
}

/// An event, a tenth of a second after the one before it.
fn event(number: u64, kind: EventKind) -> Event {
    Event { seq: Seq(number), at: Mono::START + Duration::from_millis(100 * number), kind }
}

/// Begins a run and lets it see these scans; what it was told.
fn controlled_by(scans: &[Vec<u8>]) -> Option<Control> {
    let Followed { rig, job, handle, controlled, mut follower } = followed();
    for (number, out) in (1..).zip(scans) {
        follower.hear(&event(number, EventKind::Scan(scan(&job.prepared.task.sheets.rig, out))));
    }
    // Letters are taken in their order.
    rig.ask(|_| ()).expect("it answers");
    let control = controlled.try_recv().ok();
    assert_eq!(control.is_some(), handle.latch.is_set());
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
    let control = controlled_by(&scans);
    let why = match &control {
        Some(Control::Stop(Halt::Operator { by })) => Some(by.as_str()),
        _ => None,
    };
    assert_eq!(why.is_some(), position.is_some(), "{control:?}");
    if let Some((why, position)) = why.zip(position) {
        assert!(why.contains(&format!("the plug at position {position} was seen out")), "{why}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(10))]

    /// However many there are: the run that is published has the checks of the events themselves, and nothing that grows with the length
    /// of the run and that only the record needs.
    #[test]
    fn every_published_state_of_a_run_shares_its_checks(count in 1_u64..200) {
        let Followed { rig, mut follower, .. } = followed();
        let mark = Mark { step: 0, segment: Segment::Vented, from: Mono::START, to: Mono::START };
        let mut checks = Vec::new();
        for number in 0..count {
            follower.hear(&event(2 * number + 1, EventKind::Mark(mark)));
            let check = Arc::new(Check::empty(QuantityName::SwitchPoint));
            follower.hear(&event(2 * number + 2, EventKind::Check(Arc::clone(&check))));
            checks.push(check);
            // Letters are taken in their order.
            rig.ask(|_| ()).expect("it answers");
            let published = rig.status().run.clone().expect("a run");
            prop_assert_eq!(published.view.checks.len(), checks.len());
            prop_assert!(published.view.checks.iter().zip(&checks).all(|(one, other)| Arc::ptr_eq(one, other)));
            prop_assert!(published.view.marks.is_empty() && published.view.scans.is_empty());
        }
        // The test, the follower, and the state that was published last.
        prop_assert!(checks.iter().all(|check| Arc::strong_count(check) == 3));
    }
}

#[test]
fn what_was_changed_is_published_when_the_owner_answers() {
    let rig = at_rest(&[]);
    let placing = Placing { position: 2, serial: Some(String::from("B-2")), own_number: false };
    for revision in 0..200 {
        rig.mount(revision, vec![placing.clone()], None).expect("it is mounted");
        assert_eq!(rig.status().round.revision, revision + 1);
    }
}

/// An owner that failed answers nobody and gives no sign of life, so that the supervisor ends the program.
#[test]
fn an_owner_that_failed_is_silent() {
    let rig = at_rest(&[]);
    rig.ping();
    rig.ask(|_| ()).expect("it answers");
    assert!(rig.owner_heartbeat.silent_for().is_some());
    rig.post(|_| panic!("a rule failed"));
    assert_eq!(rig.press().map(drop), Err(Refusal::NoOwner));
    let silent = rig.owner_heartbeat.silent_for().expect("it beat once");
    std::thread::park_timeout(Duration::from_millis(30));
    rig.ping();
    assert!(rig.owner_heartbeat.silent_for().is_some_and(|now| now >= silent + Duration::from_millis(20)));
    // What stops a run without its owner.
    let (handle, controlled) = RunHandle::new();
    rig.hold_reins(Some(handle.clone()));
    let halt = Halt::Operator { by: String::from("Ann") };
    rig.stop(halt.clone());
    assert!(handle.latch.is_set());
    // The record says who stopped it.
    assert!(matches!(controlled.try_recv(), Ok(Control::Stop(why)) if why == halt));
}
