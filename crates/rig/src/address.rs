//! Address of a signal in a Modbus module: `input-register 4`, `coil 0`, `holding-register 2 bit 5`, `unit 2 coil 0`.

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::fmt;
use tripbench_sheet::{Field, Node, Problem, words};

words! {
    /// The four tables of the Modbus data model (application protocol V1.1b3, clause 4.3).
    #[derive(schemars::JsonSchema)]
    pub enum Area {
        /// Single bits that can be written.
        Coil = "coil",
        /// Single bits, read only.
        DiscreteInput = "discrete-input",
        /// 16-bit registers that can be written.
        HoldingRegister = "holding-register",
        /// 16-bit registers, read only.
        InputRegister = "input-register",
    }
}

impl Area {
    /// Whether each address of this table is a single bit.
    pub const fn is_bits(self) -> bool {
        matches!(self, Self::Coil | Self::DiscreteInput)
    }
}

/// Address of a signal: unit, table, address, and bit of a register.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct PointAddress {
    /// Unit identifier; `None` for the unit of the link.
    pub unit: Option<u8>,
    /// The table.
    pub area: Area,
    /// Address, counted from 0 as on the wire.
    pub number: u16,
    /// Bit of a register, 0 for the least significant; `None` for a coil, a discrete input or a whole register.
    pub bit: Option<u8>,
}

impl PointAddress {
    /// The address without the bit.
    pub const fn cell(&self) -> (Option<u8>, Area, u16) {
        (self.unit, self.area, self.number)
    }

    fn parse(text: &str) -> Option<Self> {
        let mut words = text.split_whitespace().peekable();
        let mut unit = None;
        if words.next_if_eq(&"unit").is_some() {
            unit = Some(words.next()?.parse().ok()?);
        }
        let area = words.next()?;
        let areas = [Area::Coil, Area::DiscreteInput, Area::HoldingRegister, Area::InputRegister];
        let area = areas.into_iter().find(|known| known.word() == area)?;
        let number = words.next()?.parse().ok()?;
        let bit = match (words.next(), words.next()) {
            (None, _) => None,
            (Some("bit"), Some(bit)) => Some(bit.parse().ok().filter(|bit| *bit < 16)?),
            (Some(_), _) => return None,
        };
        if words.next().is_some() || (bit.is_some() && area.is_bits()) {
            return None;
        }
        Some(Self { unit, area, number, bit })
    }
}

impl fmt::Display for PointAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.unit.map_or(Ok(()), |unit| write!(f, "unit {unit} "))?;
        write!(f, "{} {}", self.area, self.number)?;
        self.bit.map_or(Ok(()), |bit| write!(f, " bit {bit}"))
    }
}

impl Field for PointAddress {
    fn read(node: &Node) -> Result<Self, Problem> {
        let text = <String as Field>::read(node)?;
        Self::parse(&text).ok_or_else(|| Problem {
            rule: "not-an-address",
            message: format!("`{text}` is not an address in a Modbus module"),
            help: "write area and address (from 0), such as \"input-register 4\", \"coil 0\", \"holding-register 2 bit 5\" or \
                   \"unit 2 coil 0\"; areas: coil, discrete-input, holding-register, input-register; addresses 0 to 65535, bits 0 to 15"
                .into(),
        })
    }
    fn schema() -> Value {
        let pattern = r"^\s*(unit\s+[0-9]{1,3}\s+)?((coil|discrete-input)\s+[0-9]{1,5}|(holding-register|input-register)\s+[0-9]{1,5}(\s+bit\s+(1[0-5]|[0-9]))?)\s*$";
        json!({ "type": "string", "pattern": pattern, "examples": ["input-register 4"] })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case("coil 0", Some("coil 0"))]
    #[case("holding-register 2 bit 5", Some("holding-register 2 bit 5"))]
    #[case("input-register 70000", None)]
    #[case("unit 3 coil 1", Some("unit 3 coil 1"))]
    #[case("unit 300 coil 1", None)]
    #[case("unit coil 1", None)]
    #[case("coil 3 bit 1", None)]
    #[case("holding-register 2 bit 16", None)]
    #[case("register 2", None)]
    fn addresses_are_read_as_written(#[case] text: &str, #[case] shown: Option<&str>) {
        assert_eq!(PointAddress::parse(text).map(|address| address.to_string()).as_deref(), shown);
    }
}
