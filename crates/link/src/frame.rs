//! RTU frames: a request as bytes, and its answer found among whatever bytes came (MODBUS over Serial Line V1.02, 2.5).

use crc::{CRC_16_MODBUS, Crc};
use tripbench_rig::{Area, Doubt, Query, Request, Response};

const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_MODBUS);
/// Bytes of an exception answer: unit, function, code, CRC.
const EXCEPTION_LENGTH: usize = 5;
/// Longest RTU frame.
const LONGEST_FRAME: usize = 256;

/// What is among the bytes received so far.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Found {
    /// The answer, and how many bytes follow it.
    Answer(Response, usize),
    /// The unit refuses, and how many bytes follow.
    Refusal(u8, usize),
    /// No answer to this query yet; what the bytes are if nothing more comes.
    NotYet(Doubt),
}

/// Function code of a request.
const fn function(request: &Request) -> u8 {
    match request {
        Request::Read { area: Area::Coil, .. } => 0x01,
        Request::Read { area: Area::DiscreteInput, .. } => 0x02,
        Request::Read { area: Area::HoldingRegister, .. } => 0x03,
        Request::Read { area: Area::InputRegister, .. } => 0x04,
        Request::WriteCoils { .. } => 0x0F,
        Request::WriteRegisters { .. } => 0x10,
    }
}

/// The frame of a query.
pub(crate) fn encode(query: &Query) -> Vec<u8> {
    let mut bytes = vec![query.unit, function(&query.request)];
    match &query.request {
        Request::Read { start, count, .. } => {
            bytes.extend(start.to_be_bytes());
            bytes.extend(count.to_be_bytes());
        }
        Request::WriteCoils { start, states } => {
            let packed = packed(states);
            bytes.extend(start.to_be_bytes());
            bytes.extend(word(states.len()).to_be_bytes());
            bytes.push(byte(packed.len()));
            bytes.extend(packed);
        }
        Request::WriteRegisters { start, values } => {
            bytes.extend(start.to_be_bytes());
            bytes.extend(word(values.len()).to_be_bytes());
            bytes.push(byte(2 * values.len()));
            bytes.extend(values.iter().flat_map(|value| value.to_be_bytes()));
        }
    }
    sealed(bytes)
}

/// The bytes with their CRC, low byte first.
fn sealed(mut bytes: Vec<u8>) -> Vec<u8> {
    let crc = CRC.checksum(&bytes);
    bytes.extend(crc.to_le_bytes());
    bytes
}

fn packed(states: &[bool]) -> Vec<u8> {
    let one = |chunk: &[bool]| chunk.iter().rev().fold(0, |byte, state| byte << 1 | u8::from(*state));
    states.chunks(8).map(one).collect()
}

/// Quantities are within the standard's limits before anything is encoded.
fn word(count: usize) -> u16 {
    u16::try_from(count).unwrap_or(u16::MAX)
}

fn byte(count: usize) -> u8 {
    u8::try_from(count).unwrap_or(u8::MAX)
}

/// Looks for the answer to a query: unit, function, byte count and CRC all have to be right. Bytes before it are noise of the
/// line, or what somebody else said.
pub(crate) fn find(query: &Query, bytes: &[u8]) -> Found {
    for start in 0..bytes.len() {
        let here = &bytes[start..];
        if let Some((frame, rest)) = good_frame(here, EXCEPTION_LENGTH)
            && frame[0] == query.unit
            && frame[1] == function(&query.request) | 0x80
        {
            return Found::Refusal(frame[2], rest);
        }
        let (_, length) = query.request.rtu_lengths();
        if let Some((frame, rest)) = good_frame(here, length)
            && frame[0] == query.unit
            && let Some(response) = response(&query.request, &frame[1..length - 2])
        {
            return Found::Answer(response, rest);
        }
    }
    Found::NotYet(doubt(query, bytes))
}

