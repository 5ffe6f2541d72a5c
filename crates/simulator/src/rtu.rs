//! RTU frames as a slave sees them, written independently of the code of the master.

use crate::identity;
use tripbench_rig::{Area, Exception, IdentityObject, Query, Request, Response};

/// Content of a request frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Asked {
    /// A supported request.
    Query { query: Query, function: u8 },
    /// An unsupported function or quantity, with the exception that refuses it.
    Refused { unit: u8, function: u8, exception: Exception },
    /// Read Device Identification, with the code of the request and the first object.
    Identity { unit: u8, code: u8, first: u8 },
}

/// CRC of an RTU frame, computed bit by bit (MODBUS over Serial Line V1.02, 6.2.2).
pub(crate) fn crc(bytes: &[u8]) -> u16 {
    let mut register = 0xFFFF_u16;
    for byte in bytes {
        register ^= u16::from(*byte);
        for _ in 0..8 {
            let low = register & 1 == 1;
            register >>= 1;
            if low {
                register ^= 0xA001;
            }
        }
    }
    register
}

/// Reads a frame; `None` if it is not valid, in which case a slave does not answer.
pub(crate) fn read(frame: &[u8]) -> Option<Asked> {
    let content = frame.len().checked_sub(2).filter(|length| *length >= 2)?;
    let (content, sum) = frame.split_at(content);
    if crc(content).to_le_bytes() == sum { asked(content) } else { None }
}

/// Reads unit and PDU of a frame.
fn asked(content: &[u8]) -> Option<Asked> {
    let (&unit, pdu) = content.split_first()?;
    let (&function, data) = pdu.split_first()?;
    let refused = |exception| Some(Asked::Refused { unit, function, exception });
    if let (0x2B, &[0x0E, code, first]) = (function, data) {
        return Some(Asked::Identity { unit, code, first });
    }
    let word = |at: usize| Some(u16::from_be_bytes([*data.get(at)?, *data.get(at + 1)?]));
    let (Some(start), Some(second)) = (word(0), word(2)) else { return refused(Exception::ILLEGAL_FUNCTION) };
    let read = |area| Request::Read { area, start, count: second };
    let request = match function {
        0x01 => read(Area::Coil),
        0x02 => read(Area::DiscreteInput),
        0x03 => read(Area::HoldingRegister),
        0x04 => read(Area::InputRegister),
        0x05 if second == 0xFF00 || second == 0 => Request::WriteCoil { at: start, state: second != 0 },
        0x06 => Request::WriteRegister { at: start, value: second },
        0x0F => {
            let packed = data.get(5..).unwrap_or_default();
            let count = usize::from(second);
            let whole = packed.len() == count.div_ceil(8)
                && data.get(4).copied().map(usize::from) == Some(packed.len());
            if !whole {
                return refused(Exception::ILLEGAL_DATA_VALUE);
            }
            Request::WriteCoils {
                start,
                states: (0..count).map(|bit| packed[bit / 8] >> (bit % 8) & 1 == 1).collect(),
            }
        }
        0x10 => {
            let bytes = data.get(5..).unwrap_or_default();
            if bytes.len() != 2 * usize::from(second)
                || data.get(4).copied().map(usize::from) != Some(bytes.len())
            {
                return refused(Exception::ILLEGAL_DATA_VALUE);
            }
            let values = bytes.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
            Request::WriteRegisters { start, values }
        }
        0x05 => return refused(Exception::ILLEGAL_DATA_VALUE),
        _ => return refused(Exception::ILLEGAL_FUNCTION),
    };
    Some(Asked::Query { query: Query { unit, request }, function })
}

/// The answer to a frame, with `module` to carry out a query; `None` for no answer.
pub(crate) fn answered(
    frame: &[u8],
    units: &[u8],
    module: impl FnOnce(&Query) -> Result<Response, Exception>,
) -> Option<Vec<u8>> {
    let asked = read(frame)?;
    let (Asked::Query { query: Query { unit, .. }, .. }
    | Asked::Refused { unit, .. }
    | Asked::Identity { unit, .. }) = &asked;
    units.contains(unit).then(|| match &asked {
        Asked::Query { query, function } => answer(query, *function, module(query)),
        Asked::Refused { unit, function, exception } => refusal(*unit, *function, *exception),
        Asked::Identity { unit, code, first } => match identity::asked(*code, *first) {
            Ok(objects) => who(*unit, *code, &objects),
            Err(exception) => refusal(*unit, 0x2B, exception),
        },
    })
}

