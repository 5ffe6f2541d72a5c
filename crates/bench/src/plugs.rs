//! The plugs of a rig that sees them: whether a device is still the intended one.

use std::collections::BTreeMap;

/// History of the plugs, by position.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Plugs(BTreeMap<u8, Plug>);

/// History of a plug.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Plug {
    /// Whether the last look saw it out.
    out: bool,
    /// Number of looks that did not see it, failed looks included.
    outs: u64,
}

impl Plugs {
    /// Records one look at the plug of a position.
    pub(crate) fn saw(&mut self, position: u8, present: bool) {
        let plug = self.0.entry(position).or_default();
        plug.out = !present;
        plug.outs += u64::from(!present);
    }

    /// Records a failed look: any plug may have been pulled.
    pub(crate) fn lost_sight(&mut self) {
        for plug in self.0.values_mut() {
            plug.outs += 1;
        }
    }

    /// The first of `positions` whose plug was missed by a look since `then`, so that the device may be another one. A plug that was out
    /// then and is out now is ignored: it has no device.
    pub(crate) fn first_swapped(&self, then: &Self, mut positions: impl Iterator<Item = u8>) -> Option<u8> {
        positions.find(|position| {
            let plug = then.0.get(position).zip(self.0.get(position));
            plug.is_some_and(|(then, now)| now.outs != then.outs && !(then.out && now.out))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Looks before and after a press; each sees the plug, does not see it, or fails.
        #[test]
        fn a_device_may_be_another_one_if_its_plug_was_not_seen_since_the_press(
            before in prop::collection::vec(prop::option::of(any::<bool>()), 0..6),
            after in prop::collection::vec(prop::option::of(any::<bool>()), 0..6),
            position in 1_u8..=4,
        ) {
            let mut plugs = Plugs::default();
            for number in 1..=4 {
                plugs.saw(number, true);
            }
            let look = |plugs: &mut Plugs, seen: &Option<bool>| match seen {
                Some(present) => (1..=4).for_each(|number| plugs.saw(number, *present || number != position)),
                None => plugs.lost_sight(),
            };
            for seen in &before {
                look(&mut plugs, seen);
            }
            let press = plugs.clone();
            for seen in &after {
                look(&mut plugs, seen);
            }
            let in_at_press = before.iter().flatten().next_back().copied().unwrap_or(true);
            let in_now = after.iter().flatten().next_back().copied().unwrap_or(in_at_press);
            let not_seen = after.iter().any(|seen| *seen != Some(true));
            let expected = (not_seen && (in_at_press || in_now)).then_some(position);
            prop_assert_eq!(plugs.first_swapped(&press, [position].into_iter()), expected);
            // A plug that is out concerns no other device; a look that fails concerns all.
            let lost = after.iter().any(Option::is_none);
            let mut others = (1..=4).filter(|other| *other != position);
            let first = others.next().filter(|_| lost);
            prop_assert_eq!(plugs.first_swapped(&press, (1..=4).filter(|other| *other != position)), first);
        }
    }
}
