//! Signals: the conversion of raw registers and bits to quantities and states.

use crate::address::PointAddress;
use crate::read_plan::Cell;
use tripbench_quantity::{Current, Quantity};
use tripbench_sheet::{At, Field, Finding, Reader, Wording, words};

words! {
    /// Number format in registers.
    pub enum RawType {
        /// 16 bits, unsigned.
        Unsigned16 = "u16",
        /// 16 bits, two's complement.
        Signed16 = "i16",
        /// 32 bits, unsigned.
        Unsigned32 = "u32",
        /// 32 bits, two's complement.
        Signed32 = "i32",
        /// IEEE 754 single precision.
        Float32 = "f32",
    }
}

words! {
    /// Order of the two registers of a 32-bit value.
    pub enum WordOrder {
        /// The more significant register first.
        HighFirst = "high-first",
        /// The less significant register first.
        LowFirst = "low-first",
    }
}

words! {
    /// Signal of the transducer.
    pub enum AnalogSignal {
        /// Raw counts, scaled by two points, without fault limits.
        TwoPoint = "two-point",
        /// 4–20 mA with the fault limits of NAMUR NE 43; the two points are at 4 and 20 mA.
        LiveZero = "4-20 mA",
        /// 0–10 V; the two points are at 0 and 10 V. A broken wire reads as 0 V, like the value at 0 V.
        Volts = "0-10 V",
        /// −10 to 10 V; the two points are at −10 and 10 V.
        BipolarVolts = "+/-10 V",
    }
}

words! {
    /// Raw state that means on.
    pub enum ActiveState {
        /// 1 is on.
        High = "high",
        /// 0 is on.
        Low = "low",
    }
}

impl RawType {
    /// Number of registers of one value.
    pub const fn registers(self) -> u16 {
        match self {
            Self::Unsigned16 | Self::Signed16 => 1,
            Self::Unsigned32 | Self::Signed32 | Self::Float32 => 2,
        }
    }

    /// The number at the start of `words`; `None` if there are too few.
    pub fn number(self, words: &[u16], order: WordOrder) -> Option<f64> {
        let &first = words.first()?;
        if self.registers() == 1 {
            return Some(if self == Self::Signed16 {
                f64::from(first.cast_signed())
            } else {
                f64::from(first)
            });
        }
        let &second = words.get(1)?;
        let (high, low) = if order == WordOrder::HighFirst { (first, second) } else { (second, first) };
        let bits = u32::from(high) << 16 | u32::from(low);
        Some(match self {
            Self::Float32 => f64::from(f32::from_bits(bits)),
            Self::Signed32 => f64::from(bits.cast_signed()),
            Self::Unsigned32 | Self::Unsigned16 | Self::Signed16 => f64::from(bits),
        })
    }
}

/// An unsigned whole number in one or two registers.
#[derive(Debug, Clone, PartialEq)]
pub struct RegisterInput {
    /// Address of its first register.
    pub at: At<PointAddress>,
    /// Number format.
    pub raw: RawType,
    /// Order of the registers of a 32-bit value.
    pub word_order: WordOrder,
}

impl RegisterInput {
    /// Reads the keys of a register with an unsigned whole number.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let at = register_address(reader);
        let raw = reader.or("raw", "u16 or u32", RawType::Unsigned16);
        let raw =
            reader.tested(raw, "u16 or u32", |raw| matches!(raw, RawType::Unsigned16 | RawType::Unsigned32));
        let word_order =
            reader.or("word_order", "order of the two registers of a 32-bit value", WordOrder::HighFirst);
        Some(Self { at: at?, raw: raw?.value, word_order: word_order?.value })
    }

    /// Addresses of its registers.
    pub fn cells(&self) -> Vec<Cell> {
        cells(self.at.value, self.raw)
    }

    /// Number of different values: after the last one it wraps to 0.
    pub fn modulus(&self) -> u64 {
        1 << (16 * u64::from(self.raw.registers()))
    }
}

/// A linear scale from raw counts to a quantity, given by two points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale<Q> {
    /// Raw counts at the two points.
    pub counts: [f64; 2],
    /// The quantity at the two points.
    pub values: [Q; 2],
}

