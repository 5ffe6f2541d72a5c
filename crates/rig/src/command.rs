//! Orders to the rig, and the output words and Modbus requests that carry them out.

use crate::address::Area;
use crate::modbus::{Query, Request};
use crate::read_plan::Cell;
use crate::sheet::{Output, RigSheet, Writes};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use tripbench_quantity::{Mono, Span, VacuumLevel};
use tripbench_sheet::words;

words! {
    /// The outputs that a rig can have.
    #[derive(JsonSchema)]
    pub enum OutputName {
        /// Evacuates at full flow.
        Evacuate = "evacuate",
        /// Evacuates through a throttle.
        EvacuateFine = "evacuate-fine",
        /// Lets in air through a throttle.
        Bleed = "bleed",
        /// Lets in air at full flow.
        Vent = "vent",
        /// Set point of a vacuum regulator in front of the evacuation valve.
        Regulator = "regulator",
        /// Connects the valve output of a device to the evacuation valve.
        HandOver = "hand-over",
        /// Output wired to an input of the same module, for `rig check`.
        Loop = "loop",
        /// Electrical supply of the devices.
        DevicePower = "device-power",
    }
}

words! {
    /// State of the valves.
    #[derive(JsonSchema)]
    pub enum Air {
        /// Every valve at its safe value.
        Rest = "rest",
        /// Every valve closed, so that the vacuum holds.
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
    /// The output that must be on for it; `None` if no valve opens.
    pub const fn output(self) -> Option<OutputName> {
        match self {
            Self::Rest | Self::Hold => None,
            Self::Evacuate => Some(OutputName::Evacuate),
            Self::EvacuateFine => Some(OutputName::EvacuateFine),
            Self::Bleed => Some(OutputName::Bleed),
            Self::Vent => Some(OutputName::Vent),
        }
    }

    /// Full flow: [`Air::Evacuate`] if `deeper`, otherwise [`Air::Vent`].
    pub const fn full_flow(deeper: bool) -> Self {
        if deeper { Self::Evacuate } else { Self::Vent }
    }

    /// Whether it makes the vacuum deeper.
    pub const fn evacuates(self) -> bool {
        matches!(self, Self::Evacuate | Self::EvacuateFine)
    }
}

/// Number of a command within a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct CommandId(pub u32);

/// An order to the outputs of the rig.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// Every output at its safe value, including device power.
    Safe,
    /// Valves as given, device power on.
    Powered(Air),
    /// Set point of the regulator, in pascals of vacuum, with the evacuation valve open and device power on.
    Regulated(u32),
    /// The evacuation valve is controlled by the device at a position; the other valves as given, device power on.
    HandedOver {
        /// The position.
        position: u8,
        /// State of the rig's own valves.
        air: Air,
    },
    /// The output `loop` on or off, valves at rest, device power on.
    Looped(bool),
    /// Nothing is sent for this many milliseconds; then the outputs are read back as the module left them.
    Silent(u32),
}

impl Order {
    /// State of the valves under this order.
    pub const fn air(self) -> Air {
        match self {
            Self::Safe | Self::Looped(_) => Air::Rest,
            Self::Silent(_) => Air::Hold,
            Self::Powered(air) | Self::HandedOver { air, .. } => air,
            Self::Regulated(_) => Air::Evacuate,
        }
    }
}

/// An order with its number and the time after which it must not be sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Command {
    /// Its number.
    pub id: CommandId,
    /// The order.
    pub order: Order,
    /// Latest time to send it; `None` only for [`Order::Safe`].
    pub not_after: Option<Mono>,
}

/// Words of all outputs in the order of the rig sheet: 0 or 1 for a coil or bit, counts for a regulator.
pub type OutputImage = Vec<u16>;

/// Outputs as read back after a command.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ReadBack {
    /// Words, in the order of the rig sheet.
    pub outputs: OutputImage,
    /// From before the write until after the read that confirmed it.
    #[schemars(with = "(u64, u64)")]
    pub span: Span,
}

