//! A round: one filling of a rig's positions with devices.

use crate::refusal::Refusal;
use tripbench_sheet::identifying;

/// Longest serial number, characters.
const LONGEST_SERIAL: usize = 80;

/// One filling of the positions.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Round {
    /// Number of the last change. A change or a start that names another revision is refused.
    pub revision: u64,
    /// Whether a run was started from this round; the next change then begins a new round.
    pub started: bool,
    /// The positions in order.
    pub places: Vec<Place>,
}

/// A position in a round.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Place {
    /// Number of the position.
    pub position: u8,
    /// Serial number of the device there; `None` if the position is empty or the device has none.
    pub serial: Option<String>,
    /// Whether the device there gets an own number from the bench.
    pub own_number: bool,
    /// Whether a plug is seen there; `None` if the rig has no input for it.
    pub present: Option<bool>,
    /// Revision of the round by which the device was mounted.
    pub(crate) mounted: u64,
}

impl Place {
    /// Whether a device is mounted there.
    pub fn is_taken(&self) -> bool {
        self.serial.is_some() || self.own_number
    }
}

/// A device to be mounted at a position.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Placing {
    /// The position.
    pub position: u8,
    /// Serial number of the device.
    pub serial: Option<String>,
    /// Whether the device has no serial number and gets an own number from the bench.
    pub own_number: bool,
}

impl Placing {
    /// The position with this device.
    fn place(&self, present: Option<bool>, mounted: u64) -> Place {
        Place {
            position: self.position,
            serial: self.serial.as_ref().map(|serial| serial.trim().to_owned()),
            own_number: self.own_number && self.serial.is_none(),
            present,
            mounted,
        }
    }
}

impl Round {
    /// A position.
    pub fn place(&self, position: u8) -> Option<&Place> {
        self.places.iter().find(|place| place.position == position)
    }

    /// Whether devices are mounted with which no run was started.
    pub fn is_mounted(&self) -> bool {
        !self.started && self.places.iter().any(Place::is_taken)
    }

    /// Mounts devices; all other positions become empty.
    pub(crate) fn fill(&mut self, placings: &[Placing]) {
        let revision = self.revision + 1;
        for place in &mut self.places {
            let placing = placings.iter().find(|placing| placing.position == place.position);
            *place = placing.map_or_else(
                || Place { position: place.position, present: place.present, ..Place::default() },
                |placing| placing.place(place.present, revision),
            );
        }
        self.revision = revision;
        self.started = false;
    }

    /// The positions with these devices; the round stays as it is.
    ///
    /// # Errors
    /// As [`Self::check`].
    pub(crate) fn places_of(&self, placings: &[Placing]) -> Result<Vec<Place>, Refusal> {
        self.check(placings)?;
        Ok(placings.iter().map(|placing| placing.place(None, 0)).collect())
    }

    /// Refuses devices that cannot be mounted.
    ///
    /// # Errors
    /// If a position does not exist or is given twice, or a serial number is not allowed or missing.
    pub(crate) fn check(&self, placings: &[Placing]) -> Result<(), Refusal> {
        for (index, placing) in placings.iter().enumerate() {
            let position = placing.position;
            if self.place(position).is_none() {
                let there: Vec<String> = self.places.iter().map(|place| place.position.to_string()).collect();
                return Err(Refusal::NoSuchPosition { position, there: there.join(", ") });
            }
            if placings.iter().take(index).any(|earlier| earlier.position == position) {
                return Err(Refusal::PositionTwice { position });
            }
            if placing.serial.is_some() && placing.own_number {
                return Err(Refusal::TwoNumbers { position });
            }
            // A device without an own number needs a serial number.
            let serial = placing.serial.as_deref().unwrap_or_default();
            if !placing.own_number {
                identifying(serial, LONGEST_SERIAL).map_err(|why| Refusal::NotASerial { position, why })?;
            }
        }
        Ok(())
    }
}
