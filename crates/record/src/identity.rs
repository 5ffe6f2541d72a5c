//! Identity of devices, own numbers with a check character, and the state of the wall clock.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How a serial number was assigned to a position.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum IdentityHow {
    /// By the operator.
    ByOperator,
    /// The bench issued the number.
    OwnNumber,
}

/// Identity of the device at a position.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Identity {
    /// Serial number or own number.
    pub serial: String,
    /// How it was assigned to the position.
    pub how: IdentityHow,
}

/// State of the wall clock. Records are ordered by sequence numbers, not by clocks.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct ClockState {
    /// Source of the time, if known.
    pub source: Option<String>,
    /// When the clock was last set, if known.
    pub last_set: Option<String>,
    /// Jump since the previous record, seconds, if known.
    pub jump_s: Option<i64>,
}

const ALPHABET: &[u8; 36] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";

/// Check character of `text` by ISO/IEC 7064, MOD 37,36. Only letters and digits count; letters are taken as capitals.
pub fn check_character(text: &str) -> char {
    let values =
        text.bytes().filter_map(|byte| ALPHABET.iter().position(|known| *known == byte.to_ascii_uppercase()));
    let product = values.fold(36, |product, value| {
        let sum = (product + value) % 36;
        (if sum == 0 { 36 } else { sum }) * 2 % 37
    });
    char::from(ALPHABET[(37 - product) % 36])
}

/// Own number for a device without a serial number: `T`, date and time of the run, position, check character.
pub fn own_number(stamp: &str, position: u8) -> String {
    let body = format!("T{stamp}-{position}");
    let check = check_character(&body);
    format!("{body}{check}")
}

#[cfg(test)]
mod tests {
    use super::*;

    // A published identifier of this check system: A1-2425G-ABC1234002-M (a Global Release Identifier; from memory).
    #[test]
    fn the_check_character_agrees_with_a_published_identifier() {
        assert_eq!(check_character("A12425GABC1234002"), 'M');
    }

    #[test]
    fn two_swapped_digits_change_the_check_character() {
        assert_ne!(check_character("T20261125-0736-1"), check_character("T20261152-0736-1"));
    }
}
