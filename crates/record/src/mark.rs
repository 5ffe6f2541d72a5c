//! Marks: the labelled stretches of a trace. A step marks a stretch once it is complete; a discarded stretch has no mark.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tripbench_quantity::Mono;

/// Kind of a stretch of the trace.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Segment {
    /// Vented and at rest.
    Vented,
    /// Closed under vacuum, after settling.
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
    /// Evacuation at full flow past the window.
    FastRising {
        /// Operation, from 1.
        cycle: u16,
    },
    /// Venting from the deep end of the window, at a second, much larger rate.
    FastFalling {
        /// Operation, from 1.
        cycle: u16,
    },
    /// Nothing moves while the signals of the rig are observed.
    AtRest,
    /// An output was tried; starts before its write.
    Tried,
    /// The looped output was switched; starts before its write.
    Looped {
        /// Whether it was switched on.
        on: bool,
    },
    /// A person operated one output at its plug.
    Operated,
    /// A person answered whether the rig is as the program shows it; a moment, not a stretch.
    Answered {
        /// Whether it is.
        yes: bool,
    },
    /// Silence: nothing was sent; ends with the reads after it.
    Silent,
    /// Closed after a fast pull, while the gas warms up.
    Settling,
    /// A device drives the evacuation valve itself.
    Saving {
        /// Position of the device.
        position: u8,
    },
}

/// A stretch of the trace that belongs to a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Mark {
    /// Index of the step.
    pub step: u16,
    /// Kind of the stretch.
    pub segment: Segment,
    /// Start, nanoseconds.
    #[schemars(with = "u64")]
    pub from: Mono,
    /// End, nanoseconds.
    #[schemars(with = "u64")]
    pub to: Mono,
}

/// A stretch that was discarded and repeated.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Thrown {
    /// Index of the step.
    pub step: u16,
    /// Start, nanoseconds.
    #[schemars(with = "u64")]
    pub from: Mono,
    /// End, nanoseconds.
    #[schemars(with = "u64")]
    pub to: Mono,
    /// Reason.
    pub why: String,
}