/// The frame that answers a query.
fn answer(query: &Query, function: u8, result: Result<Response, Exception>) -> Vec<u8> {
    let mut frame = vec![query.unit];
    match (result, &query.request) {
        (Err(exception), _) => frame.extend([function | 0x80, exception.0]),
        (Ok(Response::Values(words)), Request::Read { area, .. }) if area.is_bits() => {
            let bytes: Vec<u8> = words
                .chunks(8)
                .map(|chunk| (0..).zip(chunk).fold(0, |byte, (bit, word)| byte | u8::from(*word != 0) << bit))
                .collect();
            frame.push(function);
            frame.push(u8::try_from(bytes.len()).unwrap_or(u8::MAX));
            frame.extend(bytes);
        }
        (Ok(Response::Values(words)), _) => {
            frame.push(function);
            frame.push(u8::try_from(2 * words.len()).unwrap_or(u8::MAX));
            frame.extend(words.iter().flat_map(|word| word.to_be_bytes()));
        }
        (Ok(Response::Written), request) => {
            frame.push(function);
            frame.extend(echo(request));
        }
    }
    sealed(frame)
}

/// The frame of an exception response.
fn refusal(unit: u8, function: u8, exception: Exception) -> Vec<u8> {
    sealed(vec![unit, function | 0x80, exception.0])
}

/// The frame with the identification of the unit (6.21): basic objects as a stream or one by one, in a single frame.
fn who(unit: u8, code: u8, objects: &[IdentityObject]) -> Vec<u8> {
    let byte = |length: usize| u8::try_from(length).unwrap_or(u8::MAX);
    let mut frame = vec![unit, 0x2B, 0x0E, code, 0x81, 0, 0, byte(objects.len())];
    for (number, text) in objects {
        frame.extend([*number, byte(text.len())]);
        frame.extend(text);
    }
    sealed(frame)
}

/// The part of a write that its answer repeats: address and value of a single write, address and quantity of a multiple write.
fn echo(request: &Request) -> Vec<u8> {
    let quantity = |length: usize| u16::try_from(length).unwrap_or(u16::MAX);
    let (start, second) = match request {
        Request::WriteCoil { at, state } => (*at, if *state { 0xFF00 } else { 0 }),
        Request::WriteRegister { at, value } => (*at, *value),
        Request::WriteCoils { start, states } => (*start, quantity(states.len())),
        Request::WriteRegisters { start, values } => (*start, quantity(values.len())),
        Request::Read { start, count, .. } => (*start, *count),
    };
    [start.to_be_bytes(), second.to_be_bytes()].concat()
}

pub(crate) fn sealed(mut frame: Vec<u8>) -> Vec<u8> {
    let sum = crc(&frame);
    frame.extend(sum.to_le_bytes());
    frame
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn hex(text: &str) -> Vec<u8> {
        text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("hex")).collect()
    }

    // Frames of the application protocol V1.1b3, clauses 6.1 to 6.12 and 7, with CRC (recomputed with crccheck).
    #[rstest]
    #[case("11 01 00 13 00 13 8E 92", "11 01 03 CD 6B 05 40 12", &[1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1])]
    #[case("11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA", &[555, 0, 100])]
    #[case("11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4", &[10])]
    fn reads_are_answered_byte_for_byte(#[case] asked: &str, #[case] answered: &str, #[case] words: &[u16]) {
        let Some(Asked::Query { query, function }) = read(&hex(asked)) else { panic!("not read") };
        assert_eq!(answer(&query, function, Ok(Response::Values(words.to_vec()))), hex(answered));
    }

    #[rstest]
    #[case("11 05 00 AC FF 00 4E 8B", "11 05 00 AC FF 00 4E 8B")]
    #[case("11 06 00 01 00 03 9A 9B", "11 06 00 01 00 03 9A 9B")]
    #[case("11 0F 00 13 00 0A 02 CD 01 BF 0B", "11 0F 00 13 00 0A 26 99")]
    #[case("11 10 00 01 00 02 04 00 0A 01 02 C6 F0", "11 10 00 01 00 02 12 98")]
    fn writes_are_answered_byte_for_byte(#[case] asked: &str, #[case] answered: &str) {
        let Some(Asked::Query { query, function }) = read(&hex(asked)) else { panic!("not read") };
        assert_eq!(answer(&query, function, Ok(Response::Written)), hex(answered));
    }

    #[test]
    fn a_refusal_is_answered_byte_for_byte() {
        assert_eq!(refusal(0x11, 0x01, Exception::ILLEGAL_DATA_ADDRESS), hex("11 81 02 C0 54"));
    }

    // As the example of 6.21: a request for the basic objects and its answer, here with one object of two letters. The CRC over a
    // frame including its own CRC is 0.
    #[test]
    fn who_it_is_is_answered_byte_for_byte() {
        let asked = sealed(hex("11 2B 0E 01 00"));
        assert_eq!(read(&asked), Some(Asked::Identity { unit: 0x11, code: 1, first: 0 }));
        let said = who(0x11, 1, &[(0, b"ab".to_vec())]);
        assert_eq!(said[..12], hex("11 2B 0E 01 81 00 00 01 00 02 61 62"));
        assert_eq!((said.len(), crc(&said)), (14, 0));
    }

    #[rstest]
    #[case("11 01 00 13 00 13 8E 93")]
    #[case("11 01")]
    #[case("")]
    fn what_is_no_frame_is_met_with_silence(#[case] bytes: &str) {
        assert_eq!(read(&hex(bytes)), None);
    }
}
