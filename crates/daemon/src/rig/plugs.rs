//! Whether a device is still the one that was tested, or whose number was typed: its plug was seen at every look since.

use super::{Inner, Rig};
use crate::refusal::Refusal;
use crate::wanted::Press;
use std::collections::BTreeMap;

/// The plugs of a rig that sees them, by position.
pub(crate) type Plugs = BTreeMap<u8, Plug>;

/// What was seen of a plug.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Plug {
    /// Whether it was out at the last look.
    out: bool,
    /// How many looks did not see it.
    outs: u64,
}

impl Inner {
    /// The first of some positions where the device may be another one than when a run was asked for: its plug was not seen at a look
    /// since. Where it was out then and is out now, there is no device.
    pub(super) fn swapped(&self, press: &Press, positions: &[u8]) -> Option<u8> {
        let may_be_another = |position: &u8| {
            let (then, now) = (press.plugs.get(position), self.plugs.get(position));
            then.zip(now).is_some_and(|(then, now)| now.outs != then.outs && !(then.out && now.out))
        };
        positions.iter().copied().find(may_be_another)
    }
}

impl Rig {
    /// What is seen of plugs, by position.
    pub(crate) fn saw_plugs(&self, seen: &[(u8, Option<bool>)]) {
        let mut inner = self.lock();
        for (position, present) in
            seen.iter().filter_map(|(position, present)| Some((*position, (*present)?)))
        {
            let plug = inner.plugs.entry(position).or_default();
            plug.out = !present;
            if !present {
                plug.outs += 1;
                inner.unplugged.insert(position);
            }
        }
    }

    /// What is known at this moment, for a run that is asked for.
    pub(crate) fn press(&self) -> Press {
        Press { at: self.pulse.now(), plugs: self.lock().plugs.clone() }
    }

    /// Refuses a run where a device may be another one than when it was asked for.
    ///
    /// # Errors
    /// If the plug of one of its positions was not seen at a look since.
    pub(crate) fn check_plugs(&self, press: &Press, positions: &[u8]) -> Result<(), Refusal> {
        self.lock().swapped(press, positions).map_or(Ok(()), |position| Err(Refusal::PlugWasOut { position }))
    }

    /// Nobody sees the plugs: any of them may be pulled.
    pub(crate) fn lost_sight(&self) {
        let mut inner = self.lock();
        let all: Vec<u8> = inner.shown.round.places.iter().map(|place| place.position).collect();
        inner.unplugged.extend(all);
        for plug in inner.plugs.values_mut() {
            plug.outs += 1;
        }
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
