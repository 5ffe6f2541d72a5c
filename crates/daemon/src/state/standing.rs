//! What stands at the positions of a rig, as its state tells.

use super::{RigState, Tile};

impl RigState {
    /// Whether a round is mounted and was not started.
    pub(crate) fn is_mounted(&self) -> bool {
        let round = &self.round;
        !round.started && round.places.iter().any(|place| place.serial.is_some() || place.own_number)
    }

    /// Whether a round is mounted on a rig that does not see plugs: then its devices may be in their places.
    pub(crate) fn next_is_mounted(&self) -> bool {
        self.is_mounted() && self.round.places.iter().any(|place| place.present.is_none())
    }

    /// Whether a number is on this rig: mounted for the next round, or in a run that goes on.
    pub(crate) fn has(&self, serial: &str) -> bool {
        let goes_on = self.run.iter().filter(|run| !run.over).flat_map(|run| &run.tiles);
        let mounted = self.round.places.iter().filter(|_| !self.round.started);
        goes_on.map(|tile| tile.serial.as_str()).any(|one| one == serial)
            || mounted.filter_map(|place| place.serial.as_deref()).any(|one| one == serial)
    }

    /// Whether the devices of a run are still those that are shown: nobody has gone on to the next round.
    pub(crate) fn is_there_still(&self, run: &str) -> bool {
        self.run.as_ref().is_some_and(|shown| {
            let own = shown.run == run || shown.again_of.as_deref() == Some(run);
            let of_it =
                |tile: &Tile| [&tile.of_run, &tile.again_of].iter().any(|of| of.as_deref() == Some(run));
            let beside = shown.tiles.iter().any(of_it);
            (own || beside) && self.seen.as_ref() != Some(&shown.run)
        })
    }
}
