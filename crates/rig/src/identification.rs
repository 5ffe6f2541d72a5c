//! Identification of a module: the basic objects of Read Device Identification (application protocol V1.1b3, 6.21).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Longest text kept of an object, in characters.
const LONGEST_TEXT: usize = 64;
/// Vendor name of the simulated module.
const SIMULATOR_VENDOR: &str = "tripbench";
/// Product code of the simulated module.
const SIMULATOR_PRODUCT: &str = "simulated module";

/// One object as on the wire: its number and its bytes.
pub type IdentityObject = (u8, Vec<u8>);

/// Vendor, product code and revision that a module gives: printable ASCII of up to 64 characters, empty if missing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Identification {
    /// Object 00, vendor name.
    pub vendor: String,
    /// Object 01, product code.
    pub product: String,
    /// Object 02, major and minor revision.
    pub revision: String,
}

impl Identification {
    /// The identification in a list of objects; `None` if all three texts are empty. Of repeated objects, the first counts.
    pub fn of(objects: &[IdentityObject]) -> Option<Self> {
        let text = |number: u8| {
            let object = objects.iter().find(|(id, _)| *id == number);
            object.map_or_else(String::new, |(_, bytes)| cleaned(bytes))
        };
        let said = Self { vendor: text(0), product: text(1), revision: text(2) };
        let nothing = said.vendor.is_empty() && said.product.is_empty() && said.revision.is_empty();
        (!nothing).then_some(said)
    }

    /// The identification of the simulated module of this program, with this revision.
    pub fn of_simulator(revision: &str) -> Self {
        Self {
            vendor: String::from(SIMULATOR_VENDOR),
            product: String::from(SIMULATOR_PRODUCT),
            revision: revision.to_owned(),
        }
    }

    /// Whether this is the simulated module of this program, in any revision.
    pub fn is_simulator(&self) -> bool {
        self.vendor == SIMULATOR_VENDOR && self.product == SIMULATOR_PRODUCT
    }

    /// The objects as on the wire.
    pub fn objects(&self) -> [IdentityObject; 3] {
        let object = |number, text: &str| (number, text.as_bytes().to_vec());
        [object(0, &self.vendor), object(1, &self.product), object(2, &self.revision)]
    }
}

/// One line of text without control characters: every byte that is not printable ASCII becomes a question mark.
fn cleaned(bytes: &[u8]) -> String {
    let printable = |byte: &u8| if (b' '..=b'~').contains(byte) { char::from(*byte) } else { '?' };
    // Fields of fixed length are often padded with zeros or blanks.
    let fills = |byte: &u8| *byte == 0 || byte.is_ascii_whitespace();
    let from = bytes.iter().position(|byte| !fills(byte)).unwrap_or(bytes.len());
    let to = bytes.iter().rposition(|byte| !fills(byte)).map_or(from, |last| last + 1);
    bytes[from..to].iter().take(LONGEST_TEXT).map(printable).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    #[rstest]
    #[case::plain(b"Goods In", "Goods In")]
    #[case::filled_up(b"Goods In  \0\0\0", "Goods In")]
    #[case::two_lines(b"a\r\nPASS", "a??PASS")]
    #[case::escape(b"\x1b[2Jx", "?[2Jx")]
    #[case::only_zeros(b"\0\0\0", "")]
    #[case::latin_1(b"M\xFCller ", "M?ller")]
    fn texts_are_one_line_of_printable_signs(#[case] bytes: &[u8], #[case] expected: &str) {
        let said = Identification::of(&[(1, bytes.to_vec()), (2, b"V1".to_vec())]).expect("a revision");
        assert_eq!(said.product, expected);
    }

    #[test]
    fn who_says_nothing_has_no_identification() {
        assert_eq!(Identification::of(&[]), None);
        assert_eq!(Identification::of(&[(0, b"  ".to_vec()), (7, b"else".to_vec())]), None);
    }

    #[rstest]
    #[case::itself("tripbench", "simulated module", true)]
    #[case::another_vendor("jam factory", "simulated module", false)]
    #[case::another_product("tripbench", "module", false)]
    fn only_the_simulator_is_the_simulator(#[case] vendor: &str, #[case] product: &str, #[case] is: bool) {
        for revision in ["", "0.1.0", "9.9"] {
            let objects = [(0, vendor.into()), (1, product.into()), (2, revision.into())];
            assert_eq!(Identification::of(&objects).expect("said").is_simulator(), is);
        }
    }

    proptest! {
        #[test]
        fn whatever_comes_is_bounded_and_printable(objects in prop::collection::vec((0_u8..4, prop::collection::vec(any::<u8>(), 0..250)), 0..6)) {
            if let Some(said) = Identification::of(&objects) {
                for text in [&said.vendor, &said.product, &said.revision] {
                    prop_assert!(text.len() <= LONGEST_TEXT);
                    prop_assert!(text.chars().all(|sign| (' '..='~').contains(&sign)));
                }
            }
        }

        #[test]
        fn what_goes_over_the_wire_comes_back(revision in "[0-9]{1,3}\\.[0-9]{1,3}") {
            let said = Identification::of_simulator(&revision);
            prop_assert_eq!(Identification::of(&said.objects()), Some(said));
        }
    }
}
