mod health;
mod letters;
mod never_began;
mod owed;
mod retest;

use super::*;
use crate::demo::{POSITIONS, SHEETS, job, planned, serial};
use crate::phase::{Fault, Rest};
use crate::plan::Planned;
use crate::round::Placing;
use crate::waiting::{Press, Seen};
use proptest::prelude::*;
use rstest::rstest;
use std::sync::LazyLock;
use std::time::Duration;
use tripbench_quantity::{Mono, TimeSpan, VacuumLevel};
use tripbench_rig::Doubt;

/// A plan for one device at position 1, shared because planning takes longer than all the rest.
static PLANNED: LazyLock<Planned> = LazyLock::new(|| planned(&[1]));

const REST: Rest = Rest { level: VacuumLevel::new(120.0), vented: true };

/// The demo's rig at rest, with every plug in.
fn at_rest() -> Owner {
    let mut owner = Owner::new(SHEETS.name(), false, SHEETS.places(), SHEETS.preview());
    see(&mut owner, &[]);
    owner.found(Look::AtRest, Ok(REST));
    owner
}

/// A look that sees every plug except these.
fn see(owner: &mut Owner, out: &[u8]) {
    let seen = POSITIONS.map(|position| (position, !out.contains(&position)));
    owner.saw_plugs(&seen);
    owner.show_plugs(Some(&seen));
}

fn placing(position: u8, serial: &str) -> Placing {
    Placing { position, serial: Some(serial.to_owned()), own_number: false }
}

/// A run with a device at position 1 and an identifier of its own.
fn another_job(number: usize, press: Press) -> Job {
    let Planned { mut prepared, script, own } = PLANNED.clone();
    prepared.header.run = format!("run {number}");
    Job { prepared, script, again: None, own, press }
}

const fn seen(stops: u64) -> Seen {
    Seen { revision: None, round: None, stops, unattended: false }
}

/// Requests a run with what is known now.
fn enqueue(owner: &mut Owner, job: Job) -> Result<(), Refusal> {
    let stops = owner.status.stops;
    owner.enqueue(job, seen(stops), Mono::START)
}

/// The run that the worker is given now, if any.
fn next(owner: &mut Owner) -> Option<(Job, RunHandle, Receiver<Control>)> {
    match owner.next() {
        Next::Job(job, (handle, controlled)) => Some((*job, handle, controlled)),
        Next::Look | Next::End => None,
    }
}

/// The stages of a run of the mounted round, from the press to its second scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Moment {
    BeforeItIsQueued,
    WhileItWaits,
    WhileItIsPrepared,
    AtTheFirstScan,
}

/// What happens in between.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Meanwhile {
    Nothing,
    PlugOut(u8),
    PlugOutAndBack(u8),
    /// Another device is mounted.
    Remounted(u8),
    /// The round is cleared.
    Cleared,
    /// A device without a serial number is mounted.
    RemountedOwnNumber(u8),
    /// The same devices are mounted again.
    MountedAgain,
    Stop,
    /// A look fails, and the next one is good.
    LookFails,
    TheDaemonEnds,
}

fn happens(owner: &mut Owner, what: Meanwhile, positions: &[u8]) {
    let look = if owner.status.phase.is_busy() { Look::Meanwhile } else { Look::AtRest };
    let mounted = |other: Option<u8>| -> Vec<Placing> {
        let device = |position: &u8| match other {
            Some(other) if other == *position => placing(*position, "B-1"),
            Some(_) | None => placing(*position, &serial(*position)),
        };
        positions.iter().map(device).collect()
    };
    let mut mount = |placings: &[Placing]| {
        let revision = owner.status.round.revision;
        drop(owner.mount(revision, placings, None).expect("it is mounted"));
    };
    match what {
        Meanwhile::Nothing => {}
        Meanwhile::PlugOut(position) => see(owner, &[position]),
        Meanwhile::PlugOutAndBack(position) => {
            see(owner, &[position]);
            see(owner, &[]);
        }
        Meanwhile::Remounted(position) => mount(&mounted(Some(position))),
        Meanwhile::RemountedOwnNumber(position) => {
            mount(&[Placing { position, serial: None, own_number: true }]);
        }
        Meanwhile::Cleared => mount(&[]),
        Meanwhile::MountedAgain => mount(&mounted(None)),
        Meanwhile::Stop => owner.stop(Halt::Signal),
        Meanwhile::LookFails => {
            owner.found(look, Err(Fault::Silent(Doubt::Late)));
            owner.found(look, Ok(REST));
        }
        Meanwhile::TheDaemonEnds => owner.end(),
    }
}

