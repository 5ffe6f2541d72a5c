//! Marks: which part of a trace is what. A step marks a stretch when it is complete; what was thrown away has no mark.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tripbench_quantity::Mono;

/// What a stretch of the trace is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Segment {
    /// Vented and at rest.
    Vented,
    /// Closed under vacuum, settled.
    Closed,
    /// Vacuum gets deeper through the window.
    Rising {
        /// Cycle, from 1.
        cycle: u16,
    },
    /// Vacuum gets less deep through the window.
    Falling {
        /// Cycle, from 1.
        cycle: u16,
    },
    /// Evacuated at full flow past the window.
    FastRising {
        /// Operation, from 1.
        cycle: u16,
    },
    /// Vented from the deep end of the window: a second, much larger rate.
    FastFalling {
        /// Operation, from 1.
        cycle: u16,
    },
    /// Nothing moves; the rig is looked at.
    AtRest,
    /// An output was tried, from before its write on.
    Tried,
    /// The looped output was switched, from before its write on.
    Looped {
        /// To on.
        on: bool,
    },
    /// A person operated one output at its plug.
    Operated,
    /// Nothing was sent, and what was found afterwards.
    Silent,
    /// Closed after a fast pull, the gas warming.
    Settling,
    /// A device drives the evacuation valve itself.
    Saving {
        /// Its position.
        position: u8,
    },
}

/// A stretch of the trace that belongs to a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Mark {
    /// Index of the step.
    pub step: u16,
    /// What it is.
    pub segment: Segment,
    /// Its start, nanoseconds.
    #[schemars(with = "u64")]
    pub from: Mono,
    /// Its end, nanoseconds.
    #[schemars(with = "u64")]
    pub to: Mono,
}

/// A stretch that was thrown away and repeated.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Thrown {
    /// Index of the step.
    pub step: u16,
    /// Its start, nanoseconds.
    #[schemars(with = "u64")]
    pub from: Mono,
    /// Its end, nanoseconds.
    #[schemars(with = "u64")]
    pub to: Mono,
    /// Why.
    pub why: String,
}
