//! Lists a finished run, with its place in the order of listing.

use super::{Runs, keep};
use crate::listing::{place_after, place_before, place_of};
use crate::run_entry::RunEntry;
use std::sync::atomic::Ordering;

/// What came of listing a run.
enum Listed {
    /// It is listed.
    Now(RunEntry),
    /// It was listed before, like this.
    Before(RunEntry),
    /// It is not listed: its folder must have this place first.
    Wants(RunEntry),
}

impl Runs {
    /// Lists a run, behind all that were listed before unless it has a place already. Returns it, or `None` if it is listed already. Its
    /// folder has the place before anybody sees the run; the disk, which may hang at that, is waited for with nothing locked.
    pub(super) fn insert(&self, mut entry: RunEntry) -> Option<RunEntry> {
        let mut has_place = entry.listed > 0;
        loop {
            match self.list(entry, has_place) {
                Listed::Now(listed) => return Some(listed),
                Listed::Before(other) => {
                    // This thread may have kept another place.
                    if place_of(&other.folder).is_some_and(|kept| kept != other.listed) {
                        keep(&other);
                    }
                    return None;
                }
                Listed::Wants(wants) => {
                    keep(&wants);
                    (entry, has_place) = (wants, false);
                }
            }
        }
    }

    /// Lists a run, if it has a place from before, or the place that its folder has is still behind all others: one step under the lock.
    fn list(&self, entry: RunEntry, has_place: bool) -> Listed {
        let mut entries = self.entries();
        if let Some(other) = entries.iter().find(|other| other.run == entry.run) {
            return Listed::Before(other.clone());
        }
        // The clock may have been set back since the run began: who knows the run by its identifier alone would miss what comes later.
        self.listed.fetch_max(place_before(&entry.run).unwrap_or(0), Ordering::SeqCst);
        let last = self.listed.load(Ordering::SeqCst);
        let is_free = has_place && entries.iter().all(|other| other.listed != entry.listed);
        if !is_free && entry.listed <= last {
            return Listed::Wants(RunEntry { listed: place_after(last), ..entry });
        }
        self.listed.store(last.max(entry.listed), Ordering::SeqCst);
        let at = entries.partition_point(|other| other.order() <= entry.order());
        entries.insert(at, entry.clone());
        Listed::Now(entry)
    }
}
