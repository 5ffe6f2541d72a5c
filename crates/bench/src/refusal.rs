//! Refusals of a rig.

use thiserror::Error;
use tripbench_sheet::NotPlain;

/// Why a rig refuses a request.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Refusal {
    /// The round was changed since the requester saw it.
    #[error("the round was changed meanwhile: it is at revision {now}, the request names revision {named}")]
    RoundChanged {
        /// Present revision of the round.
        now: u64,
        /// Revision in the request.
        named: u64,
    },
    /// The rig has no such position.
    #[error("position {position} does not exist: this rig has {there}")]
    NoSuchPosition {
        /// Position in the request.
        position: u8,
        /// Positions of the rig.
        there: String,
    },
    /// A position is given twice.
    #[error("position {position} is given twice")]
    PositionTwice {
        /// The position.
        position: u8,
    },
    /// A serial number is not allowed.
    #[error("the serial number for position {position} {why}")]
    NotASerial {
        /// The position.
        position: u8,
        /// What is wrong with it.
        why: NotPlain,
    },
    /// An own number is requested for a device that has a serial number.
    #[error(
        "position {position} has a serial number and `own_number`: the bench gives own numbers only to devices without a serial number"
    )]
    TwoNumbers {
        /// The position.
        position: u8,
    },
    /// Another round is mounted and not started.
    #[error("a round is mounted on this rig and not started: start it by its `revision`, or clear it")]
    Mounted,
    /// Something may not be as intended: the operator must confirm it.
    #[error("{0}")]
    ToConfirm(String),
    /// No run is in progress.
    #[error("no run is in progress on this rig")]
    NothingRuns,
    /// The question is not open.
    #[error("question {0} is not open")]
    NotOpen(u32),
    /// The round was already started.
    #[error("this round was already started: mount the next one")]
    AlreadyStarted,
    /// The rig is not ready.
    #[error("the rig is not ready: {0}")]
    NotReady(String),
    /// A run is in progress, and the new one is attended.
    #[error(
        "a run is in progress: change the devices when it has ended; only a run with `unattended` waits for it and begins by itself"
    )]
    Busy,
    /// Nobody would be there if this computer failed with the valves open.
    #[error(
        "the module of this rig does not go to safe by itself (no `loss_of_master` on its rig sheet): a run on it cannot be `unattended`. Set loss of master in the module and on the sheet, or start the run when somebody is at the rig"
    )]
    UnsafeAlone,
    /// Preparing the run took too long.
    #[error("the run could not be prepared within 10 seconds (does the disk hang?): nothing was started")]
    TooLate,
    /// STOP TEST was pressed since the requester looked.
    #[error(
        "STOP TEST was pressed meanwhile: {now} times in all, this start has seen {named}; nothing was started"
    )]
    Stopped {
        /// Number of presses so far.
        now: u64,
        /// Number in the request.
        named: u64,
    },
    /// The plug was out since START was pressed: the device may be another one.
    #[error(
        "the plug at position {position} was seen out after START was pressed: the device there now may be another one. Check its number, then press START again"
    )]
    PlugWasOut {
        /// The position.
        position: u8,
    },
    /// Another device was mounted at the position since START was pressed.
    #[error(
        "the device mounted at position {position} was changed after START was pressed: it would be tested under the number of the earlier device. Check the numbers, then press START again"
    )]
    Remounted {
        /// The position.
        position: u8,
    },
    /// The device that is to be tested again may be gone.
    #[error(
        "the device at position {position} may have been unplugged, or another round was begun, since it was tested: what is there now may be another device"
    )]
    MayBeGone {
        /// The position.
        position: u8,
    },
    /// The device that is to be tested again was out of sight.
    #[error(
        "position {position} was out of sight since it was tested (a restart, a failed look, a gap between looks, or a doubt about the link): check that the device there is still the same one, then press once more"
    )]
    OutOfSight {
        /// The position.
        position: u8,
    },
    /// Too many runs wait.
    #[error("{most} runs wait for this rig already, the most that may: wait until one of them has begun")]
    QueueFull {
        /// Largest number of runs that may wait.
        most: usize,
    },
    /// The daemon is ending.
    #[error("the daemon is ending: no new run is started")]
    Ending,
    /// The owner of the rig does not answer: a fault of the program.
    #[error("internal error: the owner of this rig does not answer")]
    NoOwner,
}

impl Refusal {
    /// The refusal as the cause of a withdrawal: what happened since the start.
    pub(crate) fn cause(&self) -> String {
        if let Self::PlugWasOut { position } = self {
            return format!("a plug that was seen out at position {position} after the start");
        }
        if let Self::Remounted { position } = self {
            return format!("another device mounted at position {position} after the start");
        }
        self.to_string()
    }
}
