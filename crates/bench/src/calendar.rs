//! The latest date that the daemon has seen. It is kept in the folder of runs, so that a clock that is set back, also while the daemon is
//! off, makes no expired calibration valid.

use crate::chain::chain;
use jiff::civil::Date;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use tripbench_runner::{Latest, Today, disk};

/// Name of the file: one line with an ISO 8601 date. A person may correct it after the clock was ahead.
const FILE: &str = "latest-date";

/// The latest date that was seen.
#[derive(Debug)]
pub(crate) struct Calendar {
    path: PathBuf,
    /// What is known of it; `None` until the folder of runs was opened.
    known: Mutex<Option<Known>>,
}

/// What is known of the latest date.
#[derive(Debug, Clone)]
enum Known {
    /// The date, and whether the file says it: a disk that was full is tried again.
    Date { date: Date, is_stored: bool },
    /// Its file exists and cannot be read, for this reason. It is not written: a later date may be in it.
    Unreadable(String),
}

impl Calendar {
    /// The calendar of a folder of runs that has not been opened yet.
    pub(crate) fn of(runs: &Path) -> Self {
        Self { path: runs.join(FILE), known: Mutex::default() }
    }

    /// Reads the latest date from its file; `of_records` takes the place of a missing file.
    pub(crate) fn open(&self, of_records: Option<Date>) {
        let known = self.read().or_else(|| of_records.map(|date| Known::Date { date, is_stored: false }));
        if let Some(Known::Unreadable(why)) = &known {
            tracing::error!(path = %self.path.display(), why, "the latest date that was seen is not known");
        }
        *self.known.lock().unwrap_or_else(PoisonError::into_inner) = known;
        self.today(Today::by_clock().clock);
    }

    /// What the file says; `None` without a file.
    fn read(&self) -> Option<Known> {
        let bytes = match disk::read(&self.path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == ErrorKind::NotFound => return None,
            Err(error) => return Some(Known::Unreadable(format!("cannot be read ({error})"))),
        };
        let date = str::from_utf8(&bytes).ok().and_then(|text| text.trim().parse().ok());
        let why = || String::from("contains no date");
        Some(date.map_or_else(|| Known::Unreadable(why()), |date| Known::Date { date, is_stored: true }))
    }

    /// Today, if the clock shows the date `clock`. A date later than any before is stored. Writes to the disk, which may hang, once a day, and
    /// reads a file again that could not be read.
    pub(crate) fn today(&self, clock: Date) -> Today {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if matches!(*known, Some(Known::Unreadable(_))) {
            // A file that was deleted meanwhile says no more than before.
            *known = self.read().or_else(|| known.take());
        }
        let file = self.path.clone();
        let (latest, is_stored) = match &*known {
            None => (Latest::None, false),
            Some(Known::Date { date, is_stored }) => (Latest::Seen { date: *date, file }, *is_stored),
            Some(Known::Unreadable(why)) => {
                return Today { clock, latest: Latest::Unknown { file, why: why.clone() } };
            }
        };
        let newest = match &latest {
            Latest::Seen { date, .. } => (*date).max(clock),
            Latest::None | Latest::Unknown { .. } => clock,
        };
        let is_later = !matches!(latest, Latest::Seen { date, .. } if date == newest);
        if is_later || !is_stored {
            let stored = disk::write_file(&self.path, format!("{newest}\n").as_bytes());
            *known = Some(Known::Date { date: newest, is_stored: stored.is_ok() });
            if let Err(error) = stored {
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
    use rstest::rstest;

    fn scratch(name: &str) -> PathBuf {
        let path = std::env::temp_dir().join(format!("tripbench-calendar-{}-{name}", std::process::id()));
        drop(std::fs::remove_dir_all(&path));
        std::fs::create_dir(&path).expect("a folder");
        path
    }

    /// Without its file a clock that is set back over a restart would be believed.
    #[rstest]
    fn a_date_that_could_not_be_stored_is_stored_as_soon_as_it_can(
        #[values(None, Some(date(2999, 3, 1)))] of_records: Option<Date>,
        #[values(1, 3)] failures: u32,
    ) {
        let runs = scratch(&format!("full-{}-{failures}", of_records.is_some()));
        let in_the_way = runs.join(format!("{FILE}.part"));
        std::fs::create_dir(&in_the_way).expect("a folder");
        let calendar = Calendar::of(&runs);
        calendar.open(of_records);
        let today = date(2999, 5, 1);
        for _ in 0..failures {
            calendar.today(today);
        }
        assert!(!runs.join(FILE).exists());
        std::fs::remove_dir(&in_the_way).expect("a folder");
        calendar.today(date(2999, 4, 1));
        assert_eq!(std::fs::read_to_string(runs.join(FILE)).expect("a file"), "2999-05-01\n");
        std::fs::remove_dir_all(&runs).expect("a folder");
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
        for (text, expected) in [(Some("2999-01-01\n"), corrected), (None, of_records)] {
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

    /// It may have a later date than clock and records. It is neither overwritten nor forgotten, until a person has corrected it.
    #[rstest]
    #[case::text("text", b"no date", "contains no date")]
    #[case::empty("empty", b"", "contains no date")]
    #[case::cut_off("cut", b"2999-0", "contains no date")]
    #[case::no_such_day("day", b"2999-02-30\n", "contains no date")]
    #[case::zeros("zeros", b"\0\0\0\0", "contains no date")]
    #[case::not_utf8("bytes", b"2999-01-\xFF", "contains no date")]
    #[case::not_a_file("folder", b"/", "cannot be read (")]
    fn a_file_that_cannot_be_read_is_not_a_missing_one(
        #[case] name: &str,
        #[case] bytes: &[u8],
        #[case] why: &str,
    ) {
        let runs = scratch(name);
        let file = runs.join(FILE);
        match bytes {
            b"/" => std::fs::create_dir(&file).expect("a folder"),
            bytes => std::fs::write(&file, bytes).expect("a file"),
        }
        let clock = date(2999, 1, 1);
        for calendar in [Calendar::of(&runs), Calendar::of(&runs)] {
            calendar.open(Some(date(2000, 1, 1)));
            let said = calendar.today(clock).unknown().expect("unknown");
            assert!(said.contains(why) && said.contains(&*file.to_string_lossy()), "{said}");
            assert_eq!(std::fs::read(&file).unwrap_or_else(|_| b"/".into()), bytes, "overwritten");
        }
        let calendar = Calendar::of(&runs);
        calendar.open(None);
        std::fs::remove_file(&file).or_else(|_| std::fs::remove_dir(&file)).expect("removed");
        assert!(calendar.today(clock).unknown().is_some(), "forgotten");
        std::fs::write(&file, "2999-05-05\n").expect("a file");
        assert_eq!(calendar.today(clock).date(), date(2999, 5, 5));
        assert_eq!(calendar.today(clock).unknown(), None);
        std::fs::remove_dir_all(&runs).expect("a folder");
    }
}
