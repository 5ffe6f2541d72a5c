//! Orders to the rig: what the air does, in outputs.

use crate::address::Area;
use crate::modbus::Request;
use crate::sheet::RigSheet;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tripbench_quantity::{Mono, Span};
use tripbench_sheet::words;

words! {
    /// The outputs that a rig can have.
    #[derive(JsonSchema)]
    pub enum OutputName {
        /// Evacuates at full flow.
        Evacuate = "evacuate",
        /// Evacuates through a throttle.
        EvacuateFine = "evacuate-fine",
        /// Lets air in through a throttle.
        Bleed = "bleed",
        /// Lets air in at full flow.
        Vent = "vent",
        /// Electrical supply of the devices.
        DevicePower = "device-power",
    }
}

words! {
    /// What the air is to do.
    #[derive(JsonSchema)]
    pub enum Air {
        /// Every valve at its safe value.
        Rest = "rest",
        /// Every valve closed: the vacuum is kept.
        Hold = "hold",
        /// Full flow towards deeper.
        Evacuate = "evacuate",
        /// Throttled flow towards deeper.
        EvacuateFine = "evacuate-fine",
        /// Throttled flow towards less deep.
        Bleed = "bleed",
        /// Full flow towards ambient.
        Vent = "vent",
    }
}

impl Air {
    /// The output that has to be on for it, if any.
    pub const fn output(self) -> Option<OutputName> {
        match self {
            Self::Rest | Self::Hold => None,
            Self::Evacuate => Some(OutputName::Evacuate),
            Self::EvacuateFine => Some(OutputName::EvacuateFine),
            Self::Bleed => Some(OutputName::Bleed),
            Self::Vent => Some(OutputName::Vent),
        }
    }

    /// Whether vacuum gets deeper by it.
    pub const fn evacuates(self) -> bool {
        matches!(self, Self::Evacuate | Self::EvacuateFine)
    }
}

/// Number of a command within its run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct CommandId(pub u32);

/// What is ordered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// Every output at its safe value, device power too.
    Safe,
    /// Air as given, device power on.
    Powered(Air),
}

/// An order with its number and the moment after which it must not go out any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Command {
    /// Its number.
    pub id: CommandId,
    /// What is ordered.
    pub order: Order,
    /// Not to be sent after this moment; `None` only for safe.
    pub not_after: Option<Mono>,
}

/// The outputs' states in the order of the rig sheet.
pub type OutputImage = Vec<bool>;

/// Outputs as read back after a command.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ReadBack {
    /// States, in the order of the rig sheet.
    pub outputs: OutputImage,
    /// From before the write to after the read that confirmed it.
    #[schemars(with = "(u64, u64)")]
    pub span: Span,
}

impl RigSheet {
    /// States of all outputs, in the order of the sheet, that carry out an order.
    pub fn image_of(&self, order: Order) -> OutputImage {
        let state = |name: OutputName, safe: bool| match (order, name) {
            (Order::Powered(_), OutputName::DevicePower) => true,
            (Order::Safe | Order::Powered(Air::Rest), _) => safe,
            (Order::Powered(air), name) => air.output() == Some(name),
        };
        self.outputs.iter().map(|output| state(output.name, *output.safe)).collect()
    }

    /// Whether the rig has what an order needs.
    pub fn can(&self, air: Air) -> bool {
        air.output().is_none_or(|wanted| self.outputs.iter().any(|output| output.name == wanted))
    }
}

impl RigSheet {
    /// The writes that bring all outputs to an image: one for each run of neighbouring coils, never a coil of somebody else.
    pub fn writes(&self, image: &[bool]) -> Vec<Request> {
        let mut writes: Vec<(u16, Vec<bool>)> = Vec::new();
        for (output, state) in self.outputs.iter().zip(image) {
            let number = output.at.number;
            match writes.last_mut() {
                Some((start, states)) if usize::from(number - *start) == states.len() => states.push(*state),
                _ => writes.push((number, vec![*state])),
            }
        }
        writes.into_iter().map(|(start, states)| Request::WriteCoils { start, states }).collect()
    }

    /// The reads that show all outputs, in order of the writes.
    pub fn output_reads(&self) -> Vec<Request> {
        let image = vec![false; self.outputs.len()];
        let read = |write| match write {
            Request::WriteCoils { start, states } => Request::Read {
                area: Area::Coil,
                start,
                count: u16::try_from(states.len()).unwrap_or(u16::MAX),
            },
            read @ Request::Read { .. } => read,
        };
        self.writes(&image).into_iter().map(read).collect()
    }
}
