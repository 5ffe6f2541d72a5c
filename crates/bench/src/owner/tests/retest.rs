//! Retests of devices that may have been changed.

use super::*;
use crate::round::Place;
use crate::snapshot::RunSnapshot;
use crate::waiting::Repeat;
use std::path::PathBuf;
use tripbench_record::{Event, EventKind, RunView, Seq};

/// What happens between the end of a run and the request to test its device again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Since {
    /// Every look saw the rig.
    Nothing,
    /// The daemon was restarted.
    Restart,
    /// The link was in doubt, a look failed, or nobody looked for a while.
    OutOfSight,
    PlugOut,
}

/// The demo's rig at rest, if `sees` with its inputs for plugs.
pub(super) fn rig(sees: bool) -> Owner {
    let present = |place: Place| Place { present: place.present.filter(|_| sees), ..place };
    let places = SHEETS.places().into_iter().map(present).collect();
    let mut owner = Owner::new(SHEETS.name(), false, places, SHEETS.preview());
    if sees {
        see(&mut owner, &[]);
    }
    owner.found(Look::AtRest, Ok(REST));
    owner
}

/// A finished run of the device at position 1.
pub(super) fn finished() -> RunSnapshot {
    let Planned { prepared, .. } = PLANNED.clone();
    let started = EventKind::Started(Box::new(prepared.header));
    let mut view = RunView::default();
    view.fold(&Event { seq: Seq(0), at: Mono::START, kind: started });
    let snapshot = RunSnapshot::new(view, prepared.task.sheets, PathBuf::new()).expect("a header");
    RunSnapshot { kept: true, ..snapshot }
}

fn again(owner: &Owner, run: &str, confirmed: bool) -> Job {
    let repeat =
        Repeat { run: run.to_owned(), folder: PathBuf::new(), position: 1, confirmed, beside: Vec::new() };
    Job { again: Some(repeat), ..another_job(2, owner.press(Mono::START)) }
}

/// The answer to a retest after `since`.
fn asked(since: Since, sees: bool, confirmed: bool) -> Result<(), Refusal> {
    let mut owner = rig(sees);
    let snapshot = finished();
    let run = snapshot.run().to_owned();
    if since == Since::Restart {
        owner.begin_with(snapshot, false);
    } else {
        let first = another_job(1, owner.press(Mono::START));
        enqueue(&mut owner, first).expect("it is taken");
        let (job, ..) = next(&mut owner).expect("it begins");
        owner.begin(&job.claim()).expect("it begins");
        owner.over(job.run());
        owner.found(Look::AtRest, Ok(REST));
        owner.kept(Some(snapshot));
    }
    match since {
        Since::Nothing | Since::Restart => {}
        Since::OutOfSight => owner.lost_sight(),
        Since::PlugOut => {
            see(&mut owner, &[1]);
            see(&mut owner, &[]);
        }
    }
    let job = again(&owner, &run, confirmed);
    enqueue(&mut owner, job)
}

/// Only a person knows whether the device is still the same if nobody looked, also on a rig that sees plugs: asked, not refused.
#[rstest]
fn a_device_that_was_out_of_sight_is_tested_again_only_if_a_person_confirms_it(
    #[values(Since::Restart, Since::OutOfSight)] since: Since,
    #[values(false, true)] sees: bool,
) {
    assert_eq!(asked(since, sees, false), Err(Refusal::OutOfSight { position: 1 }));
    assert_eq!(asked(since, sees, true), Ok(()));
}

#[rstest]
fn a_device_in_sight_is_tested_again_unasked(#[values(false, true)] sees: bool) {
    assert_eq!(asked(Since::Nothing, sees, false), Ok(()));
}

#[rstest]
fn a_device_whose_plug_was_seen_out_is_not_tested_again(#[values(false, true)] confirmed: bool) {
    assert_eq!(asked(Since::PlugOut, true, confirmed), Err(Refusal::MayBeGone { position: 1 }));
}

/// What was confirmed once is not asked again, unless sight was lost again.
#[test]
fn a_confirmation_lasts_until_sight_is_lost_again() {
    let mut owner = rig(false);
    let snapshot = finished();
    let run = snapshot.run().to_owned();
    owner.begin_with(snapshot, false);
    let confirmed = again(&owner, &run, true);
    enqueue(&mut owner, confirmed).expect("it is taken");
    let (job, ..) = next(&mut owner).expect("it begins");
    owner.begin(&job.claim()).expect("it begins");
    owner.over(job.run());
    owner.found(Look::AtRest, Ok(REST));
    assert!(!owner.was_out_of_sight(1) && owner.was_out_of_sight(2));
    owner.lost_sight();
    assert!(owner.was_out_of_sight(1));
}
