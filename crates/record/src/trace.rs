//! The trace: all raw scans of a run, and its CSV form.

use std::ops::Range;
use thiserror::Error;
use tripbench_quantity::{Mono, Span};
use tripbench_rig::{Area, Block, ReadPlan, Scan};

/// All scans of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trace {
    /// The reads of each scan.
    pub plan: ReadPlan,
    /// The scans, in order.
    pub scans: Vec<Scan>,
}

/// Why a text is not a trace of a read plan.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum TraceError {
    /// The header row does not match the read plan.
    #[error("the columns do not match the record: expected `{expected}`, found `{found}`")]
    Columns {
        /// Columns of the read plan.
        expected: String,
        /// Columns found.
        found: String,
    },
    /// A line has a wrong number of fields, or a field that is not a number.
    #[error("line {line}: expected {expected} whole numbers, found `{found}`")]
    Line {
        /// Line number, from 1.
        line: usize,
        /// Expected number of fields.
        expected: usize,
        /// Text of the line.
        found: String,
    },
}

impl Trace {
    /// An empty trace.
    pub const fn new(plan: ReadPlan) -> Self {
        Self { plan, scans: Vec::new() }
    }

    /// Scans that ended in the closed interval `from..=to`.
    pub fn within(&self, from: Mono, to: Mono) -> &[Scan] {
        &self.scans[self.range(from, to)]
    }

    /// Indices of the scans that ended in the closed interval `from..=to`.
    pub fn range(&self, from: Mono, to: Mono) -> Range<usize> {
        let start = self.scans.partition_point(|scan| scan.end() < from);
        let end = self.scans.partition_point(|scan| scan.end() <= to);
        start..end.max(start)
    }

    /// The trace as CSV (RFC 4180, but lines end with LF): for each read its before and after in nanoseconds, then its raw values.
    pub fn to_csv(&self) -> String {
        let mut text = columns(&self.plan);
        text.push('\n');
        for scan in &self.scans {
            scan.write_csv(&mut text);
            text.push('\n');
        }
        text
    }

    /// Reads a trace with the columns of a read plan.
    ///
    /// # Errors
    /// If the columns do not match the plan, or a line does not have that number of whole numbers in range.
    pub fn from_csv(plan: ReadPlan, text: &str) -> Result<Self, TraceError> {
        let mut lines = text.lines();
        let (expected, found) = (columns(&plan), lines.next().unwrap_or_default());
        if expected != found {
            return Err(TraceError::Columns { expected, found: found.to_owned() });
        }
        let scans = lines
            .enumerate()
            .map(|(index, line)| read_line(&plan, index + 2, line))
            .collect::<Result<_, _>>()?;
        Ok(Self { plan, scans })
    }
}

fn read_line(plan: &ReadPlan, line: usize, text: &str) -> Result<Scan, TraceError> {
    let expected = plan.reads.iter().map(|read| usize::from(read.count) + 2).sum();
    let wrong = || TraceError::Line { line, expected, found: text.to_owned() };
    let fields: Vec<u64> = text.split(',').map(str::parse).collect::<Result<_, _>>().map_err(|_| wrong())?;
    if fields.len() != expected {
        return Err(wrong());
    }
    let mut rest = fields.as_slice();
    let mut blocks = Vec::with_capacity(plan.reads.len());
    for read in &plan.reads {
        let (block, after) = rest.split_at(usize::from(read.count) + 2);
        rest = after;
        let words = block[2..]
            .iter()
            .map(|&word| u16::try_from(word))
            .collect::<Result<_, _>>()
            .map_err(|_| wrong())?;
        let span = Span { before: Mono::from_nanos(block[0]), after: Mono::from_nanos(block[1]) };
        blocks.push(Block { span, words });
    }
    Ok(Scan { blocks: blocks.into() })
}

fn columns(plan: &ReadPlan) -> String {
    let mut names: Vec<String> = Vec::new();
    for read in &plan.reads {
        let area = match read.area {
            Area::Coil => "coil",
            Area::DiscreteInput => "discrete_input",
            Area::HoldingRegister => "holding_register",
            Area::InputRegister => "input_register",
        };
        let area = read.unit.map_or_else(|| area.to_owned(), |unit| format!("unit_{unit}_{area}"));
        names.push(format!("{area}_{}_before_ns", read.start));
        names.push(format!("{area}_{}_after_ns", read.start));
        names.extend((0..read.count).map(|offset| format!("{area}_{}", read.start + offset)));
    }
    names.join(",")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_trace_survives_its_csv(values in prop::collection::vec((0_u64..1 << 50, 0_u64..1 << 50, any::<u16>(), any::<bool>()), 0..40)) {
            let plan = ReadPlan::covering([(None, Area::InputRegister, 0), (None, Area::DiscreteInput, 3)], 0);
            let block = |before, after, word| Block {
                span: Span { before: Mono::from_nanos(before), after: Mono::from_nanos(after) },
                words: vec![word],
            };
            let scan = |&(before, after, word, bit): &(u64, u64, u16, bool)| Scan {
                blocks: [block(before, after, u16::from(bit)), block(before, after, word)].into(),
            };
            let trace = Trace { plan: plan.clone(), scans: values.iter().map(scan).collect() };
            prop_assert_eq!(Trace::from_csv(plan, &trace.to_csv()), Ok(trace));
        }
    }

    #[test]
    fn a_wrong_line_is_named() {
        let plan = ReadPlan::covering([(None, Area::InputRegister, 0)], 0);
        let text = "input_register_0_before_ns,input_register_0_after_ns,input_register_0\n1,2,3\n1,2\n";
        let error = Trace::from_csv(plan, text).expect_err("wrong").to_string();
        assert_eq!(error, "line 3: expected 3 whole numbers, found `1,2`");
    }
}
