//! Encoding of quantities in raw registers, written independently of the decoding in the rig crate.

use tripbench_quantity::Quantity;
use tripbench_rig::{ActiveState, AnalogInput, DigitalInput, RawType, RegisterInput, WordOrder};

/// Registers with an SI value at an analog input; values beyond the range of the converter are clipped, as in a real module.
pub(crate) fn registers<Q: Quantity>(input: &AnalogInput<Q>, si: f64) -> Vec<u16> {
    let [first, second] = input.counts;
    let [low, high] = [input.values[0].si(), input.values[1].si()];
    let counts = first + (si - low) * (second - first) / (high - low);
    if input.raw == RawType::Float32 {
        #[expect(clippy::cast_possible_truncation, reason = "single precision is what the module has")]
        let bits = (counts as f32).to_bits();
        return two(bits, input.word_order);
    }
    let (least, most) = match input.raw {
        RawType::Unsigned16 => (0.0, f64::from(u16::MAX)),
        RawType::Signed16 => (f64::from(i16::MIN), f64::from(i16::MAX)),
        RawType::Unsigned32 => (0.0, f64::from(u32::MAX)),
        RawType::Signed32 | RawType::Float32 => (f64::from(i32::MIN), f64::from(i32::MAX)),
    };
    #[expect(clippy::cast_possible_truncation, reason = "clipped to the range before")]
    let whole = counts.round().clamp(least, most) as i64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "two's complement is what registers hold"
    )]
    let bits = whole as u32;
    words(bits, input.raw, input.word_order)
}

/// Registers with a count, which wraps around to 0.
pub(crate) fn count_words(input: &RegisterInput, count: u64) -> Vec<u16> {
    #[expect(clippy::cast_possible_truncation, reason = "a counter wraps around")]
    let bits = count as u32;
    words(bits, input.raw, input.word_order)
}

/// One register with the low 16 bits, or two registers.
fn words(bits: u32, raw: RawType, order: WordOrder) -> Vec<u16> {
    if raw.registers() == 1 {
        #[expect(clippy::cast_possible_truncation, reason = "the low 16 bits are the register")]
        let word = bits as u16;
        return vec![word];
    }
    two(bits, order)
}

fn two(bits: u32, order: WordOrder) -> Vec<u16> {
    #[expect(clippy::cast_possible_truncation, reason = "each half is taken")]
    let (high, low) = ((bits >> 16) as u16, bits as u16);
    match order {
        WordOrder::HighFirst => vec![high, low],
        WordOrder::LowFirst => vec![low, high],
    }
}

/// The raw bit of a digital input for a state.
pub(crate) fn raw_bit(input: &DigitalInput, on: bool) -> bool {
    match input.active {
        ActiveState::High => on,
        ActiveState::Low => !on,
    }
}
