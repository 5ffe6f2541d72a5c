//! States of one kind of input at every position, in two words: made anew for each scan.

/// On or off by position. Positions are numbered 1 to 64.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct InputStates {
    known: u64,
    on: u64,
}

impl InputStates {
    /// State at a position; `None` where it is not read.
    pub fn get(self, position: u8) -> Option<bool> {
        let bit = bit(position);
        (self.known & bit != 0).then_some(self.on & bit != 0)
    }

    /// Positions with their states, in ascending order.
    pub fn iter(self) -> impl Iterator<Item = (u8, bool)> {
        (1..=64).filter_map(move |position| Some((position, self.get(position)?)))
    }
}

impl FromIterator<(u8, bool)> for InputStates {
    /// Later states of a position replace earlier ones. Positions outside 1 to 64 are not stored.
    fn from_iter<I: IntoIterator<Item = (u8, bool)>>(states: I) -> Self {
        let mut all = Self::default();
        for (position, on) in states {
            let bit = bit(position);
            all.known |= bit;
            all.on = if on { all.on | bit } else { all.on & !bit };
        }
        all
    }
}

/// Bit of a position; 0 outside 1 to 64.
fn bit(position: u8) -> u64 {
    position.checked_sub(1).and_then(|shift| 1_u64.checked_shl(u32::from(shift))).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeMap;

    proptest! {
        #[test]
        fn states_are_those_of_a_map(given in prop::collection::vec((1..=64_u8, any::<bool>()), 0..80), asked in 0..=255_u8) {
            let states: InputStates = given.iter().copied().collect();
            let map: BTreeMap<u8, bool> = given.into_iter().collect();
            prop_assert_eq!(states.get(asked), map.get(&asked).copied());
            prop_assert_eq!(states.iter().collect::<Vec<_>>(), map.into_iter().collect::<Vec<_>>());
        }
    }
}