fn register_address(reader: &Reader<'_>) -> Option<At<PointAddress>> {
    let at = reader.required("at", "address of the first register, such as \"input-register 0\"");
    reader.tested(at, "a register, not a bit", |at: &PointAddress| !at.area.is_bits() && at.bit.is_none())
}

fn cells(at: PointAddress, raw: RawType) -> Vec<Cell> {
    (0..raw.registers()).map(|offset| (at.unit, at.area, at.number.saturating_add(offset))).collect()
}

words! {
    /// Edges that a counter counts.
    pub enum Edges {
        /// Every change.
        Both = "both",
        /// Only changes of the raw bit from 0 to 1.
        Rising = "rising",
    }
}

/// A counter in the module for the edges of a digital input.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeCounter {
    /// Its registers.
    pub register: RegisterInput,
    /// Edges that it counts.
    pub edges: Edges,
}

impl EdgeCounter {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let register = RegisterInput::read(reader);
        let edges = reader.or("edges", "both or rising", Edges::Both);
        Some(Self { register: register?, edges: edges?.value })
    }
}

/// An analog input that measures a quantity `Q`.
#[derive(Debug, Clone, PartialEq)]
pub struct AnalogInput<Q> {
    /// Address of its first register.
    pub at: At<PointAddress>,
    /// Number format.
    pub raw: RawType,
    /// Order of the registers of a 32-bit value.
    pub word_order: WordOrder,
    /// Signal of the transducer.
    pub signal: AnalogSignal,
    /// Raw counts at the two points.
    pub counts: [f64; 2],
    /// The quantity at the two points.
    pub values: [Q; 2],
    /// Smallest step of the reading in SI units, if the sheet gives it.
    pub step: Option<f64>,
}

impl<Q: Quantity + Field> AnalogInput<Q> {
    /// Reads the keys of an analog input.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let at = register_address(reader);
        let raw = reader.or("raw", "number format in the registers", RawType::Signed16);
        let word_order =
            reader.or("word_order", "order of the two registers of a 32-bit value", WordOrder::HighFirst);
        let signal = reader.or("signal", "signal of the transducer", AnalogSignal::TwoPoint);
        let counts: Option<At<[f64; 2]>> = reader.required(
            "counts",
            "raw counts at two points (4 and 20 mA, 0 and 10 V, or -10 and 10 V for those signals)",
        );
        let values: Option<At<[Q; 2]>> = reader.required("values", "the quantity at the same two points");
        let step = reader.optional::<Q>(
            "resolution",
            "smallest step of the reading, for a floating-point register; by default it is taken from the readings",
        );
        if let Some(counts) = counts.as_ref().filter(|counts| (counts[0] - counts[1]).abs() < f64::EPSILON) {
            let wording = Wording::new(
                "both points have the same counts",
                "these two are equal",
                "give two different counts",
            );
            reader.finding(Finding::error("points-coincide", &counts.place, wording));
            return None;
        }
        let falling = counts.as_ref().filter(|counts| counts[0] > counts[1]);
        if let (Some(counts), Some(AnalogSignal::LiveZero)) =
            (falling, signal.as_ref().map(|signal| signal.value))
        {
            let wording = Wording::new(
                "the counts at 4 mA are higher than those at 20 mA",
                "were these swapped?",
                "write [counts at 4 mA, counts at 20 mA]",
            );
            reader.finding(Finding::error("counts-swapped", &counts.place, wording));
            return None;
        }
        Some(Self {
            at: at?,
            raw: raw?.value,
            word_order: word_order?.value,
            signal: signal?.value,
            counts: counts?.value,
            values: values?.value,
            step: step?.map(|step| step.value.si().abs()),
        })
    }
}

impl<Q: Quantity> AnalogInput<Q> {
    /// The quantity for raw counts.
    pub fn value(&self, counts: f64) -> Q {
        let [low, high] = self.values.map(Quantity::si);
        Q::from_si(low + (counts - self.counts[0]) / (self.counts[1] - self.counts[0]) * (high - low))
    }

    /// Addresses of its registers.
    pub fn cells(&self) -> Vec<Cell> {
        cells(self.at.value, self.raw)
    }