/// State of an output whose register contains neither 0 nor the word that turns it on. No order has it.
const NEITHER: u16 = u16::MAX;

impl Output {
    /// The state of this output in the word at its address: 0 or 1, or the counts of a regulator. A word that is neither on nor off is a
    /// state that no order has.
    pub(crate) fn within(&self, word: u16) -> u16 {
        if let Some(on) = self.on {
            return if word == 0 || word == on { u16::from(word == on) } else { NEITHER };
        }
        match (self.at.bit, self.at.area.is_bits()) {
            (Some(bit), _) => word >> bit & 1,
            (None, true) => u16::from(word != 0),
            (None, false) => word,
        }
    }

    /// The part of the word at its address that sets this state.
    fn encoded(&self, state: u16) -> u16 {
        match self.on {
            Some(on) if state != 0 => on,
            Some(_) => 0,
            None => state << self.at.bit.unwrap_or(0),
        }
    }

    /// Whether air can flow through its valve in this state.
    fn opens(&self, state: u16) -> bool {
        use OutputName as O;
        let valve = matches!(self.name, O::Evacuate | O::EvacuateFine | O::Bleed | O::Vent | O::HandOver);
        valve && state != 0
    }

    /// Counts of a regulator for a level, clamped to a 16-bit register.
    fn counts(&self, level: VacuumLevel) -> u16 {
        let Some(scale) = &self.scale else { return 0 };
        let [low, high] = scale.values.map(VacuumLevel::si);
        let share = (level.si() - low) / (high - low);
        let counts = scale.counts[0] + share * (scale.counts[1] - scale.counts[0]);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the register"
        )]
        let word = counts.round().clamp(0.0, f64::from(u16::MAX)) as u16;
        word
    }

    /// Deepest of the two levels that the scale of a regulator gives.
    fn deepest(&self) -> VacuumLevel {
        let values = self.scale.as_ref().map_or([VacuumLevel::ZERO; 2], |scale| scale.values);
        if values[0] > values[1] { values[0] } else { values[1] }
    }

    fn word(&self, order: Order) -> u16 {
        if self.name == OutputName::Regulator {
            // The set point stays at its deepest while air may move: on a slow line the register is written milliseconds after
            // the coil of the valve, and a regulator that is still set to ambient would let air in until then.
            let highest = match order {
                Order::Regulated(pascal) => VacuumLevel::new(f64::from(pascal)),
                Order::Safe | Order::Powered(Air::Rest) | Order::Looped(_) => VacuumLevel::ZERO,
                Order::Powered(_) | Order::HandedOver { .. } | Order::Silent(_) => self.deepest(),
            };
            return self.counts(highest);
        }
        u16::from(match (order, self.name) {
            (Order::Safe, _) => *self.safe,
            (_, OutputName::DevicePower) => true,
            (Order::Looped(on), OutputName::Loop) => on,
            (Order::HandedOver { position, .. }, OutputName::HandOver) => self.position == Some(position),
            (Order::Powered(Air::Rest) | Order::Looped(_), _) => *self.safe,
            (Order::Powered(_) | Order::Regulated(_) | Order::HandedOver { .. } | Order::Silent(_), name) => {
                order.air().output() == Some(name)
            }
        })
    }
}

impl RigSheet {
    /// Words of all outputs for an order, in the order of the sheet.
    pub fn image_of(&self, order: Order) -> OutputImage {
        self.outputs.iter().map(|output| output.word(order)).collect()
    }

    /// Whether the rig can do this: it has the output, or a person does it by hand, which excludes [`Air::EvacuateFine`].
    pub fn can(&self, air: Air) -> bool {
        let by_hand = self.by_hand() && air != Air::EvacuateFine;
        by_hand || air.output().is_none_or(|wanted| self.has(wanted))
    }

    /// Whether the device at a position can be given control of the evacuation valve.
    pub fn hands_over(&self, position: u8) -> bool {
        self.outputs
            .iter()
            .any(|output| output.name == OutputName::HandOver && output.position == Some(position))
    }

