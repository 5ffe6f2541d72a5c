//! A scan: one round of reads, raw, each with its own before and after.

use serde::{Deserialize, Serialize};
use tripbench_quantity::{Mono, Span};

/// The answer to one read of the plan.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Block {
    /// Before the request went out and after the answer was in.
    pub span: Span,
    /// Raw registers; bits as 0 and 1.
    pub words: Vec<u16>,
}

/// One round of reads: a block for each read of the [`ReadPlan`](crate::ReadPlan), in its order.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Scan {
    /// The blocks.
    pub blocks: Vec<Block>,
}

impl Scan {
    /// When the first request went out.
    pub fn start(&self) -> Mono {
        self.blocks.iter().map(|block| block.span.before).min().unwrap_or_default()
    }

    /// When the last answer was in.
    pub fn end(&self) -> Mono {
        self.blocks.iter().map(|block| block.span.after).max().unwrap_or_default()
    }
}

/// On the wire a block is `[before, after, [words]]`.
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