    /// Voltage for raw counts, and the lowest and highest voltage allowed; `None` unless it is a voltage signal. The limits are
    /// 5 % of the span beyond either end: a judgement of this project, because there is no standard.
    pub fn volts(&self, counts: f64) -> Option<(f64, [f64; 2])> {
        let share = (counts - self.counts[0]) / (self.counts[1] - self.counts[0]);
        match self.signal {
            AnalogSignal::Volts => Some((10.0 * share, [-0.5, 10.5])),
            AnalogSignal::BipolarVolts => Some((20.0 * share - 10.0, [-11.0, 11.0])),
            AnalogSignal::TwoPoint | AnalogSignal::LiveZero => None,
        }
    }

    /// Loop current for raw counts; `None` unless it is a live-zero signal.
    pub fn loop_current(&self, counts: f64) -> Option<Current> {
        let share = (counts - self.counts[0]) / (self.counts[1] - self.counts[0]);
        (self.signal == AnalogSignal::LiveZero).then(|| Current::new(0.004 + share * 0.016))
    }

    /// Counts at which the converter saturates: the limits of its number format, and for 0–10 V also the counts at 0 V.
    pub fn stops(&self) -> Vec<f64> {
        let ends = match self.raw {
            RawType::Unsigned16 => vec![0.0, f64::from(u16::MAX)],
            RawType::Signed16 => vec![f64::from(i16::MIN), f64::from(i16::MAX)],
            RawType::Unsigned32 => vec![0.0, f64::from(u32::MAX)],
            RawType::Signed32 => vec![f64::from(i32::MIN), f64::from(i32::MAX)],
            RawType::Float32 => Vec::new(),
        };
        let zero_volts = (self.signal == AnalogSignal::Volts).then_some(self.counts[0]);
        ends.into_iter().chain(zero_volts).collect()
    }

    /// Smallest step of the quantity in SI units: as given in the sheet, otherwise one raw count. For a floating-point number the
    /// count is its last digit at the larger of the two points.
    pub fn resolution(&self) -> f64 {
        let per_count =
            ((self.values[1].si() - self.values[0].si()) / (self.counts[1] - self.counts[0])).abs();
        let count = match self.raw {
            RawType::Float32 => {
                f64::from(f32::EPSILON) * self.counts.iter().fold(0.0_f64, |most, at| most.max(at.abs()))
            }
            RawType::Unsigned16 | RawType::Signed16 | RawType::Unsigned32 | RawType::Signed32 => 1.0,
        };
        self.step.unwrap_or(per_count * count)
    }

    /// Whether the smallest step can only be taken from the readings.
    pub const fn step_unknown(&self) -> bool {
        matches!(self.raw, RawType::Float32) && self.step.is_none()
    }
}

/// A digital input.
#[derive(Debug, Clone, PartialEq)]
pub struct DigitalInput {
    /// Address of its bit.
    pub at: At<PointAddress>,
    /// Raw state that means on.
    pub active: ActiveState,
    /// Counter of its edges in the module, which also shows edges between two scans.
    pub counter: Option<EdgeCounter>,
    /// Register with the time of the last edge on the module's clock.
    pub capture: Option<RegisterInput>,
}

impl DigitalInput {
    /// Reads the keys of a digital input.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let at = reader.required("at", "address of the bit, such as \"discrete-input 0\"");
        let at = reader.tested(
            at,
            "a coil, a discrete input, or \"… bit n\" of a register",
            |at: &PointAddress| at.area.is_bits() != at.bit.is_some(),
        );
        let active = reader.or("active", "raw state that means on", ActiveState::High);
        let counter =
            reader.optional_table("counter", "counter of its edges in the module", EdgeCounter::read);
        let about = "register with the time of its last edge on the module's clock";
        let capture = reader.optional_table("capture", about, RegisterInput::read);
        Some(Self { at: at?, active: active?.value, counter: counter?, capture: capture? })
    }

    /// Addresses of all its words: state, counter, capture.
    pub fn cells(&self) -> Vec<Cell> {
        let counter = self.counter.iter().flat_map(|counter| counter.register.cells());
        let capture = self.capture.iter().flat_map(RegisterInput::cells);
        std::iter::once(self.at.cell()).chain(counter).chain(capture).collect()
    }

    /// The state for the raw word at its address.
    pub fn state(&self, word: u16) -> bool {
        let raw = self.at.bit.map_or(word != 0, |bit| word >> bit & 1 == 1);
        raw == (self.active == ActiveState::High)
    }
}
