//! Requests and responses of the Modbus functions that a bench needs, as data, with the limits of the standard.

use crate::address::Area;
use crate::guide::Guide;
use thiserror::Error;
use tripbench_quantity::Mono;

/// Most bits in one read (application protocol V1.1b3, 6.1 and 6.2).
pub const MOST_BITS_READ: u16 = 2000;
/// Most registers in one read (6.3 and 6.4).
pub const MOST_REGISTERS_READ: u16 = 125;
/// Most coils in one write (6.11).
pub const MOST_BITS_WRITTEN: u16 = 1968;
/// Most registers in one write (6.12).
pub const MOST_REGISTERS_WRITTEN: u16 = 123;

/// A request to a module.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Request {
    /// Functions 01 to 04: `count` values of an area.
    Read {
        /// The table.
        area: Area,
        /// First address.
        start: u16,
        /// Number of addresses.
        count: u16,
    },
    /// Function 0F: coils from `start` on.
    WriteCoils {
        /// First address.
        start: u16,
        /// Their new states.
        states: Vec<bool>,
    },
    /// Function 10: holding registers from `start` on.
    WriteRegisters {
        /// First address.
        start: u16,
        /// Their new values.
        values: Vec<u16>,
    },
    /// Function 05: one coil.
    WriteCoil {
        /// Its address.
        at: u16,
        /// Its new state.
        state: bool,
    },
    /// Function 06: one holding register.
    WriteRegister {
        /// Its address.
        at: u16,
        /// Its new value.
        value: u16,
    },
}

/// Value that function 05 writes to turn a coil on (application protocol V1.1b3, 6.5).
pub const COIL_ON: u16 = 0xFF00;

/// A request to one unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Query {
    /// Unit identifier.
    pub unit: u8,
    /// The request.
    pub request: Request,
}

/// The response of a module.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Response {
    /// The values read, bits as 0 and 1.
    Values(Vec<u16>),
    /// A write was carried out.
    Written,
}

/// Exception response of a module (application protocol V1.1b3, clause 7).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("exception {0:02X}")]
pub struct Exception(
    /// The exception code.
    pub u8,
);

impl Exception {
    /// 01: the function is unknown.
    pub const ILLEGAL_FUNCTION: Self = Self(1);
    /// 02: an address does not exist.
    pub const ILLEGAL_DATA_ADDRESS: Self = Self(2);
    /// 0B: a gateway received no answer from the unit.
    pub const NO_SUCH_UNIT: Self = Self(0x0B);
    /// 03: a quantity or value is not allowed.
    pub const ILLEGAL_DATA_VALUE: Self = Self(3);
}

impl Request {
    /// Whether the quantity is within the limits of the standard.
    pub fn is_legal(&self) -> bool {
        match self {
            Self::Read { area, count, .. } => {
                let most = if area.is_bits() { MOST_BITS_READ } else { MOST_REGISTERS_READ };
                (1..=most).contains(count)
            }
            Self::WriteCoils { states, .. } => (1..=usize::from(MOST_BITS_WRITTEN)).contains(&states.len()),
            Self::WriteRegisters { values, .. } => {
                (1..=usize::from(MOST_REGISTERS_WRITTEN)).contains(&values.len())
            }
            Self::WriteCoil { .. } | Self::WriteRegister { .. } => true,
        }
    }

    /// Lengths in bytes of the request and of its complete answer as RTU frames, including unit and CRC.
    pub fn rtu_lengths(&self) -> (usize, usize) {
        match self {
            Self::Read { area, count, .. } => {
                let count = usize::from(*count);
                (8, 5 + if area.is_bits() { count.div_ceil(8) } else { 2 * count })
            }
            Self::WriteCoils { states, .. } => (9 + states.len().div_ceil(8), 8),
            Self::WriteRegisters { values, .. } => (9 + 2 * values.len(), 8),
            Self::WriteCoil { .. } | Self::WriteRegister { .. } => (8, 8),
        }
    }

    /// First address of the request.
    pub const fn first(&self) -> u16 {
        match self {
            Self::Read { start: at, .. }
            | Self::WriteCoils { start: at, .. }
            | Self::WriteRegisters { start: at, .. }
            | Self::WriteCoil { at, .. }
            | Self::WriteRegister { at, .. } => *at,
        }
    }

    /// Whether the request writes.
    pub const fn is_write(&self) -> bool {
        !matches!(self, Self::Read { .. })
    }

    /// Whether a response has the kind and length that belong to this request.
    pub fn fits(&self, response: &Response) -> bool {
        match (self, response) {
            (Self::Read { count, .. }, Response::Values(values)) => values.len() == usize::from(*count),
            (_, Response::Written) => self.is_write(),
            (_, Response::Values(_)) => false,
        }
    }
}

/// A module in virtual time, which never goes back.
pub trait VirtualModule {
    /// The response of the module at `at`, which is never before that of the last call.
    ///
    /// # Errors
    /// The exception of the module; [`Exception::NO_SUCH_UNIT`] for a unit that does not exist, as from a gateway.
    fn answer(&mut self, at: Mono, query: &Query) -> Result<Response, Exception>;

    /// Gives the operator an instruction at `at`; ignored by a rig with valves.
    fn guided(&mut self, _at: Mono, _guide: Guide) {}
}
