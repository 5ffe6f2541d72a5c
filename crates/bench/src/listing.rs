//! Place of a run in the order in which finished runs were listed. It is kept in the run's own folder, so that it lasts as long as the run:
//! a program that goes on after the last run that it knows neither misses one nor gets one twice, also if the index of runs was lost.

use jiff::Timestamp;
use std::io;
use std::path::Path;
use uuid::Uuid;

/// Name of the file.
const FILE: &str = "listed";
/// Number of digits in the file. A shorter number was cut off and does not count.
const DIGITS: usize = 19;

/// The place in the folder of a run; `None` if the run was not listed yet, or the file is damaged.
pub(crate) fn place_of(run: &Path) -> Option<u64> {
    let text = std::fs::read_to_string(run.join(FILE)).ok()?;
    let digits = text.strip_suffix('\n').filter(|digits| digits.len() == DIGITS)?;
    digits.parse().ok().filter(|place| *place > 0)
}

/// Keeps the place of a run in its folder. Not synced: the index has it too.
///
/// # Errors
/// If it cannot be written.
pub(crate) fn keep_place(run: &Path, place: u64) -> io::Result<()> {
    std::fs::write(run.join(FILE), format!("{place:0DIGITS$}\n"))
}

/// The time in the identifier of a run, in microseconds like a place; `None` if it has none. The run is listed behind it, and so is every
/// run that is listed later.
pub fn place_before(run: &str) -> Option<u64> {
    const PER_S: u64 = 1_000_000;
    let (seconds, nanoseconds) = Uuid::parse_str(run).ok()?.get_timestamp()?.to_unix();
    Some(seconds * PER_S + u64::from(nanoseconds) / 1_000)
}

/// The place behind the last one that was given: the time in microseconds, so that no place is given twice although the last run was
/// deleted, and one more than the last if the clock was set back.
pub(crate) fn place_after(last: u64) -> u64 {
    let now = u64::try_from(Timestamp::now().as_microsecond()).unwrap_or(0);
    now.max(last.saturating_add(1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    proptest! {
        #[test]
        fn places_only_grow_whatever_the_clock_shows(last in 0_u64..u64::MAX) {
            prop_assert!(place_after(last) > last);
        }
    }

    #[rstest]
    #[case::whole(19, true)]
    #[case::without_line_feed(20, false)]
    #[case::cut_off(7, false)]
    #[case::empty(0, false)]
    fn a_place_that_was_cut_off_is_none(#[case] cut: usize, #[case] whole: bool) {
        let run = std::env::temp_dir().join(format!("tripbench-listing-{}-{cut}", std::process::id()));
        std::fs::create_dir(&run).expect("a folder");
        assert_eq!(place_of(&run), None);
        keep_place(&run, 1_764_345_600_123_456).expect("written");
        let text = std::fs::read_to_string(run.join(FILE)).expect("a file");
        let kept = if whole {
            text.as_str()
        } else if cut == 20 {
            text.trim_end()
        } else {
            &text[..cut]
        };
        std::fs::write(run.join(FILE), kept).expect("a file");
        assert_eq!(place_of(&run), whole.then_some(1_764_345_600_123_456));
        std::fs::remove_dir_all(&run).expect("a folder");
    }
}
