//! Canonical JSON (RFC 8785) and hashes.

use crate::finite::all_finite;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::fmt::Write;

/// JSON in the canonical form of RFC 8785: equal data gives equal bytes.
///
/// # Errors
/// If a number is not finite, or a map has a key that is not a string.
pub fn canonical_json<T: Serialize>(value: &T) -> Result<Vec<u8>, serde_json::Error> {
    all_finite(value)?;
    serde_json_canonicalizer::to_vec(value)
}

/// SHA-256 as 64 lower-case hexadecimal digits.
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Bytes as lower-case hexadecimal digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        let _fits_in_memory = write!(text, "{byte:02x}");
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use serde_json::{Value, json};

    // RFC 8785 test vectors (arrays, structures, values) and FIPS 180-4 "abc" (the latter from memory).
    #[rstest]
    #[case(json!([56, { "d": true, "10": null, "1": [] }]), r#"[56,{"1":[],"10":null,"d":true}]"#)]
    #[case(
        json!({ "1": { "f": { "f": "hi", "F": 5 }, "\n": 56 }, "10": {}, "": "empty", "a": {}, "111": [{ "e": "yes", "E": "no" }], "A": {} }),
        r#"{"":"empty","1":{"\n":56,"f":{"F":5,"f":"hi"}},"10":{},"111":[{"E":"no","e":"yes"}],"A":{},"a":{}}"#
    )]
    #[case(json!([333_333_333.333_333_3, 1e30, 4.50, 2e-3, 1e-27]), "[333333333.3333333,1e+30,4.5,0.002,1e-27]")]
    fn bytes_agree_with_rfc_8785(#[case] value: Value, #[case] expected: &str) {
        assert_eq!(String::from_utf8(canonical_json(&value).expect("json")).expect("utf-8"), expected);
    }

    #[test]
    fn abc_has_its_hash() {
        assert_eq!(sha256_hex(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }

    #[derive(Serialize)]
    struct Nested {
        level: Option<f64>,
        all: Vec<(String, [f32; 2])>,
    }

    #[rstest]
    fn a_number_that_is_none_is_refused_wherever_it_stands(
        #[values(f64::NAN, f64::INFINITY, f64::NEG_INFINITY)] number: f64,
    ) {
        assert!(canonical_json(&number).is_err());
        let nested = |level, second| Nested { level, all: vec![(String::from("a"), [0.5, second])] };
        assert!(canonical_json(&nested(Some(number), 1.0)).is_err());
        #[expect(clippy::cast_possible_truncation, reason = "it is not finite in either form")]
        let short = number as f32;
        assert!(canonical_json(&nested(None, short)).is_err());
        assert_eq!(
            canonical_json(&nested(None, 1.0)).expect("json"),
            br#"{"all":[["a",[0.5,1]]],"level":null}"#
        );
    }
}
