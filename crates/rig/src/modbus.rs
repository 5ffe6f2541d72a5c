//! Requests and responses of the Modbus functions that a bench needs, as data, with the standard's limits.

use crate::address::Area;
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

/// What is asked of a module.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Request {
    /// Functions 01 to 04: `count` values of an area.
    Read {
        /// The table.
        area: Area,
        /// First address.
        start: u16,
        /// How many.
        count: u16,
    },
    /// Function 0F: coils from `start` on.
    WriteCoils {
        /// First address.
        start: u16,
        /// Their new states.
        states: Vec<bool>,
    },
}

/// What a module answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Response {
    /// Values read; bits as 0 and 1.
    Values(Vec<u16>),
    /// Written.
    Written,
}

/// A module's refusal (application protocol V1.1b3, clause 7).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("exception {0:02X}")]
pub struct Exception(
    /// The exception code.
    pub u8,
);

impl Exception {
    /// 01: the function is not known.
    pub const ILLEGAL_FUNCTION: Self = Self(1);
    /// 02: an address does not exist.
    pub const ILLEGAL_DATA_ADDRESS: Self = Self(2);
    /// 03: a quantity or value is not allowed.
    pub const ILLEGAL_DATA_VALUE: Self = Self(3);
}

impl Request {
    /// Whether the quantity is within the standard's limits.
    pub fn is_legal(&self) -> bool {
        match self {
            Self::Read { area, count, .. } => {
                let most = if area.is_bits() { MOST_BITS_READ } else { MOST_REGISTERS_READ };
                (1..=most).contains(count)
            }
            Self::WriteCoils { states, .. } => (1..=usize::from(MOST_BITS_WRITTEN)).contains(&states.len()),
        }
    }

    /// Whether a response has the form and length that this request asks for.
    pub fn fits(&self, response: &Response) -> bool {
        match (self, response) {
            (Self::Read { count, .. }, Response::Values(values)) => values.len() == usize::from(*count),
            (Self::WriteCoils { .. }, Response::Written) => true,
            (Self::Read { .. }, Response::Written) | (Self::WriteCoils { .. }, Response::Values(_)) => false,
        }
    }
}

/// A module that answers at any moment of virtual time, later and later.
pub trait VirtualModule {
    /// What the module answers at `at`; `at` never goes back.
    ///
    /// # Errors
    /// The module's exception, as a real one would answer.
    fn answer(&mut self, at: Mono, request: &Request) -> Result<Response, Exception>;
}
