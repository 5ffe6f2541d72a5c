//! What a rig refuses, and why.

use thiserror::Error;

/// Why something that was asked of a rig is refused.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Refusal {
    /// The round was changed since it was seen.
    #[error("the round was changed meanwhile: it is at revision {now}, revision {named} was named")]
    RoundChanged {
        /// Its revision.
        now: u64,
        /// The revision that was named.
        named: u64,
    },
    /// The rig has no such position.
    #[error("position {position} is not there: this rig has {there}")]
    NoSuchPosition {
        /// The position that was named.
        position: u8,
        /// Its positions.
        there: String,
    },
    /// A position is given twice.
    #[error("position {position} is given twice")]
    PositionTwice {
        /// The position.
        position: u8,
    },
    /// A serial number is not allowed.
    #[error(
        "the serial number for position {position} is empty, too long (80 at most) or has control characters"
    )]
    NotASerial {
        /// The position.
        position: u8,
    },
    /// A number of the bench's own for a device that has a serial number.
    #[error(
        "position {position} has a serial number and `own_number`: the bench gives numbers to devices without one only"
    )]
    TwoNumbers {
        /// The position.
        position: u8,
    },
    /// Other devices are mounted.
    #[error("a round is mounted on this rig and not started: start it by its `revision`, or take it off")]
    Mounted,
    /// Something may not be as intended; the operator is asked once.
    #[error("{0}")]
    ToConfirm(String),
    /// No run is in progress.
    #[error("nothing runs on this rig")]
    NothingRuns,
    /// The question is not open.
    #[error("question {0} is not open")]
    NotOpen(u32),
    /// The round was started already.
    #[error("this round was started already: mount the next one")]
    AlreadyStarted,
    /// The rig is not ready.
    #[error("the rig is not ready: {0}")]
    NotReady(String),
    /// A run is in progress, and the new one is attended.
    #[error(
        "a run goes on: devices are changed before the next one begins; only a run with `unattended` waits for it and begins by itself"
    )]
    Busy,
    /// Preparing the run took too long.
    #[error("the run could not be prepared within 10 seconds, as on a disk that hangs: nothing was started")]
    TooLate,
    /// STOP TEST was pressed since.
    #[error(
        "STOP TEST was pressed since: it was pressed {now} times, this start has seen {named}; nothing was started"
    )]
    Stopped {
        /// How often it was pressed.
        now: u64,
        /// The number that was named.
        named: u64,
    },
    /// The plug was out since START was pressed: the device may be another one.
    #[error(
        "the plug at position {position} was seen out after START was pressed: what is there now may be another device. Check its number, then press START again"
    )]
    PlugWasOut {
        /// The position.
        position: u8,
    },
    /// Another device was mounted at the position since START was pressed.
    #[error(
        "the device mounted at position {position} was changed after START was pressed: it would be tested under the number of the one before. Check the numbers, then press START again"
    )]
    Remounted {
        /// The position.
        position: u8,
    },
    /// The daemon is ending.
    #[error("the daemon is ending: nothing new is begun")]
    Ending,
    /// The owner of the rig does not answer: the program is at fault.
    #[error("the program failed inside: the owner of this rig does not answer")]
    NoOwner,
}
