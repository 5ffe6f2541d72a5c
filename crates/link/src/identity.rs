//! Read Device Identification in RTU frames (application protocol V1.1b3, 6.21), the only answer whose length depends on its content.

use crate::frame::{good_frame, sealed};
use tripbench_rig::IdentityObject;

/// Function code: encapsulated interface transport.
const FUNCTION: u8 = 0x2B;
/// MEI type: Read Device Identification.
const MEI_TYPE: u8 = 0x0E;
/// Read device ID code: basic objects, stream access.
const BASIC: u8 = 0x01;
/// Length of the bytes before the first object: unit, function, MEI type, code, conformity, more follows, next object, number of objects.
const HEAD: usize = 8;
/// Length of an exception answer: unit, function, code, CRC.
const EXCEPTION_LENGTH: usize = 5;

/// Meaning of the bytes received after a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Identified {
    /// The answer, and the number of bytes after it.
    Objects(Vec<IdentityObject>, usize),
    /// An exception code, and the number of bytes after the exception answer.
    Refusal(u8, usize),
    /// Not an answer.
    No,
    /// The answer may be incomplete.
    TooShort,
}

/// The request for the basic objects of a unit.
pub(crate) fn encode(unit: u8) -> Vec<u8> {
    sealed(vec![unit, FUNCTION, MEI_TYPE, BASIC, 0])
}

/// Decodes the bytes received so far. The answer must begin at the first byte, so strays before it prevent an identification.
pub(crate) fn look(unit: u8, bytes: &[u8]) -> Identified {
    match bytes {
        [from, ..] if *from != unit => Identified::No,
        [_, code, ..] if *code == FUNCTION | 0x80 => {
            framed(bytes, Some(EXCEPTION_LENGTH), |frame, rest| Some(Identified::Refusal(frame[2], rest)))
        }
        [_, FUNCTION, MEI_TYPE, ..] => framed(bytes, length(bytes), |frame, rest| {
            objects(&frame[..frame.len() - 2]).map(|objects| Identified::Objects(objects, rest))
        }),
        [] | [_] | [_, FUNCTION] => Identified::TooShort,
        [_, _, ..] => Identified::No,
    }
}

fn framed(
    bytes: &[u8],
    length: Option<usize>,
    read: impl Fn(&[u8], usize) -> Option<Identified>,
) -> Identified {
    match length {
        Some(length) if bytes.len() >= length => {
            good_frame(bytes, length).and_then(|(frame, rest)| read(frame, rest)).unwrap_or(Identified::No)
        }
        Some(_) | None => Identified::TooShort,
    }
}

/// Length of the whole frame; `None` until the bytes determine it.
fn length(bytes: &[u8]) -> Option<usize> {
    let mut at = HEAD;
    for _ in 0..*bytes.get(HEAD - 1)? {
        at += 2 + usize::from(*bytes.get(at + 1)?);
    }
    Some(at + 2)
}

/// The objects in a frame without its CRC.
fn objects(frame: &[u8]) -> Option<Vec<IdentityObject>> {
    let (mut objects, mut rest) = (Vec::new(), frame.get(HEAD..)?);
    while let [number, length, data @ ..] = rest {
        let (text, after) = data.split_at_checked(usize::from(*length))?;
        objects.push((*number, text.to_vec()));
        rest = after;
    }
    rest.is_empty().then_some(objects)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    /// The answer of a unit with these objects; `more` is "more follows" and the next object.
    fn answer(unit: u8, more: [u8; 2], objects: &[IdentityObject]) -> Vec<u8> {
        let count = u8::try_from(objects.len()).expect("few");
        let mut bytes = vec![unit, 0x2B, 0x0E, 1, 1, more[0], more[1], count];
        for (number, text) in objects {
            bytes.extend([*number, u8::try_from(text.len()).expect("short")]);
            bytes.extend(text);
        }
        sealed(bytes)
    }

    // The request of 6.21, figure and example: 2B 0E 01 00.
    #[test]
    fn the_request_is_that_of_the_standard() {
        assert_eq!(encode(0x11)[..5], [0x11, 0x2B, 0x0E, 0x01, 0x00]);
        assert_eq!(encode(0x11).len(), 7);
    }

    #[rstest]
    #[case::not_known(1)]
    #[case::no_such_object(2)]
    #[case::no_such_code(3)]
    fn a_refusal_is_a_reply(#[case] code: u8) {
        let frame = sealed(vec![0x11, 0xAB, code]);
        assert_eq!(look(0x11, &frame), Identified::Refusal(code, 0));
        assert_eq!(look(0x11, &frame[..4]), Identified::TooShort);
    }

    #[rstest]
    #[case::another_unit(answer(0x12, [0, 0], &[]))]
    #[case::another_function(sealed(vec![0x11, 0x03, 2, 0, 9]))]
    #[case::another_mei_type(sealed(vec![0x11, 0x2B, 0x0D, 1, 1, 0, 0, 0]))]
    #[case::a_wrong_sum(vec![0x11, 0xAB, 1, 0, 0])]
    fn what_is_no_answer_is_none(#[case] bytes: Vec<u8>) {
        assert_eq!(look(0x11, &bytes), Identified::No);
    }

    proptest! {
        #[test]
        fn the_objects_are_found_when_the_last_byte_is_there(
            objects in prop::collection::vec((0_u8..0x80, prop::collection::vec(any::<u8>(), 0..60)), 0..4),
            more in prop::sample::select(vec![[0, 0], [0xFF, 2]]),
        ) {
            let frame = answer(0x11, more, &objects);
            for short in 0..frame.len() {
                prop_assert_eq!(look(0x11, &frame[..short]), Identified::TooShort);
            }
            prop_assert_eq!(look(0x11, &frame), Identified::Objects(objects, 0));
        }

        #[test]
        fn one_changed_bit_is_never_an_answer(position in 0_usize..14, bit in 0_u8..8) {
            let mut frame = answer(0x11, [0, 0], &[(0, b"ab".to_vec())]);
            prop_assert_eq!(frame.len(), 14);
            frame[position] ^= 1 << bit;
            let found = look(0x11, &frame);
            prop_assert!(matches!(found, Identified::No | Identified::TooShort), "{:?}", found);
        }

        #[test]
        fn any_bytes_are_looked_at_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            let head = [&[0x11, 0x2B, 0x0E], &bytes[..]].concat();
            let _found = (look(0x11, &bytes), look(0x11, &head));
        }
    }
}
