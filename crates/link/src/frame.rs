//! RTU frames: encoding of requests, and search for the answer in the received bytes (MODBUS over Serial Line V1.02, 2.5).

use crc::{CRC_16_MODBUS, Crc};
use tripbench_rig::{Area, COIL_ON, Doubt, Query, Request, Response};

const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_MODBUS);
/// Length of an exception answer: unit, function, code, CRC.
const EXCEPTION_LENGTH: usize = 5;
/// Length of the shortest frame: unit, function, CRC.
const SHORTEST_FRAME: usize = 4;
/// Length of the longest RTU frame.
pub(crate) const LONGEST_FRAME: usize = 256;

/// Largest number of bytes skipped before an answer: noise, or one frame of another unit.
const MOST_STRAYS: usize = LONGEST_FRAME;

/// The reply to a query, and the number of bytes after it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Found {
    /// The answer.
    Answer(Response, usize),
    /// A refusal, with its exception code.
    Refusal(u8, usize),
}

/// The bytes received since a query was sent: at most one reply and a bounded number of strays.
#[derive(Debug)]
pub(crate) struct Heard<'a> {
    query: &'a Query,
    bytes: Vec<u8>,
    /// Index before which no reply begins.
    looked: usize,
}

impl<'a> Heard<'a> {
    /// No bytes yet.
    pub(crate) fn since(query: &'a Query) -> Self {
        Self { query, bytes: Vec::with_capacity(64), looked: 0 }
    }

    /// Number of further bytes that can be part of the reply.
    pub(crate) fn room(&self) -> usize {
        let (_, answer) = self.query.request.rtu_lengths();
        (MOST_STRAYS + answer.max(EXCEPTION_LENGTH)).saturating_sub(self.bytes.len())
    }

    /// The bytes so far.
    pub(crate) fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// Adds bytes, as far as there is room, and returns the reply once it is complete. Each possible start of a reply is decided once, so
    /// the total work is bounded, however the bytes are split.
    pub(crate) fn hear(&mut self, bytes: &[u8]) -> Option<Found> {
        let room = self.room();
        self.bytes.extend(bytes.iter().take(room));
        let mut decided = true;
        for start in self.looked..self.bytes.len() {
            match reply_at(self.query, &self.bytes[start..]) {
                Reply::Is(found) => return Some(found),
                Reply::None if decided => self.looked = start + 1,
                Reply::None => {}
                Reply::TooShort => decided = false,
            }
        }
        None
    }

    /// The doubt for bytes that contain no reply, after the last of them; `None` if there are none.
    pub(crate) fn doubt(&self) -> Option<Doubt> {
        doubt(self.query, &self.bytes)
    }
}

/// Whether bytes begin with the reply to a query.
enum Reply {
    Is(Found),
    None,
    TooShort,
}

/// The reply at the start of `bytes`, if unit, function, byte count and CRC are all right.
fn reply_at(query: &Query, bytes: &[u8]) -> Reply {
    let function = function(&query.request);
    let (_, length) = query.request.rtu_lengths();
    match bytes {
        [unit, ..] if *unit != query.unit => Reply::None,
        [_, code, ..] if *code == function | 0x80 => {
            framed(bytes, EXCEPTION_LENGTH, |frame, rest| Some(Found::Refusal(frame[2], rest)))
        }
        [_, code, ..] if *code == function => framed(bytes, length, |frame, rest| {
            if is_echo(query, frame) {
                return None;
            }
            response(&query.request, &frame[1..length - 2]).map(|response| Found::Answer(response, rest))
        }),
        [_, _, ..] => Reply::None,
        [] | [_] => Reply::TooShort,
    }
}

/// Whether a frame is the request for a read, sent back by a line with local echo. 17 to 24 bits from an address 0300 to 03FF on have an
/// answer that looks like it. An answer with the same bytes as the request is not believed either.
fn is_echo(query: &Query, frame: &[u8]) -> bool {
    !query.request.is_write() && frame == encode(query)
}

/// The reply in the first `length` bytes, if they are complete and their CRC is right.
fn framed(bytes: &[u8], length: usize, reply: impl Fn(&[u8], usize) -> Option<Found>) -> Reply {
    if bytes.len() < length {
        return Reply::TooShort;
    }
    good_frame(bytes, length).and_then(|(frame, rest)| reply(frame, rest)).map_or(Reply::None, Reply::Is)
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
        Request::WriteCoil { .. } => 0x05,
        Request::WriteRegister { .. } => 0x06,
    }
}

/// Encodes a query as a frame.
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
        Request::WriteCoil { at, state } => {
            bytes.extend(at.to_be_bytes());
            bytes.extend(coil(*state).to_be_bytes());
        }
        Request::WriteRegister { at, value } => {
            bytes.extend(at.to_be_bytes());
            bytes.extend(value.to_be_bytes());
        }
    }
    sealed(bytes)
}

