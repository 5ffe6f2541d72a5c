//! Doubts: reasons to distrust an answer of the module, or to doubt that it received a request.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::time::Duration;

/// Longest time between two scans that a run accepts.
pub const LONGEST_GAP: Duration = Duration::from_millis(250);

/// Reason why the link cannot be trusted at the moment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// No connection to the module.
    Lost,
    /// The path of the serial port leads to another device than at the start of the run. Nothing is sent to it.
    OtherDevice,
    /// No answer within `answer_timeout` of the rig sheet.
    Late,
    /// An answer of the wrong length.
    Short,
    /// An answer that does not belong to the request.
    Foreign,
    /// An answer that cannot be decoded.
    Corrupt,
    /// The module refused with this exception code.
    Refused(u8),
    /// The outputs read back differ from those ordered.
    OutputsDiffer,
    /// The clock jumped, or the computer was suspended.
    ClockJump,
    /// Two scans were more than [`LONGEST_GAP`] apart, or this computer was late by more than that while waiting for an answer.
    Gap,
    /// The stop latch is set: orders other than safe are refused.
    Stopped,
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Lost => f.write_str("the connection to the module was lost"),
            Self::OtherDevice => f.write_str("another device has the path of the serial port than before, and nothing is sent to it: shut off air and power by hand, and plug the adapter in where it was (a path below /dev/serial/by-id stays with its adapter)"),
            Self::Late => f.write_str("the module did not answer in time (`answer_timeout` of the rig sheet): it may be switched off, unplugged, or slower than declared"),
            Self::Short => f.write_str("the module's answer has the wrong length"),
            Self::Foreign => f.write_str("the module sent an answer that does not belong to the request"),
            Self::Corrupt => f.write_str("the module's answer cannot be decoded"),
            Self::Refused(code) => {
                write!(f, "the module refused with exception {code:02X}{}", exception_name(*code))
            }
            Self::OutputsDiffer => f.write_str("the outputs read back differ from those ordered"),
            Self::ClockJump => f.write_str("the clock jumped, or the computer was suspended"),
            Self::Gap => f.write_str("more than 250 ms passed between two scans: the computer was busy or suspended, or the link too slow"),
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

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    /// A full stop, a semicolon or a reason follows in every place that shows it.
    #[rstest]
    fn a_doubt_is_a_statement_that_can_be_continued(
        #[values(
            Doubt::Lost,
            Doubt::OtherDevice,
            Doubt::Late,
            Doubt::Short,
            Doubt::Foreign,
            Doubt::Corrupt,
            Doubt::Refused(2),
            Doubt::OutputsDiffer,
            Doubt::ClockJump,
            Doubt::Gap,
            Doubt::Stopped
        )]
        doubt: Doubt,
    ) {
        let text = doubt.to_string();
        assert!(!text.ends_with(['?', '.', '!', ' ']), "{text}");
    }
}
