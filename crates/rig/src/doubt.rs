//! Doubts: reasons not to believe what the module answered, or that it heard.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::time::Duration;

/// Longest time between two scans that a run believes.
pub const LONGEST_GAP: Duration = Duration::from_millis(250);

/// Why the link cannot be believed at this moment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// No connection to the module.
    Lost,
    /// No answer within the time the rig sheet allows.
    Late,
    /// An answer shorter or longer than asked.
    Short,
    /// An answer to something that was not asked.
    Foreign,
    /// An answer that cannot be read.
    Corrupt,
    /// The module refused with this exception code.
    Refused(u8),
    /// Outputs read back differ from what was ordered.
    OutputsDiffer,
    /// The clock jumped, or the machine slept.
    ClockJump,
    /// Two scans were further apart than [`LONGEST_GAP`], or this computer did not look for longer than that while an answer was due.
    Gap,
    /// Stop was pressed: outputs other than safe are refused.
    Stopped,
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Lost => f.write_str("the connection to the module was lost"),
            Self::Late => f.write_str("the module did not answer in time (`answer_timeout` of the rig sheet): switched off, unplugged, or slower than declared?"),
            Self::Short => f.write_str("the module's answer has the wrong length"),
            Self::Foreign => f.write_str("the module answered something that was not asked"),
            Self::Corrupt => f.write_str("the module's answer cannot be read"),
            Self::Refused(code) => {
                write!(f, "the module refused with exception {code:02X}{}", exception_name(*code))
            }
            Self::OutputsDiffer => f.write_str("the outputs read back are not those ordered"),
            Self::ClockJump => f.write_str("the clock jumped, or the machine slept"),
            Self::Gap => f.write_str("more than 250 ms passed between two scans: the computer was busy with other work, or asleep, or the wire too slow"),
            Self::Stopped => f.write_str("the stop latch is set"),
        }
    }
}

/// Names of the exception codes (application protocol V1.1b3, clause 7).
fn exception_name(code: u8) -> &'static str {
    match code {
        0x01 => " (illegal function)",
        0x02 => " (illegal data address: check the addresses and holes on the rig sheet)",
        0x03 => " (illegal data value)",
        0x04 => " (server device failure)",
        0x05 => " (acknowledge)",
        0x06 => " (server device busy)",
        0x08 => " (memory parity error)",
        0x0A => " (gateway path unavailable)",
        0x0B => " (gateway target failed to respond)",
        _ => "",
    }
}
