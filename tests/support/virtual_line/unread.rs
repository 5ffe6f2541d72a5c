//! Changes by a second master that the first master cannot know of.

use std::ops::Range;
use tripbench_quantity::Mono;
use tripbench_rig::{Area, RigSheet};

/// The outputs of a module, and the second master's last change of one until that output is read.
///
/// Several requests may read the outputs. A change of one that was just read, before the next is, happens after its last look.
#[derive(Debug)]
pub(super) struct Unread {
    /// Unit, area and address of each output, in the order of the rig sheet.
    cells: Vec<(u8, Area, u16)>,
    changed: Option<(Mono, (u8, Area, u16))>,
}

impl Unread {
    pub(super) fn new(rig: &RigSheet) -> Self {
        let cell =
            |(unit, area, number): (Option<u8>, Area, u16)| (unit.unwrap_or(*rig.link.unit), area, number);
        Self { cells: rig.outputs.iter().map(|output| cell(output.at.cell())).collect(), changed: None }
    }

    /// The second master has changed an output, given by its index.
    pub(super) fn changed(&mut self, at: Mono, index: usize) {
        self.changed = self.cells.get(index).map(|cell| (at, *cell));
    }

    /// The module has handled a request: unit, function and data, without the frame around them.
    pub(super) fn handled(&mut self, content: Option<&[u8]>) {
        let Some((unit, area, read)) = content.and_then(read) else { return };
        self.changed
            .take_if(|(_, cell)| (cell.0, cell.1) == (unit, area) && read.contains(&u32::from(cell.2)));
    }

    /// Time of the change if no request has read that output since.
    pub(super) fn since(&self) -> Option<Mono> {
        self.changed.map(|(at, _)| at)
    }
}

/// Unit, area and addresses that a request reads, if it reads what can be written (application protocol V1.1b3, clauses 6.1 and 6.3).
fn read(content: &[u8]) -> Option<(u8, Area, Range<u32>)> {
    let &[unit, function, high, low, count_high, count_low] = content else { return None };
    let area = match function {
        0x01 => Area::Coil,
        0x03 => Area::HoldingRegister,
        _ => return None,
    };
    let start = u32::from(u16::from_be_bytes([high, low]));
    Some((unit, area, start..start + u32::from(u16::from_be_bytes([count_high, count_low]))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet_text;
    use rstest::rstest;

    /// The demo's outputs are coils 0 to 4 of unit 1.
    #[rstest]
    #[case::before_it(&[1, 1, 0, 0, 0, 2], true)]
    #[case::it_alone(&[1, 1, 0, 2, 0, 1], false)]
    #[case::all(&[1, 1, 0, 0, 0, 5], false)]
    #[case::behind_it(&[1, 1, 0, 3, 0, 2], true)]
    #[case::other_unit(&[2, 1, 0, 0, 0, 5], true)]
    #[case::inputs(&[1, 2, 0, 0, 0, 5], true)]
    #[case::registers(&[1, 3, 0, 0, 0, 5], true)]
    #[case::a_write(&[1, 5, 0, 2, 0, 0], true)]
    #[case::cut_off(&[1, 1, 0, 0, 0], true)]
    fn a_change_is_unread_until_its_output_is_read(#[case] request: &[u8], #[case] is_unread: bool) {
        let rig = crate::good(&sheet_text("rigs/goods-in-1.toml"), RigSheet::read);
        let mut unread = Unread::new(&rig);
        assert_eq!(unread.since(), None);
        let at = Mono::from_nanos(5);
        unread.changed(at, 2);
        unread.handled(Some(request));
        assert_eq!(unread.since(), is_unread.then_some(at));
    }
}