/// Appends the CRC, low byte first.
pub(crate) fn sealed(mut bytes: Vec<u8>) -> Vec<u8> {
    let crc = CRC.checksum(&bytes);
    bytes.extend(crc.to_le_bytes());
    bytes
}

fn packed(states: &[bool]) -> Vec<u8> {
    let one = |chunk: &[bool]| chunk.iter().rev().fold(0, |byte, state| byte << 1 | u8::from(*state));
    states.chunks(8).map(one).collect()
}

/// A quantity as a word. Quantities were checked against the limits of the standard before.
fn word(count: usize) -> u16 {
    u16::try_from(count).unwrap_or(u16::MAX)
}

fn byte(count: usize) -> u8 {
    u8::try_from(count).unwrap_or(u8::MAX)
}

/// The first `length` bytes, if they are complete and their CRC is right, and the number of bytes after them.
pub(crate) fn good_frame(bytes: &[u8], length: usize) -> Option<(&[u8], usize)> {
    let frame = bytes.get(..length)?;
    let (content, crc) = frame.split_at(length - 2);
    (CRC.checksum(content).to_le_bytes() == crc).then_some((frame, bytes.len() - length))
}

/// The response in a PDU of the length that the request requires.
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
        Request::WriteCoils { start, states } => echoed(data, *start, word(states.len())),
        Request::WriteRegisters { start, values } => echoed(data, *start, word(values.len())),
        Request::WriteCoil { at, state } => echoed(data, *at, coil(*state)),
        Request::WriteRegister { at, value } => echoed(data, *at, *value),
    }
}

/// The value that function 05 writes for a state (application protocol V1.1b3, 6.5).
const fn coil(state: bool) -> u16 {
    if state { COIL_ON } else { 0 }
}

/// Checks the answer to a write: address, then the quantity of a multiple write or the value of a single write.
fn echoed(data: &[u8], start: u16, second: u16) -> Option<Response> {
    let echo = [start.to_be_bytes(), second.to_be_bytes()].concat();
    (data == echo).then_some(Response::Written)
}

/// The doubt for bytes without the answer: a foreign or short frame, an incomplete answer, or noise.
fn doubt(query: &Query, bytes: &[u8]) -> Option<Doubt> {
    if bytes.is_empty() {
        return None;
    }
    let whole = (0..bytes.len()).map(|start| &bytes[start..]).find(|bytes| begins_with_frame(bytes));
    let (_, wanted) = query.request.rtu_lengths();
    let begins = bytes.starts_with(&[query.unit, function(&query.request)]);
    Some(match whole {
        Some(frame) if frame[0] == query.unit && frame[1] == function(&query.request) => Doubt::Short,
        Some(_) => Doubt::Foreign,
        None if begins && bytes.len() < wanted => Doubt::Short,
        None => Doubt::Corrupt,
    })
}

