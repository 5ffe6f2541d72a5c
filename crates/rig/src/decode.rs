//! Decoding of raw scans: finds each signal in the blocks and rejects values that cannot be trusted.

use crate::command::OutputImage;
use crate::read_plan::ReadPlan;
use crate::scan::Scan;
use crate::sheet::{Output, ReferenceKind, RigSheet};
use crate::signal::{AnalogInput, DigitalInput, RegisterInput, WordOrder};
use thiserror::Error;
use tripbench_quantity::{AbsolutePressure, AirPressure, Quantity, Span, VacuumLevel};

/// An analog value and the time of its read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Analog<Q> {
    /// The value.
    pub value: Q,
    /// Time of the read.
    pub span: Span,
}

/// A digital state and the time of its read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bit {
    /// On or off.
    pub on: bool,
    /// Time of the read.
    pub span: Span,
}

/// Reason why an analog value cannot be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum AnalogFault {
    /// Loop current below the measuring range of NAMUR NE 43, which starts at 3.8 mA.
    #[error(
        "the loop current is {milliampere:.2} mA, below 3.8 mA: broken wire, or transducer without power"
    )]
    BelowLiveZero {
        /// The loop current, in milliamperes.
        milliampere: f64,
    },
    /// Loop current above the measuring range of NAMUR NE 43, which ends at 20.5 mA.
    #[error(
        "the loop current is {milliampere:.2} mA, above 20.5 mA: short circuit, failed or overloaded transducer"
    )]
    AboveRange {
        /// The loop current, in milliamperes.
        milliampere: f64,
    },
    /// Voltage outside the limits of its signal.
    #[error("the signal is {volts:.2} V, outside {} to {} V: broken wire, failed or overloaded transducer", allowed[0], allowed[1])]
    OutsideVolts {
        /// The voltage, in volts.
        volts: f64,
        /// Lowest and highest voltage allowed.
        allowed: [f64; 2],
    },
    /// The value is not finite, or not in the scan.
    #[error("the value is missing or not a finite number")]
    NotANumber,
}

/// Decoder of the scans of one read plan.
#[derive(Debug, Clone)]
pub struct Decoder {
    plan: ReadPlan,
}

impl Decoder {
    /// A decoder for scans of `plan`.
    pub const fn new(plan: ReadPlan) -> Self {
        Self { plan }
    }

    /// The read plan of its scans.
    pub const fn plan(&self) -> &ReadPlan {
        &self.plan
    }

    /// Whether a scan has a block of the right length for every read of the plan.
    pub fn accepts(&self, scan: &Scan) -> bool {
        scan.blocks.len() == self.plan.reads.len()
            && scan
                .blocks
                .iter()
                .zip(&self.plan.reads)
                .all(|(block, read)| block.words.len() == usize::from(read.count))
    }

    /// The value of an analog input.
    ///
    /// # Errors
    /// If the loop current is outside the measuring range of NAMUR NE 43 (3.8 to 20.5 mA), the voltage is outside the limits of
    /// its signal, or the value is not finite or not in the scan.
    pub fn analog<Q: Quantity>(&self, scan: &Scan, input: &AnalogInput<Q>) -> Result<Analog<Q>, AnalogFault> {
        let (words, span) = self.words(scan, input).ok_or(AnalogFault::NotANumber)?;
        let counts = input
            .raw
            .number(words, input.word_order)
            .filter(|counts| counts.is_finite())
            .ok_or(AnalogFault::NotANumber)?;
        if let Some(current) = input.loop_current(counts) {
            let milliampere = current.si() * 1e3;
            if milliampere < 3.8 {
                return Err(AnalogFault::BelowLiveZero { milliampere });
            }
            if milliampere > 20.5 {
                return Err(AnalogFault::AboveRange { milliampere });
            }
        }
        if let Some((volts, allowed)) =
            input.volts(counts).filter(|(volts, [low, high])| !(*low <= *volts && *volts <= *high))
        {
            return Err(AnalogFault::OutsideVolts { volts, allowed });
        }
        Ok(Analog { value: input.value(counts), span })
    }