/// The first `length` bytes, if they are there and their CRC is right, and how many follow.
fn good_frame(bytes: &[u8], length: usize) -> Option<(&[u8], usize)> {
    let frame = bytes.get(..length)?;
    let (content, crc) = frame.split_at(length - 2);
    (CRC.checksum(content).to_le_bytes() == crc).then_some((frame, bytes.len() - length))
}

/// The response in a PDU that has the length of this request's answer.
fn response(request: &Request, pdu: &[u8]) -> Option<Response> {
    let (&code, data) = pdu.split_first()?;
    if code != function(request) {
        return None;
    }
    match request {
        Request::Read { area, count, .. } => {
            let (&length, data) = data.split_first()?;
            if usize::from(length) != data.len() {
                return None;
            }
            let words = if area.is_bits() {
                (0..usize::from(*count)).map(|bit| u16::from(data[bit / 8] >> (bit % 8) & 1)).collect()
            } else {
                data.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect()
            };
            Some(Response::Values(words))
        }
        Request::WriteCoils { start, states } => echoed(data, *start, states.len()),
        Request::WriteRegisters { start, values } => echoed(data, *start, values.len()),
    }
}

fn echoed(data: &[u8], start: u16, count: usize) -> Option<Response> {
    let echo = [start.to_be_bytes(), word(count).to_be_bytes()].concat();
    (data == echo).then_some(Response::Written)
}

