//! What is refused, and why.

use crate::state::{Place, Placing, RigState, Round};
use thiserror::Error;

/// Why something that was asked of a rig is refused.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub(crate) enum Refusal {
    /// The round was changed meanwhile.
    #[error("the round was changed meanwhile: it is at revision {now}, revision {named} was named")]
    RoundChanged {
        /// Its revision.
        now: u64,
        /// What was named.
        named: u64,
    },
    /// The position is not there.
    #[error("position {position} is not there: this rig has {there}")]
    NoSuchPosition {
        /// What was named.
        position: u8,
        /// Its positions.
        there: String,
    },
    /// A position stands twice.
    #[error("position {position} is given twice")]
    PositionTwice {
        /// Which.
        position: u8,
    },
    /// A serial number is none.
    #[error(
        "the serial number for position {position} is empty, too long (80 at most) or has control characters"
    )]
    NotASerial {
        /// Where.
        position: u8,
    },
    /// A number of its own for a device that has one.
    #[error(
        "position {position} has a serial number and `own_number`: the bench gives numbers to devices without one only"
    )]
    TwoNumbers {
        /// Where.
        position: u8,
    },
    /// Other devices are mounted.
    #[error("a round is mounted on this rig and not started: start it by its `revision`, or take it off")]
    Mounted,
    /// Something may not be as it was meant: asked once.
    #[error("{0}")]
    ToConfirm(String),
    /// Nothing runs.
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
    /// A run goes on, and the new one was not said to be unattended.
    #[error(
        "a run goes on: devices are changed before the next one begins; only a run with `unattended` waits for it and begins by itself"
    )]
    Busy,
    /// It took too long to prepare.
    #[error("the run could not be prepared within 10 seconds, as on a disk that hangs: nothing was started")]
    TooLate,
    /// A stop came meanwhile.
    #[error(
        "STOP TEST was pressed since: it was pressed {now} times, this start has seen {named}; nothing was started"
    )]
    Stopped {
        /// How often it was pressed.
        now: u64,
        /// What was named.
        named: u64,
    },
    /// A device may be another one than the one that was meant.
    #[error(
        "the plug at position {position} was seen out after START was pressed: what is there now may be another device. Check its number, then press START again"
    )]
    PlugWasOut {
        /// Where.
        position: u8,
    },
    /// The daemon is ending.
    #[error("the daemon is ending: nothing new is begun")]
    Ending,
}

/// Refuses positions that are not there or stand twice, and numbers that are none.
pub(crate) fn check_placings(round: &Round, placings: &[Placing]) -> Result<(), Refusal> {
    let is_none = |serial: &String| {
        serial.trim().is_empty() || serial.chars().count() > 80 || serial.chars().any(char::is_control)
    };
    for (index, placing) in placings.iter().enumerate() {
        let position = placing.position;
        if round.places.iter().all(|place| place.position != position) {
            let there: Vec<String> = round.places.iter().map(|place| place.position.to_string()).collect();
            return Err(Refusal::NoSuchPosition { position, there: there.join(", ") });
        }
        if placings.iter().take(index).any(|earlier| earlier.position == position) {
            return Err(Refusal::PositionTwice { position });
        }
        if placing.serial.is_some() && placing.own_number {
            return Err(Refusal::TwoNumbers { position });
        }
        if placing.serial.as_ref().is_some_and(is_none) || (placing.serial.is_none() && !placing.own_number) {
            return Err(Refusal::NotASerial { position });
        }
    }
    Ok(())
}

/// What may not be as it was meant, of a round that is to be started: each as a sentence. `plugged` says of a position that its plug is
/// seen and was not pulled since the last run.
pub(crate) fn to_confirm(
    taken: &[Place],
    rig: &RigState,
    plugged: impl Fn(u8) -> bool,
    others: &[RigState],
) -> Vec<String> {
    let mut doubts = Vec::new();
    for (index, place) in taken.iter().enumerate() {
        let (Some(serial), position) = (&place.serial, place.position) else { continue };
        let earlier = taken.iter().take(index).find(|earlier| earlier.serial.as_ref() == Some(serial));
        if let Some(earlier) = earlier {
            doubts.push(format!(
                "serial {serial} is at position {} and at position {position}",
                earlier.position
            ));
        }
        if let Some(other) = others.iter().find(|other| other.has(serial)) {
            doubts.push(format!("serial {serial} is on {} too", other.rig));
        }
        let last = rig.run.iter().flat_map(|run| &run.tiles).find(|tile| tile.position == position);
        if let Some(last) = last.filter(|last| last.serial != *serial && plugged(position)) {
            doubts.push(format!(
                "no plug was pulled at position {position} since {} was tested there, and it is to be {serial} now",
                last.serial
            ));
        }
    }
    doubts
}
