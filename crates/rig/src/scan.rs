//! A scan: one round of raw reads, each with the times before and after it.

use serde::{Deserialize, Serialize};
use std::sync::Arc;
use tripbench_quantity::{Mono, Span};

/// The answer to one read of the plan.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Block {
    /// Time before the request was sent and after the answer was received.
    pub span: Span,
    /// Raw words: registers, or bits as 0 and 1.
    pub words: Vec<u16>,
}

/// One round of reads: a block for each read of the [`ReadPlan`](crate::ReadPlan), in the same order.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Scan {
    /// The blocks, shared by the trace, the record and whoever looks on.
    pub blocks: Arc<[Block]>,
}

impl Scan {
    /// Time at which the first request was sent; the start of the run if there are no blocks.
    pub fn start(&self) -> Mono {
        self.blocks.iter().map(|block| block.span.before).min().unwrap_or_default()
    }

    /// Time at which the last answer was received; the start of the run if there are no blocks.
    pub fn end(&self) -> Mono {
        self.blocks.iter().map(|block| block.span.after).max().unwrap_or_default()
    }

    /// Appends the scan as comma-separated fields: for each block its before and after in nanoseconds, then its raw values.
    pub fn write_csv(&self, text: &mut String) {
        let mut digits = itoa::Buffer::new();
        let fields = self.blocks.iter().flat_map(|block| {
            let span = [block.span.before.nanos(), block.span.after.nanos()];
            span.into_iter().chain(block.words.iter().map(|word| u64::from(*word)))
        });
        let mut separator = "";
        for field in fields {
            text.push_str(separator);
            text.push_str(digits.format(field));
            separator = ",";
        }
    }
}

/// A block is serialized as `[before, after, [words]]`, times in nanoseconds.
impl Serialize for Block {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        (self.span.before, self.span.after, &self.words).serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for Block {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let (before, after, words) = Deserialize::deserialize(deserializer)?;
        Ok(Self { span: Span { before, after }, words })
    }
}
