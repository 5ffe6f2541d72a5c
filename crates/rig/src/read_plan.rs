//! The reads of a scan: the fewest requests that cover every address within the limits of the standard.

use crate::address::Area;
use crate::modbus::{MOST_BITS_READ, MOST_REGISTERS_READ, Query, Request};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// One read request of a scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Read {
    /// Unit identifier; `None` for the unit of the link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<u8>,
    /// The table.
    pub area: Area,
    /// First address.
    pub start: u16,
    /// Number of addresses.
    pub count: u16,
}

impl Read {
    /// The request, with `own` as the unit of the link.
    pub fn query(&self, own: u8) -> Query {
        let request = Request::Read { area: self.area, start: self.start, count: self.count };
        Query { unit: self.unit.unwrap_or(own), request }
    }
}

/// Address of a word: unit (`None` for the unit of the link), table, address.
pub type Cell = (Option<u8>, Area, u16);

/// The reads of a scan, in the order in which they are sent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ReadPlan {
    /// The reads.
    pub reads: Vec<Read>,
}

impl ReadPlan {
    /// The fewest reads that cover `wanted`, sorted by unit, table and address. Other addresses are read only to bridge a hole of
    /// up to `largest_hole` addresses, because a module may refuse them.
    ///
    /// The plan is greedy: each read starts at the lowest uncovered address and is as long as allowed. That is optimal for
    /// intervals on a line.
    pub fn covering(wanted: impl IntoIterator<Item = Cell>, largest_hole: u16) -> Self {
        let wanted: BTreeSet<_> = wanted.into_iter().collect();
        let mut reads: Vec<Read> = Vec::new();
        for (unit, area, number) in wanted {
            let most = if area.is_bits() { MOST_BITS_READ } else { MOST_REGISTERS_READ };
            if let Some(last) = reads.last_mut() {
                let end = u32::from(last.start) + u32::from(last.count);
                let hole = u32::from(number).saturating_sub(end);
                let count = u32::from(number) - u32::from(last.start.min(number)) + 1;
                if (last.unit, last.area) == (unit, area)
                    && hole <= u32::from(largest_hole)
                    && count <= u32::from(most)
                {
                    last.count = u16::try_from(count).unwrap_or(most);
                    continue;
                }
            }
            reads.push(Read { unit, area, start: number, count: 1 });
        }
        Self { reads }
    }

    /// Index of the block with this address, and the offset in it; `None` if no read covers it.
    pub fn find(&self, (unit, area, number): Cell) -> Option<(usize, usize)> {
        self.reads.iter().enumerate().find_map(|(index, read)| {
            let offset = number.checked_sub(read.start)?;
            ((read.unit, read.area) == (unit, area) && offset < read.count)
                .then_some((index, usize::from(offset)))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn neighbours_share_a_read_and_holes_split_it() {
        let register = |number| (None, Area::InputRegister, number);
        let wanted = [register(0), register(1), register(5), (None, Area::Coil, 0)];
        assert_eq!(ReadPlan::covering(wanted, 0).reads.len(), 3);
        assert_eq!(ReadPlan::covering(wanted, 3).reads.len(), 2);
        let elsewhere = (Some(2), Area::InputRegister, 2);
        assert_eq!(ReadPlan::covering(wanted.into_iter().chain([elsewhere]), 3).reads.len(), 3);
    }

    #[test]
    fn a_read_stays_within_the_quantities_of_the_standard() {
        let registers = (0..300).map(|number| (None, Area::HoldingRegister, number));
        let counts: Vec<_> = ReadPlan::covering(registers, 0).reads.iter().map(|read| read.count).collect();
        assert_eq!(counts, [125, 125, 50]);
        let bits = (0..2_001).map(|number| (None, Area::DiscreteInput, number));
        assert_eq!(ReadPlan::covering(bits, 0).reads.len(), 2);
    }

    /// Fewest reads, by trying every way to split the sorted addresses: an independent check of the greedy plan.
    fn fewest_by_search(numbers: &[u16], largest_hole: u16) -> usize {
        let Some((&first, _)) = numbers.split_first() else { return 0 };
        let mut best = usize::MAX;
        for end in 1..=numbers.len() {
            let part = &numbers[..end];
            let holes_fit = part.windows(2).all(|pair| pair[1] - pair[0] - 1 <= largest_hole);
            if holes_fit && part[end - 1] - first < MOST_REGISTERS_READ {
                best = best.min(1 + fewest_by_search(&numbers[end..], largest_hole));
            }
        }
        best
    }

    proptest! {
        #[test]
        fn the_plan_is_the_smallest_that_covers(numbers in prop::collection::btree_set(0_u16..400, 1..9), hole in 0_u16..150) {
            let plan = ReadPlan::covering(numbers.iter().map(|&number| (None, Area::InputRegister, number)), hole);
            for &number in &numbers {
                prop_assert!(plan.find((None, Area::InputRegister, number)).is_some());
            }
            let sorted: Vec<_> = numbers.into_iter().collect();
            prop_assert_eq!(plan.reads.len(), fewest_by_search(&sorted, hole));
        }
    }
}
