//! Records that are made long after their run.

use super::retest::{finished, rig};
use super::*;
use crate::runs::Unmade;
use crate::status::{NoVerdict, OwedRun};
use std::path::PathBuf;

/// Only the verdict that is missing is shown: that of an earlier run would be taken for the last one.
#[rstest]
#[case::the_missing_one(true)]
#[case::an_earlier_one(false)]
fn an_owed_record_is_shown_in_its_own_place(
    #[case] is_missing: bool,
    #[values(false, true)] restarted: bool,
) {
    let mut owner = rig(false);
    let snapshot = finished();
    let run = if is_missing { snapshot.run().to_owned() } else { String::from("a later run") };
    let why = String::from("no room");
    if restarted {
        let owed = OwedRun { run, folder: PathBuf::new() };
        owner.begin_without_verdict(Unmade { owed, rig: SHEETS.name(), number: None, why, to_make: true });
    } else {
        owner.failed(run, NoVerdict::NoRecord(why));
    }
    owner.settled(snapshot);
    assert_eq!((owner.status.run.is_some(), owner.status.failed.is_none()), (is_missing, is_missing));
}

/// A record that cannot be read is not made again: it is not owed.
#[rstest]
fn only_records_that_will_be_made_are_owed(#[values(false, true)] to_make: bool) {
    let mut owner = rig(false);
    let owed = OwedRun { run: String::from("a run"), folder: PathBuf::new() };
    let why = String::from("it cannot be read");
    owner.begin_without_verdict(Unmade { owed, rig: SHEETS.name(), number: None, why: why.clone(), to_make });
    let failed = if to_make { NoVerdict::NoRecord(why) } else { NoVerdict::Untrusted(why) };
    assert_eq!((owner.status.owed.len(), owner.status.failed), (usize::from(to_make), Some(failed)));
}
