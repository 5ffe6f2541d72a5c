//! How the level is moved through a window: by valves, by a regulator, in pulses, or by hand.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tripbench_quantity::{LevelRate, TimeSpan};
use tripbench_rig::Air;
use tripbench_sheet::words;

words! {
    /// How the level is moved, as named in a script.
    pub enum Way {
        /// The valve at full flow.
        FullFlow = "full-flow",
        /// The valve with a throttle.
        Throttled = "throttled",
        /// The set point of a regulator, in small steps.
        Regulated = "regulated",
        /// Short pulses, each followed by time to settle.
        Pulses = "pulses",
        /// A person, guided to the wanted rate.
        ByHand = "by-hand",
    }
}

/// How the level is moved in one direction, with its parameters.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "way", rename_all = "kebab-case")]
pub enum Motion {
    /// The valve at full flow.
    FullFlow,
    /// The valve with a throttle.
    Throttled,
    /// The set point of a regulator, in small steps.
    Regulated {
        /// Rate of the set point, absolute.
        #[schemars(with = "f64")]
        rate: LevelRate,
    },
    /// Short pulses, each followed by time to settle.
    Pulses {
        /// State of the air in a pulse.
        air: Air,
        /// Length of a pulse: from the read-back of the order that opens the valve to the order that closes it.
        #[schemars(with = "f64")]
        pulse: TimeSpan,
        /// Settling time after each pulse.
        #[schemars(with = "f64")]
        settle: TimeSpan,
    },
    /// A person, guided to the wanted rate.
    ByHand {
        /// Wanted rate, absolute.
        #[schemars(with = "f64")]
        rate: LevelRate,
    },
}

impl Motion {
    /// The state of the air that this motion orders, towards deeper or less deep.
    pub const fn air(self, deeper: bool) -> Air {
        match (self, deeper) {
            (Self::Throttled, true) => Air::EvacuateFine,
            (Self::Throttled, false) => Air::Bleed,
            (Self::Pulses { air, .. }, _) => air,
            (Self::FullFlow | Self::Regulated { .. } | Self::ByHand { .. }, _) => Air::full_flow(deeper),
        }
    }

    /// Whether one valve stays open throughout, so that the rate at each level is a property of the rig.
    pub const fn is_free(self) -> bool {
        matches!(self, Self::FullFlow | Self::Throttled)
    }
}