/// How far the run gets.
#[derive(Debug, PartialEq, Eq)]
enum Came {
    NotQueued(Refusal),
    /// The run was withdrawn while it waited, or the worker had no job.
    NotBegun,
    Refused(Refusal),
    /// The run began and was stopped at its first scans.
    Halted,
    Ran,
}

fn played(what: Meanwhile, when: Moment, positions: &[u8]) -> Came {
    let mut owner = at_rest();
    let placings: Vec<Placing> =
        positions.iter().map(|position| placing(*position, &serial(*position))).collect();
    let revision = owner.mount(0, &placings, None).expect("it is mounted").revision;
    let press = owner.press(Mono::START);
    let job = job(positions, press);
    let (claim, stops) = (job.claim(), owner.status.stops);
    let at = |owner: &mut Owner, moment: Moment| {
        if moment == when {
            happens(owner, what, positions);
        }
    };
    at(&mut owner, Moment::BeforeItIsQueued);
    let asked = Seen { revision: Some(revision), round: None, stops, unattended: false };
    if let Err(refusal) = owner.enqueue(job, asked, Mono::START) {
        return Came::NotQueued(refusal);
    }
    at(&mut owner, Moment::WhileItWaits);
    let Some((_job, handle, controlled)) = next(&mut owner) else { return Came::NotBegun };
    at(&mut owner, Moment::WhileItIsPrepared);
    if let Err(refusal) = owner.begin(&claim) {
        return Came::Refused(refusal);
    }
    assert!(matches!(owner.status.phase, Phase::Running(_)));
    at(&mut owner, Moment::AtTheFirstScan);
    owner.first_scan(&claim);
    // A stopped run reads the reason.
    let stopped = controlled.try_iter().any(|control| matches!(control, Control::Stop(_)));
    assert_eq!(stopped, handle.latch.is_set());
    if stopped { Came::Halted } else { Came::Ran }
}

const MOMENTS: [Moment; 4] =
    [Moment::BeforeItIsQueued, Moment::WhileItWaits, Moment::WhileItIsPrepared, Moment::AtTheFirstScan];

/// If an event between the press and the second scan means that a device may be another one, or that no valve may move, the run does not
/// begin or is stopped.
#[rstest]
fn nothing_runs_under_the_number_of_another_device_or_after_a_stop(
    #[values(
        Meanwhile::PlugOut(1),
        Meanwhile::PlugOut(4),
        Meanwhile::PlugOutAndBack(3),
        Meanwhile::Remounted(1),
        Meanwhile::Remounted(4),
        Meanwhile::RemountedOwnNumber(3),
        Meanwhile::Stop,
        Meanwhile::TheDaemonEnds
    )]
    what: Meanwhile,
) {
    for when in MOMENTS {
        let came = played(what, when, &[1, 3, 4]);
        let expected = match when {
            Moment::BeforeItIsQueued => matches!(came, Came::NotQueued(_)),
            Moment::WhileItWaits => came == Came::NotBegun,
            Moment::WhileItIsPrepared => matches!(came, Came::Refused(_)),
            // Devices mounted during a run are for the next round.
            Moment::AtTheFirstScan
                if matches!(what, Meanwhile::Remounted(_) | Meanwhile::RemountedOwnNumber(_)) =>
            {
                came == Came::Ran
            }
            Moment::AtTheFirstScan => came == Came::Halted,
        };
        assert!(expected, "{what:?} {when:?}: {came:?}");
    }
}

