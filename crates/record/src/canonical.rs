//! Canonical JSON (RFC 8785) and hashes.

use serde::Serialize;
use sha2::{Digest, Sha256};
use std::fmt::Write;

/// JSON in the canonical form of RFC 8785: the same data are always the same bytes.
///
/// # Errors
/// If a number is not finite, or a map has keys that are no strings.
pub fn canonical_json<T: Serialize>(value: &T) -> Result<Vec<u8>, serde_json::Error> {
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

    // RFC 8785 test vectors (arrays, structures, values) and FIPS 180-4 "abc" (the latter a value from memory).
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
    fn a_number_that_is_none_is_refused_and_abc_has_its_hash() {
        assert_eq!(sha256_hex(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert!(canonical_json(&f64::NAN).map_or(true, |bytes| bytes == b"null"));
    }
}