    /// Whether the rig has this output.
    pub fn has(&self, name: OutputName) -> bool {
        self.outputs.iter().any(|output| output.name == name)
    }

    /// The writes that set all outputs to an image: one for each run of adjacent addresses, or one for each coil and register if
    /// [`LinkSheet::writes`](crate::LinkSheet) says so. Only addresses of outputs are written. In a register with outputs as bits,
    /// all other bits are written as 0.
    ///
    /// Writes that only turn outputs off go first, then those that turn on no valve, so that no valve opens before another one is closed.
    pub fn writes(&self, image: &[u16]) -> Vec<Query> {
        let mut words: BTreeMap<Cell, (u16, bool)> = BTreeMap::new();
        for (output, state) in self.outputs.iter().zip(image) {
            let (word, opens) = words.entry(output.at.cell()).or_default();
            *word |= output.encoded(*state);
            *opens |= output.opens(*state);
        }
        let mut runs: Vec<(Cell, Vec<u16>, bool)> = Vec::new();
        for ((unit, area, number), (word, opens)) in words {
            match runs.last_mut() {
                Some(((last_unit, last_area, start), run, run_opens))
                    if *self.link.writes == Writes::Together
                        && (*last_unit, *last_area) == (unit, area)
                        && usize::from(number - *start) == run.len() =>
                {
                    run.push(word);
                    *run_opens |= opens;
                }
                _ => runs.push(((unit, area, number), vec![word], opens)),
            }
        }
        runs.sort_by_key(|(_, words, opens)| (*opens, words.iter().any(|word| *word != 0)));
        let query = |((unit, area, start), words, _): (Cell, Vec<u16>, bool)| {
            let request = match (area, *self.link.writes, words.first()) {
                (Area::Coil, Writes::OneByOne, Some(word)) => {
                    Request::WriteCoil { at: start, state: *word != 0 }
                }
                (_, Writes::OneByOne, Some(&value)) => Request::WriteRegister { at: start, value },
                (Area::Coil, ..) => {
                    Request::WriteCoils { start, states: words.iter().map(|word| *word != 0).collect() }
                }
                _ => Request::WriteRegisters { start, values: words },
            };
            Query { unit: unit.unwrap_or(*self.link.unit), request }
        };
        runs.into_iter().map(query).collect()
    }

    /// The reads that cover all outputs, one for each write.
    pub fn output_reads(&self) -> Vec<Query> {
        let image = vec![0; self.outputs.len()];
        let length = |length: usize| u16::try_from(length).unwrap_or(u16::MAX);
        let read = |query: Query| {
            let (area, start, count) = match query.request {
                Request::WriteCoils { start, states } => (Area::Coil, start, length(states.len())),
                Request::WriteRegisters { start, values } => {
                    (Area::HoldingRegister, start, length(values.len()))
                }
                Request::WriteCoil { at, .. } => (Area::Coil, at, 1),
                Request::WriteRegister { at, .. } => (Area::HoldingRegister, at, 1),
                Request::Read { area, start, count } => (area, start, count),
            };
            Query { request: Request::Read { area, start, count }, ..query }
        };
        self.writes(&image).into_iter().map(read).collect()
    }

    /// The output image from the answers to [`RigSheet::output_reads`]; `None` if one is too short.
    pub fn outputs_read(&self, answers: &[Vec<u16>]) -> Option<OutputImage> {
        let reads = self.output_reads();
        let of = |output: &Output| {
            let (unit, area, number) = output.at.cell();
            let own = unit.unwrap_or(*self.link.unit);
            let mut words = reads.iter().zip(answers).filter_map(|(query, words)| {
                let Request::Read { area: read, start, .. } = query.request else { return None };
                let offset = usize::from(number.checked_sub(start)?);
                words.get(offset).copied().filter(|_| query.unit == own && read == area)
            });
            Some(output.within(words.next()?))
        };
        self.outputs.iter().map(of).collect()
    }
}