/// An event that does not concern the devices of a run does not prevent it.
#[rstest]
fn a_run_begins_where_its_devices_are_those_that_were_meant(
    #[values(Meanwhile::Nothing, Meanwhile::PlugOut(2), Meanwhile::PlugOutAndBack(2))] what: Meanwhile,
) {
    for when in MOMENTS {
        assert_eq!(played(what, when, &[1, 3, 4]), Came::Ran, "{what:?} {when:?}");
    }
}

/// Mounting the same devices again, as a second page may do, or clearing the round for the next one does not mean other devices.
#[rstest]
fn what_is_mounted_for_the_next_round_is_not_what_a_run_tests(
    #[values(Meanwhile::MountedAgain, Meanwhile::Cleared)] what: Meanwhile,
) {
    for when in [Moment::WhileItWaits, Moment::WhileItIsPrepared, Moment::AtTheFirstScan] {
        assert_eq!(played(what, when, &[1, 3, 4]), Came::Ran, "{when:?}");
    }
}

/// A look that failed may have missed anything, and the outputs may not be safe.
#[test]
fn a_look_that_failed_since_the_press_keeps_a_run_from_beginning() {
    for when in [Moment::BeforeItIsQueued, Moment::WhileItWaits, Moment::WhileItIsPrepared] {
        let came = played(Meanwhile::LookFails, when, &[1, 3, 4]);
        assert!(!matches!(came, Came::Ran | Came::Halted), "{when:?}: {came:?}");
    }
}

#[test]
fn a_plug_that_was_out_while_the_run_waited_withdraws_it_and_says_why() {
    let mut owner = at_rest();
    let waits = job(&[1, 2, 4], owner.press(Mono::START));
    enqueue(&mut owner, waits).expect("it is taken");
    see(&mut owner, &[2]);
    assert!(next(&mut owner).is_none());
    let why = owner.status.failed.clone();
    assert!(matches!(&why, Some(NoVerdict::Withdrawn(why)) if why.contains("at position 2 ")), "{why:?}");
    assert!(matches!(owner.status.phase, Phase::Idle(_)) && owner.queue.is_empty());
}

#[rstest]
#[case::off(Fault::Silent(Doubt::Lost))]
#[case::not_safe(Fault::NotSafe(Doubt::Late))]
#[case::opened(Fault::Opened)]
#[case::taken(Fault::Taken(String::from("by another program")))]
#[case::failed_inside(Fault::Inside)]
fn nothing_waits_for_a_rig_that_was_not_found_well(#[case] fault: Fault) {
    let mut owner = at_rest();
    let press = owner.press(Mono::START);
    owner.found(Look::AtRest, Err(fault.clone()));
    let taken = enqueue(&mut owner, job(&[1], press));
    assert_eq!(taken, Err(Refusal::NotReady(fault.to_string())));
    assert_eq!(owner.status.phase.outputs_safe(), fault.outputs_safe());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// Only a start that has seen every stop is accepted.
    #[test]
    fn a_start_that_has_not_seen_every_stop_is_refused(stops in 0_u64..6, named in 0_u64..8) {
            let mut owner = at_rest();
        (0..stops).for_each(|_| owner.stop(Halt::Signal));
        let press = owner.press(Mono::START);
        let taken = owner.enqueue(another_job(0, press), seen(named), Mono::START);
        let expected = if named == stops { Ok(()) } else { Err(Refusal::Stopped { now: stops, named }) };
        prop_assert_eq!(taken, expected);
    }
}

/// If this computer fails with a valve open, the module or a person has to shut it.
#[rstest]
fn a_module_that_does_not_go_safe_by_itself_is_never_left_alone(
    #[values(None, Some(0.5), Some(2.0))] loss_s: Option<f64>,
    #[values(false, true)] unattended: bool,
) {
    let mut owner = at_rest();
    let mut job = another_job(0, owner.press(Mono::START));
    let sheets = Arc::make_mut(&mut job.prepared.task.sheets);
    sheets.rig.module.loss_of_master = loss_s.map(TimeSpan::new);
    let taken = owner.enqueue(job, Seen { unattended, ..seen(0) }, Mono::START);
    let refused = unattended && loss_s.is_none();
    assert_eq!(taken, if refused { Err(Refusal::UnsafeAlone) } else { Ok(()) });
}