    /// The vacuum level of the reference, uncorrected.
    ///
    /// # Errors
    /// As [`Decoder::analog`]; for an absolute reference also for the ambient input.
    pub fn level(&self, scan: &Scan, rig: &RigSheet) -> Result<Analog<VacuumLevel>, AnalogFault> {
        let read = self.analog(scan, &rig.reference.input)?;
        if rig.reference.kind == ReferenceKind::Gauge {
            return Ok(read);
        }
        let ambient = rig.ambient.as_ref().ok_or(AnalogFault::NotANumber)?;
        let ambient: Analog<AbsolutePressure> = self.analog(scan, ambient)?;
        Ok(Analog { value: VacuumLevel::new(ambient.value.si() - read.value.si()), span: read.span })
    }

    /// The air pressure; `None` if the rig does not measure it.
    ///
    /// # Errors
    /// As [`Decoder::analog`].
    pub fn air_pressure(
        &self,
        scan: &Scan,
        rig: &RigSheet,
    ) -> Option<Result<Analog<AirPressure>, AnalogFault>> {
        rig.air_pressure.as_ref().map(|input| self.analog(scan, input))
    }

    /// The state of a digital input; `None` if the scan does not contain it.
    pub fn bit(&self, scan: &Scan, input: &DigitalInput) -> Option<Bit> {
        let (block, offset) = self.plan.find(input.at.cell())?;
        let block = scan.blocks.get(block)?;
        Some(Bit { on: input.state(*block.words.get(offset)?), span: block.span })
    }

    /// The state of a digital input in each scan that contains it.
    pub fn bits<'s>(&self, scans: impl Iterator<Item = &'s Scan>, input: &DigitalInput) -> Vec<Bit> {
        let Some((block, offset)) = self.plan.find(input.at.cell()) else { return Vec::new() };
        let bit = |scan: &Scan| {
            let block = scan.blocks.get(block)?;
            Some(Bit { on: input.state(*block.words.get(offset)?), span: block.span })
        };
        scans.filter_map(bit).collect()
    }

    /// The state of a digital input in a scan, `None` if the scan does not contain it; its place is looked up once for many scans.
    pub fn state<'s>(&self, input: &'s DigitalInput) -> impl Fn(&Scan) -> Option<bool> + use<'s> {
        let place = self.plan.find(input.at.cell());
        move |scan| {
            let (block, offset) = place?;
            Some(input.state(*scan.blocks.get(block)?.words.get(offset)?))
        }
    }

    /// The states of all outputs in a scan, in the order of the rig sheet; `None` if one is missing.
    pub fn outputs(&self, scan: &Scan, rig: &RigSheet) -> Option<OutputImage> {
        rig.outputs.iter().map(|output| self.output(scan, output)).collect()
    }

    /// The state of one output in a scan; `None` if the scan does not contain it.
    pub fn output(&self, scan: &Scan, output: &Output) -> Option<u16> {
        let (block, offset) = self.plan.find(output.at.cell())?;
        Some(output.within(*scan.blocks.get(block)?.words.get(offset)?))
    }

    /// An unsigned whole number in registers, and the time of its read; `None` if the scan does not contain it.
    pub fn count(&self, scan: &Scan, input: &RegisterInput) -> Option<(u64, Span)> {
        let (block, offset) = self.plan.find(input.at.cell())?;
        let block = scan.blocks.get(block)?;
        let words = block.words.get(offset..)?;
        let &first = words.first()?;
        if input.raw.registers() == 1 {
            return Some((u64::from(first), block.span));
        }
        let &second = words.get(1)?;
        let (high, low) =
            if input.word_order == WordOrder::HighFirst { (first, second) } else { (second, first) };
        Some((u64::from(high) << 16 | u64::from(low), block.span))
    }

    fn words<'s, Q>(&self, scan: &'s Scan, input: &AnalogInput<Q>) -> Option<(&'s [u16], Span)> {
        let (block, offset) = self.plan.find(input.at.cell())?;
        let block = scan.blocks.get(block)?;
        Some((block.words.get(offset..)?, block.span))
    }
}

#[cfg(test)]
mod tests;