/// What bytes without the answer are: nothing, somebody else's frame, the start of one, or noise.
fn doubt(query: &Query, bytes: &[u8]) -> Doubt {
    if bytes.is_empty() {
        return Doubt::Late;
    }
    let lengths = || 4..=bytes.len().min(LONGEST_FRAME);
    let whole = (0..bytes.len()).find_map(|start| {
        lengths().find_map(|length| good_frame(&bytes[start..], length)).map(|(frame, _)| frame)
    });
    let (_, wanted) = query.request.rtu_lengths();
    let begins = bytes.starts_with(&[query.unit, function(&query.request)]);
    match whole {
        Some(frame) if frame[0] == query.unit && frame[1] == function(&query.request) => Doubt::Short,
        Some(_) => Doubt::Foreign,
        None if begins && bytes.len() < wanted => Doubt::Short,
        None => Doubt::Corrupt,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    fn hex(text: &str) -> Vec<u8> {
        text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("hex")).collect()
    }

    fn read(area: Area, start: u16, count: u16) -> Request {
        Request::Read { area, start, count }
    }

    fn values(words: &[u16]) -> Response {
        Response::Values(words.to_vec())
    }

    fn bits(text: &str) -> Vec<bool> {
        text.chars().map(|bit| bit == '1').collect()
    }

    // MODBUS over Serial Line V1.02, figure 30 and page 41: 02 07 has CRC 1241h, sent 41 12. "123456789" gives 4B37h.
    #[test]
    fn the_crc_agrees_with_the_serial_line_guide() {
        assert_eq!(sealed(vec![0x02, 0x07]), hex("02 07 41 12"));
        assert_eq!(CRC.checksum(b"123456789"), 0x4B37);
    }

    // PDUs of the application protocol V1.1b3, clauses 6.1 to 6.12, in RTU frames to unit 11h; CRC recomputed with crccheck.
    #[rstest]
    #[case(read(Area::Coil, 0x13, 0x13), "11 01 00 13 00 13 8E 92", "11 01 03 CD 6B 05 40 12")]
    #[case(read(Area::DiscreteInput, 0xC4, 0x16), "11 02 00 C4 00 16 BA A9", "11 02 03 AC DB 35 20 18")]
    #[case(
        read(Area::HoldingRegister, 0x6B, 3),
        "11 03 00 6B 00 03 76 87",
        "11 03 06 02 2B 00 00 00 64 C8 BA"
    )]
    #[case(read(Area::InputRegister, 8, 1), "11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4")]
    #[case(
        Request::WriteCoils { start: 0x13, states: bits("1011001110") },
        "11 0F 00 13 00 0A 02 CD 01 BF 0B",
        "11 0F 00 13 00 0A 26 99"
    )]
    #[case(
        Request::WriteRegisters { start: 1, values: vec![0x000A, 0x0102] },
        "11 10 00 01 00 02 04 00 0A 01 02 C6 F0",
        "11 10 00 01 00 02 12 98"
    )]
    fn frames_agree_with_the_standard_byte_for_byte(
        #[case] request: Request,
        #[case] asked: &str,
        #[case] answered: &str,
    ) {
        let lengths = request.rtu_lengths();
        let query = Query { unit: 0x11, request };
        assert_eq!(encode(&query), hex(asked));
        assert_eq!(lengths, (hex(asked).len(), hex(answered).len()));
        let Found::Answer(response, 0) = find(&query, &hex(answered)) else { panic!("no answer found") };
        assert!(query.request.fits(&response));
    }

    #[rstest]
    #[case("11 03 06 02 2B 00 00 00 64 C8 BA", values(&[555, 0, 100]))]
    #[case("00 FF 00 11 03 06 02 2B 00 00 00 64 C8 BA", values(&[555, 0, 100]))]
    #[case("12 03 06 02 2B 00 00 00 64 89 87 11 03 06 02 2B 00 00 00 64 C8 BA", values(&[555, 0, 100]))]
    fn the_answer_is_found_behind_noise_and_strangers(#[case] bytes: &str, #[case] expected: Response) {
        let query = Query { unit: 0x11, request: read(Area::HoldingRegister, 0x6B, 3) };
        assert_eq!(find(&query, &hex(bytes)), Found::Answer(expected, 0));
    }

    // The exception frame 11 81 02 of clause 7 in RTU: C0 54.
    #[test]
    fn a_refusal_is_a_reply() {
        let query = Query { unit: 0x11, request: read(Area::Coil, 0x04A1, 1) };
        assert_eq!(find(&query, &hex("11 81 02 C0 54")), Found::Refusal(2, 0));
    }

    #[rstest]
    #[case("", Doubt::Late)]
    #[case("11 03 06 02 2B", Doubt::Short)]
    #[case("11 03 02 02 2B 39 38", Doubt::Short)]
    #[case("11 03 06 02 2B 00 00 00 65 C8 BA", Doubt::Corrupt)]
    #[case("5A A5 5A A5 5A A5", Doubt::Corrupt)]
    fn what_is_no_answer_is_named(#[case] bytes: &str, #[case] expected: Doubt) {
        let query = Query { unit: 0x11, request: read(Area::HoldingRegister, 0x6B, 3) };
        let mut bytes = hex(bytes);
        if expected == Doubt::Short && bytes.len() == 7 {
            bytes = sealed(bytes[..5].to_vec());
        }
        assert_eq!(find(&query, &bytes), Found::NotYet(expected));
    }

    #[test]
    fn somebody_else_s_answer_is_foreign() {
        let query = Query { unit: 0x11, request: read(Area::HoldingRegister, 0x6B, 1) };
        let stranger = sealed(vec![0x12, 0x03, 0x02, 0x02, 0x2B]);
        assert_eq!(find(&query, &stranger), Found::NotYet(Doubt::Foreign));
    }

    proptest! {
        #[test]
        fn one_changed_bit_is_never_an_answer(position in 0_usize..11, bit in 0_u8..8) {
            let query = Query { unit: 0x11, request: read(Area::HoldingRegister, 0x6B, 3) };
            let mut bytes = hex("11 03 06 02 2B 00 00 00 64 C8 BA");
            bytes[position] ^= 1 << bit;
            prop_assert!(matches!(find(&query, &bytes), Found::NotYet(_)));
        }

        #[test]
        fn any_bytes_are_looked_through_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..300), count in 1_u16..126) {
            let query = Query { unit: 0x11, request: read(Area::InputRegister, 0, count) };
            let _found = find(&query, &bytes);
        }
    }
}
