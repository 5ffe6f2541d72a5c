//! Whether a device is still the one that was tested: its plug was seen at every look since.

use super::Rig;

impl Rig {
    /// What is seen of plugs, by position.
    pub(crate) fn saw_plugs(&self, seen: &[(u8, Option<bool>)]) {
        let gone = seen.iter().filter(|(_, present)| *present == Some(false)).map(|(position, _)| *position);
        self.lock().unplugged.extend(gone);
    }

    /// Nobody sees the plugs: any of them may be pulled.
    pub(crate) fn lost_sight(&self) {
        let mut inner = self.lock();
        let all: Vec<u8> = inner.shown.round.places.iter().map(|place| place.position).collect();
        inner.unplugged.extend(all);
    }

    /// Whether a plug is seen at a position, and was at every look since the last round began.
    pub(crate) fn is_plugged_since(&self, position: u8) -> bool {
        let inner = self.lock();
        let place = inner.shown.round.places.iter().find(|place| place.position == position);
        place.is_some_and(|place| place.present == Some(true)) && !inner.unplugged.contains(&position)
    }

    /// Whether the rig sees plugs, and the one at a position may have been pulled since the last round began.
    pub(crate) fn was_unplugged(&self, position: u8) -> bool {
        let inner = self.lock();
        let place = inner.shown.round.places.iter().find(|place| place.position == position);
        place.is_none_or(|place| place.present.is_some()) && inner.unplugged.contains(&position)
    }
}
