//! Times of a serial line: characters, silences, transactions (MODBUS over Serial Line V1.02, 2.5.1.1).

use crate::modbus::Request;
use std::time::Duration;
use tripbench_sheet::words;

words! {
    /// Parity of a character.
    pub enum Parity {
        /// Even, the default of the standard.
        Even = "even",
        /// Odd.
        Odd = "odd",
        /// None; the standard then requires two stop bits.
        None = "none",
    }
}

/// Bits of a character: start bit, eight data bits, parity bit or second stop bit, stop bit.
const BITS_PER_CHARACTER: u64 = 11;
/// Highest rate at which silences are counted in characters; above it they are fixed times.
const STRICT_UP_TO_BAUD: u32 = 19_200;

/// Times on a serial line with a given baud rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SerialTiming {
    baud: u32,
}

impl SerialTiming {
    /// Times at a baud rate of 1 or more; 0 counts as 1.
    pub fn at(baud: u32) -> Self {
        Self { baud: baud.max(1) }
    }

    fn bits(self, half_bits: u64) -> Duration {
        Duration::from_nanos(half_bits * 500_000_000 / u64::from(self.baud))
    }

    /// Time on the wire of `count` characters.
    pub fn characters(self, count: usize) -> Duration {
        self.bits(2 * BITS_PER_CHARACTER * count as u64)
    }

    /// Longest silence within a frame, T1.5.
    pub fn within_frame(self) -> Duration {
        if self.baud > STRICT_UP_TO_BAUD {
            Duration::from_micros(750)
        } else {
            self.bits(3 * BITS_PER_CHARACTER)
        }
    }

    /// Shortest silence between two frames, T3.5.
    pub fn between_frames(self) -> Duration {
        if self.baud > STRICT_UP_TO_BAUD {
            Duration::from_micros(1_750)
        } else {
            self.bits(7 * BITS_PER_CHARACTER)
        }
    }

    /// Shortest time from one request to the next: two frames and two silences, without the response time of the slave.
    pub fn transaction(self, request: &Request) -> Duration {
        let (asked, answered) = request.rtu_lengths();
        self.characters(asked + answered) + 2 * self.between_frames()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::address::Area;
    use rstest::rstest;

    // MODBUS over Serial Line V1.02, 2.5.1.1: 11 bits a character; computed milliseconds of T1.5 and T3.5.
    #[rstest]
    #[case(1_200, 13.75, 32.083_333_3)]
    #[case(2_400, 6.875, 16.041_666_7)]
    #[case(4_800, 3.437_5, 8.020_833_3)]
    #[case(9_600, 1.718_75, 4.010_416_7)]
    #[case(19_200, 0.859_375, 2.005_208_3)]
    #[case(38_400, 0.75, 1.75)]
    #[case(115_200, 0.75, 1.75)]
    fn silences_agree_with_the_serial_line_guide(
        #[case] baud: u32,
        #[case] inner_ms: f64,
        #[case] outer_ms: f64,
    ) {
        let timing = SerialTiming::at(baud);
        assert!((timing.within_frame().as_secs_f64() * 1e3 - inner_ms).abs() < 1e-6);
        assert!((timing.between_frames().as_secs_f64() * 1e3 - outer_ms).abs() < 1e-6);
    }

    // T = (8 + 5 + 2n)·11/baud + 2·T3.5 for function 04; the reply of function 02 has 5 + ceil(n/8) bytes.
    #[rstest]
    #[case(9_600, Area::InputRegister, 1, 25.21)]
    #[case(9_600, Area::InputRegister, 8, 41.25)]
    #[case(19_200, Area::InputRegister, 2, 13.75)]
    #[case(115_200, Area::InputRegister, 2, 5.12)]
    #[case(9_600, Area::DiscreteInput, 8, 24.06)]
    fn transactions_take_both_frames_and_both_silences(
        #[case] baud: u32,
        #[case] area: Area,
        #[case] count: u16,
        #[case] expected_ms: f64,
    ) {
        let time = SerialTiming::at(baud).transaction(&Request::Read { area, start: 0, count });
        assert!((time.as_secs_f64() * 1e3 - expected_ms).abs() < 0.006, "{time:?}");
    }
}
