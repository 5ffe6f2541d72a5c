//! Place of a run in the order in which finished runs were listed. It is kept in the run's own folder, so that it lasts as long as the run:
//! a program that goes on after the last run that it knows neither misses one nor gets one twice, also if the index of runs was lost.

use jiff::Timestamp;
use std::io;
use std::path::Path;
use tripbench_runner::disk;
use uuid::Uuid;

/// Name of the file.
const FILE: &str = "listed";
/// Number of digits in the file. A shorter number was cut off and does not count.
const DIGITS: usize = 19;

/// The place in the folder of a run; `None` if the run was not listed yet, or the file is damaged.
pub(crate) fn place_of(run: &Path) -> Option<u64> {
    let bytes = disk::read(&run.join(FILE)).ok()?;
    let digits = str::from_utf8(&bytes).ok()?.strip_suffix('\n').filter(|digits| digits.len() == DIGITS)?;
    digits.parse().ok().filter(|place| *place > 0)
}

/// Keeps the place of a run in its folder. What lies in the place of the file is replaced, and never written into.
///
/// # Errors
/// If it cannot be written.
pub(crate) fn keep_place(run: &Path, place: u64) -> io::Result<()> {
    disk::write_file(&run.join(FILE), format!("{place:0DIGITS$}\n").as_bytes())
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
    use rustix::fs::{CWD, FileType, Mode, mknodat};
    use std::os::unix::fs::symlink;

    proptest! {
        #[test]
        fn places_only_grow_whatever_the_clock_shows(last in 0_u64..u64::MAX) {
            prop_assert!(place_after(last) > last);
        }
    }

    /// Neither is it read, nor does the next place go into it.
    #[rstest]
    fn what_lies_in_the_place_of_the_file_is_replaced(
        #[values("a pipe", "a link", "a link to nothing", "another text")] what: &str,
        #[values(1, 1_764_345_600_123_456)] place: u64,
    ) {
        let name = format!("tripbench-listing-{}-{place}-{}", std::process::id(), what.replace(' ', "-"));
        let run = std::env::temp_dir().join(name);
        drop(std::fs::remove_dir_all(&run));
        std::fs::create_dir(&run).expect("a folder");
        let (file, other) = (run.join(FILE), run.join("other"));
        // A place of another run.
        std::fs::write(&other, format!("{:0DIGITS$}\n", 7)).expect("a file");
        match what {
            "a pipe" => mknodat(CWD, &file, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).expect("a pipe"),
            "a link" => symlink("other", &file).expect("a link"),
            "a link to nothing" => symlink("nothing", &file).expect("a link"),
            _ => std::fs::write(&file, what).expect("a file"),
        }
        assert_eq!(place_of(&run), None);
        keep_place(&run, place).expect("written");
        assert_eq!(place_of(&run), Some(place));
        assert_eq!(std::fs::read_to_string(&other).expect("a file"), format!("{:0DIGITS$}\n", 7));
        assert!(!run.join("nothing").exists());
        std::fs::remove_dir_all(&run).expect("a folder");
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