/// Whether the bytes begin with a frame of any length. The CRC over a frame and its own CRC is 0.
fn begins_with_frame(bytes: &[u8]) -> bool {
    let mut digest = CRC.digest();
    bytes.iter().take(LONGEST_FRAME).enumerate().any(|(index, byte)| {
        digest.update(&[*byte]);
        index + 1 >= SHORTEST_FRAME && digest.clone().finalize() == 0
    })
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

    proptest! {
        /// On a line with local echo.
        #[test]
        fn the_request_for_a_read_is_never_its_own_answer(
            bits in any::<bool>(),
            start in prop_oneof![0x300_u16..0x400, any::<u16>()],
            count in prop_oneof![17_u16..25, 1_u16..126],
        ) {
            let area = if bits { Area::Coil } else { Area::HoldingRegister };
            let query = Query { unit: 0x11, request: read(area, start, count) };
            prop_assert!(!matches!(find(&query, &encode(&query)), Ok(Found::Answer(..))));
        }
    }

    /// The reply in bytes that arrive together.
    fn find(query: &Query, bytes: &[u8]) -> Result<Found, Option<Doubt>> {
        let mut heard = Heard::since(query);
        heard.hear(bytes).ok_or_else(|| heard.doubt())
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
    #[case(Request::WriteCoil { at: 0xAC, state: true }, "11 05 00 AC FF 00 4E 8B", "11 05 00 AC FF 00 4E 8B")]
    #[case(Request::WriteRegister { at: 1, value: 3 }, "11 06 00 01 00 03 9A 9B", "11 06 00 01 00 03 9A 9B")]
    fn frames_agree_with_the_standard_byte_for_byte(
        #[case] request: Request,
        #[case] asked: &str,
        #[case] answered: &str,
    ) {
        let lengths = request.rtu_lengths();
        let query = Query { unit: 0x11, request };
        assert_eq!(encode(&query), hex(asked));
        assert_eq!(lengths, (hex(asked).len(), hex(answered).len()));
        let Ok(Found::Answer(response, 0)) = find(&query, &hex(answered)) else { panic!("no answer found") };
        assert!(query.request.fits(&response));
    }

    #[rstest]
    #[case("11 03 06 02 2B 00 00 00 64 C8 BA", values(&[555, 0, 100]))]
    #[case("00 FF 00 11 03 06 02 2B 00 00 00 64 C8 BA", values(&[555, 0, 100]))]
    #[case("12 03 06 02 2B 00 00 00 64 89 87 11 03 06 02 2B 00 00 00 64 C8 BA", values(&[555, 0, 100]))]
    fn the_answer_is_found_behind_noise_and_strangers(#[case] bytes: &str, #[case] expected: Response) {
        let query = Query { unit: 0x11, request: read(Area::HoldingRegister, 0x6B, 3) };
        assert_eq!(find(&query, &hex(bytes)), Ok(Found::Answer(expected, 0)));
    }

    // The exception frame 11 81 02 of clause 7 in RTU: C0 54.
    #[test]
    fn a_refusal_is_a_reply() {
        let query = Query { unit: 0x11, request: read(Area::Coil, 0x04A1, 1) };
        assert_eq!(find(&query, &hex("11 81 02 C0 54")), Ok(Found::Refusal(2, 0)));
    }

    #[rstest]
    #[case("", None)]
    #[case("11 03 06 02 2B", Some(Doubt::Short))]
    #[case("11 03 02 02 2B 39 38", Some(Doubt::Short))]
    #[case("11 03 06 02 2B 00 00 00 65 C8 BA", Some(Doubt::Corrupt))]
    #[case("5A A5 5A A5 5A A5", Some(Doubt::Corrupt))]
    fn what_is_no_answer_is_named(#[case] bytes: &str, #[case] expected: Option<Doubt>) {
        let query = Query { unit: 0x11, request: read(Area::HoldingRegister, 0x6B, 3) };
        let mut bytes = hex(bytes);
        if expected == Some(Doubt::Short) && bytes.len() == 7 {
            bytes = sealed(bytes[..5].to_vec());
        }
        assert_eq!(find(&query, &bytes), Err(expected));
    }

    #[test]
    fn somebody_else_s_answer_is_foreign() {
        let query = Query { unit: 0x11, request: read(Area::HoldingRegister, 0x6B, 1) };
        let stranger = sealed(vec![0x12, 0x03, 0x02, 0x02, 0x2B]);
        assert_eq!(find(&query, &stranger), Err(Some(Doubt::Foreign)));
    }

    proptest! {
        #[test]
        fn one_changed_bit_is_never_an_answer(position in 0_usize..11, bit in 0_u8..8) {
            let query = Query { unit: 0x11, request: read(Area::HoldingRegister, 0x6B, 3) };
            let mut bytes = hex("11 03 06 02 2B 00 00 00 64 C8 BA");
            bytes[position] ^= 1 << bit;
            prop_assert!(find(&query, &bytes).is_err());
        }

        /// However the bytes are split, the first complete reply is found with its last byte.
        #[test]
        fn pieces_do_not_change_what_is_found(
            before in prop::collection::vec(prop::sample::select(vec![0x11_u8, 0x03, 0x83, 0x06, 0x00, 0xFF]), 0..MOST_STRAYS),
            pieces in prop::collection::vec(1_usize..40, 1..20),
        ) {
            let query = Query { unit: 0x11, request: read(Area::HoldingRegister, 0x6B, 3) };
            let bytes = [before, hex("11 03 06 02 2B 00 00 00 64 C8 BA")].concat();
            let mut heard = Heard::since(&query);
            let (mut left, mut found) = (&bytes[..], None);
            for piece in pieces.iter().cycle() {
                let (now, later) = left.split_at((*piece).min(left.len()));
                found = heard.hear(now);
                left = later;
                if found.is_some() || left.is_empty() {
                    break;
                }
            }
            prop_assert_eq!(found, Some(Found::Answer(values(&[555, 0, 100]), 0)));
            prop_assert!(left.is_empty());
        }

        #[test]
        fn what_is_kept_is_bounded_however_much_comes(pieces in prop::collection::vec(prop::collection::vec(any::<u8>(), 1..400), 1..20)) {
            let query = Query { unit: 0x11, request: read(Area::HoldingRegister, 0x6B, 3) };
            let mut heard = Heard::since(&query);
            for piece in &pieces {
                let _found = heard.hear(piece);
                prop_assert!(heard.bytes().len() <= MOST_STRAYS + 11);
            }
        }

        #[test]
        fn any_bytes_are_looked_through_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..300), count in 1_u16..126) {
            let query = Query { unit: 0x11, request: read(Area::InputRegister, 0, count) };
            let _found = find(&query, &bytes);
        }
    }
}
