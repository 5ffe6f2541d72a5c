//! How the air is moved through a window: by valves, by a regulator, in pulses, or by hand.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tripbench_quantity::{LevelRate, TimeSpan};
use tripbench_rig::Air;
use tripbench_sheet::words;

words! {
    /// How the air is moved, as a script names it.
    pub enum Way {
        /// The valve at full flow.
        FullFlow = "full-flow",
        /// The valve with a throttle.
        Throttled = "throttled",
        /// The set point of a regulator, little by little.
        Regulated = "regulated",
        /// One short pulse after the other, each left to settle.
        Pulses = "pulses",
        /// A person, who is told the rate.
        ByHand = "by-hand",
    }
}

/// How the air is moved in one direction, with its figures.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "way", rename_all = "kebab-case")]
pub enum Motion {
    /// The valve at full flow.
    FullFlow,
    /// The valve with a throttle.
    Throttled,
    /// The set point of a regulator, little by little.
    Regulated {
        /// Rate of the set point, absolute.
        #[schemars(with = "f64")]
        rate: LevelRate,
    },
    /// One short pulse after the other, each left to settle.
    Pulses {
        /// What the air does in a pulse.
        air: Air,
        /// From the valve's order read back to the order that closes it.
        #[schemars(with = "f64")]
        pulse: TimeSpan,
        /// Time left after each.
        #[schemars(with = "f64")]
        settle: TimeSpan,
    },
    /// A person, who is told the rate.
    ByHand {
        /// The rate wanted, absolute.
        #[schemars(with = "f64")]
        rate: LevelRate,
    },
}

impl Motion {
    /// What the air does by it, towards deeper or less deep.
    pub const fn air(self, deeper: bool) -> Air {
        match (self, deeper) {
            (Self::Throttled, true) => Air::EvacuateFine,
            (Self::Throttled, false) => Air::Bleed,
            (Self::Pulses { air, .. }, _) => air,
            (Self::FullFlow | Self::Regulated { .. } | Self::ByHand { .. }, _) => Air::full_flow(deeper),
        }
    }

    /// Whether one valve stays open all through: then the rate at a level is the rig's own, and tells of it.
    pub const fn is_free(self) -> bool {
        matches!(self, Self::FullFlow | Self::Throttled)
    }
}
