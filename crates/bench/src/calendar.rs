//! The latest date that the daemon has seen. It is kept in the folder of runs, so that a clock that is set back, also while the daemon is
//! off, makes no expired calibration valid.

use crate::chain::chain;
use jiff::civil::Date;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use tripbench_runner::{Today, disk};

/// Name of the file: one line with an ISO 8601 date. A person may correct it after the clock was ahead.
const FILE: &str = "latest-date";

/// The latest date that was seen.
#[derive(Debug)]
pub(crate) struct Calendar {
    path: PathBuf,
    /// `None` until the folder of runs was opened.
    latest: Mutex<Option<Date>>,
}

impl Calendar {
    /// The calendar of a folder of runs that has not been opened yet.
    pub(crate) fn of(runs: &Path) -> Self {
        Self { path: runs.join(FILE), latest: Mutex::default() }
    }

    /// Reads the latest date from its file; `of_records` replaces a file that is missing or is not a date.
    pub(crate) fn open(&self, of_records: Option<Date>) {
        let kept = std::fs::read_to_string(&self.path).ok().and_then(|text| text.trim().parse().ok());
        *self.latest.lock().unwrap_or_else(PoisonError::into_inner) = kept.or(of_records);
        self.today(Today::by_clock().clock);
    }

    /// Today, if the clock shows the date `clock`. A date later than any before is stored. Writes to the disk, which may hang, once a day.
    pub(crate) fn today(&self, clock: Date) -> Today {
        let mut known = self.latest.lock().unwrap_or_else(PoisonError::into_inner);
        let latest = *known;
        if latest.is_none_or(|latest| clock > latest) {
            *known = Some(clock);
            if let Err(error) = disk::write_file(&self.path, format!("{clock}\n").as_bytes()) {
                tracing::warn!(path = %self.path.display(), error = chain(&error), "cannot store the date");
            }
        }
        Today { clock, latest }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn scratch(name: &str) -> PathBuf {
        let path = std::env::temp_dir().join(format!("tripbench-calendar-{}-{name}", std::process::id()));
        drop(std::fs::remove_dir_all(&path));
        std::fs::create_dir(&path).expect("a folder");
        path
    }

    #[test]
    fn a_clock_that_is_set_back_does_not_set_the_date_back_also_after_a_restart() {
        let runs = scratch("back");
        let calendar = Calendar::of(&runs);
        let (before, later) = (date(2999, 5, 1), date(2999, 6, 1));
        assert_eq!(calendar.today(later).date(), later);
        for calendar in [calendar, Calendar::of(&runs)] {
            calendar.open(Some(date(2000, 1, 1)));
            let today = calendar.today(before);
            assert_eq!((today.date(), today.doubt().is_some()), (later, true));
            assert_eq!(calendar.today(later).doubt(), None);
        }
        std::fs::remove_dir_all(&runs).expect("a folder");
    }

    /// A person writes the true date into the file after the clock was ahead.
    #[test]
    fn the_file_counts_and_the_records_only_without_it() {
        let runs = scratch("file");
        let (of_records, corrected) = (date(2999, 12, 31), date(2999, 1, 1));
        for (text, expected) in
            [(Some("2999-01-01\n"), corrected), (Some("no date"), of_records), (None, of_records)]
        {
            match text {
                Some(text) => std::fs::write(runs.join(FILE), text).expect("a file"),
                None => std::fs::remove_file(runs.join(FILE)).unwrap_or_default(),
            }
            let calendar = Calendar::of(&runs);
            calendar.open(Some(of_records));
            assert_eq!(calendar.today(date(2026, 1, 1)).date(), expected, "{text:?}");
        }
        std::fs::remove_dir_all(&runs).expect("a folder");
    }
}
