//! The date by which calibrations are judged, and what it says of the calibration of a reference.

use jiff::civil::Date;
use std::path::PathBuf;
use tripbench_rig::RigSheet;

/// The date by which calibrations are judged: that of the computer's clock, but never earlier than one that was seen before. So a clock that
/// is set back makes no expired calibration valid.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Today {
    /// Local date of the computer's clock.
    pub clock: Date,
    /// The latest date that was seen before.
    pub latest: Latest,
}

/// The latest date that was seen before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Latest {
    /// None is kept.
    None,
    /// A date.
    Seen {
        /// The date.
        date: Date,
        /// The file that keeps it, in which a person may correct it.
        file: PathBuf,
    },
    /// It is kept, and cannot be read.
    Unknown {
        /// The file that keeps it.
        file: PathBuf,
        /// Why it cannot be read.
        why: String,
    },
}

impl Today {
    /// The date of the computer's clock alone.
    pub fn by_clock() -> Self {
        Self { clock: jiff::ZonedDateTime::now().date(), latest: Latest::None }
    }

    /// The date by which calibrations are judged.
    pub fn date(&self) -> Date {
        match &self.latest {
            Latest::Seen { date, .. } => self.clock.max(*date),
            Latest::None | Latest::Unknown { .. } => self.clock,
        }
    }

    /// A sentence, if the clock was set back, with what to do if it was not.
    pub fn doubt(&self) -> Option<String> {
        let Latest::Seen { date, file } = &self.latest else { return None };
        let text = || {
            format!(
                "The clock of this computer shows {}, but {date} was seen before (`{}`): the calibration is judged by the later date. If that date is wrong, end the daemon, write the true date into that file, and start the daemon again.",
                self.clock,
                file.display()
            )
        };
        (*date > self.clock).then(text)
    }

    /// A sentence, if the date by which calibrations are to be judged is not known, with what to do.
    pub fn unknown(&self) -> Option<String> {
        let Latest::Unknown { file, why } = &self.latest else { return None };
        Some(format!(
            "Nobody knows whether the calibration has expired, because the clock of this computer may have been set back: `{}`, which has the latest date seen, {why}. Write the true date into it, as in 2026-01-31.",
            file.display()
        ))
    }
}

/// Doubts about the calibration of the reference: expired, dated in the future, or by an unknown date.
pub fn calibration_doubts(rig: &RigSheet, today: &Today) -> Vec<String> {
    expired(rig, today).into_iter().chain(dated_ahead(rig, today)).chain(today.unknown()).collect()
}

/// A sentence, if the calibration of the reference is dated in the future.
pub fn dated_ahead(rig: &RigSheet, today: &Today) -> Option<String> {
    let today = today.date().to_string();
    let (reference, date) = (&rig.reference, &rig.reference.calibration.date);
    let text = || {
        format!(
            "The calibration of the reference `{}` is dated {}, and today is {today}: the rig sheet or the clock of this computer is wrong.",
            reference.name.value, date.value
        )
    };
    (date.as_str() > today.as_str()).then(text)
}

/// A sentence, if the calibration of the reference has expired.
pub fn expired(rig: &RigSheet, today: &Today) -> Option<String> {
    let (reference, due) = (&rig.reference, &rig.reference.calibration.due);
    let today = today.date().to_string();
    let text =
        || format!("The calibration of the reference `{}` was due on {}.", reference.name.value, due.value);
    (due.as_str() < today.as_str()).then(text)
}