#[test]
fn only_so_many_runs_wait_for_a_rig() {
    let mut owner = at_rest();
    let waits = || Seen { unattended: true, ..seen(0) };
    for number in 0..asked::MOST_WAITING {
        let job = another_job(number, owner.press(Mono::START));
        assert_eq!(owner.enqueue(job, waits(), Mono::START), Ok(()));
    }
    let refused = owner.enqueue(another_job(99, owner.press(Mono::START)), waits(), Mono::START);
    assert_eq!(refused, Err(Refusal::QueueFull { most: 8 }));
    assert!(refused.is_err_and(|refusal| refusal.to_string().contains("8 runs wait for this rig already")));
    // One has begun: another may wait.
    next(&mut owner).expect("it begins");
    assert_eq!(owner.enqueue(another_job(99, owner.press(Mono::START)), waits(), Mono::START), Ok(()));
}

#[test]
fn a_start_that_took_too_long_to_prepare_is_abandoned() {
    for (late_ms, taken) in [(9_900, Ok(())), (10_100, Err(Refusal::TooLate))] {
        let mut owner = at_rest();
        let job = job(&[1], owner.press(Mono::START));
        let now = Mono::START + Duration::from_millis(late_ms);
        assert_eq!(owner.enqueue(job, seen(0), now), taken);
    }
}

/// Also on a rig that does not see plugs.
#[rstest]
fn a_rig_that_was_found_not_well_while_a_run_was_prepared_does_not_begin_it(
    #[values(
        Fault::Silent(Doubt::Late),
        Fault::NotSafe(Doubt::Lost),
        Fault::Opened,
        Fault::Reference(String::from("out of range"))
    )]
    fault: Fault,
    #[values(false, true)] well_again: bool,
) {
    let mut owner = Owner::new(SHEETS.name(), false, SHEETS.places(), SHEETS.preview());
    owner.found(Look::AtRest, Ok(REST));
    let waits = another_job(1, owner.press(Mono::START));
    enqueue(&mut owner, waits).expect("it is taken");
    let (job, ..) = next(&mut owner).expect("it is prepared");
    owner.found(Look::Meanwhile, Err(fault.clone()));
    if well_again {
        // Whatever was wrong may have moved something, or hidden that a device was changed.
        owner.found(Look::Meanwhile, Ok(REST));
    }
    let begun = owner.begin(&job.claim());
    assert_eq!(begun, Err(Refusal::NotReady(fault.to_string())));
}

/// Two devices without serial numbers are not the same device, though nothing tells them apart.
#[rstest]
fn a_device_without_a_serial_number_that_is_mounted_again_is_another_one(
    #[values(false, true)] while_it_is_prepared: bool,
    #[values(false, true)] own_number_again: bool,
) {
    let mut owner = Owner::new(SHEETS.name(), false, SHEETS.places(), SHEETS.preview());
    owner.found(Look::AtRest, Ok(REST));
    let unnumbered = Placing { position: 1, serial: None, own_number: true };
    owner.mount(0, std::slice::from_ref(&unnumbered), None).expect("it is mounted");
    let waits = another_job(1, owner.press(Mono::START));
    enqueue(&mut owner, waits).expect("it is taken");
    let again = |owner: &mut Owner| {
        let other = if own_number_again { unnumbered.clone() } else { placing(1, "B-1") };
        owner.mount(1, &[other], None).expect("it is mounted");
    };
    if !while_it_is_prepared {
        again(&mut owner);
        assert!(next(&mut owner).is_none());
        return;
    }
    let (job, ..) = next(&mut owner).expect("it is prepared");
    again(&mut owner);
    assert_eq!(owner.begin(&job.claim()), Err(Refusal::Remounted { position: 1 }));
}
