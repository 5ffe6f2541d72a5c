//! Instructions to the operator of a rig without valves: direction, rate, and when to hold.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tripbench_quantity::{LevelRate, VacuumLevel};
use tripbench_sheet::words;

words! {
    /// What the operator should do.
    #[derive(JsonSchema)]
    pub enum Hint {
        /// Pull vacuum.
        Deeper = "deeper",
        /// Let air in slowly.
        LessDeep = "less-deep",
        /// Close everything and keep it closed.
        Hold = "hold",
        /// Open to ambient.
        LetIn = "let-in",
        /// Continue more slowly.
        Slower = "slower",
        /// Continue faster.
        Faster = "faster",
        /// Continue at this rate.
        Steady = "steady",
    }
}

/// An instruction to the operator, which applies until the next one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Guide {
    /// What the operator should do.
    pub hint: Hint,
    /// The level to approach, if any.
    #[schemars(with = "Option<f64>")]
    pub toward: Option<VacuumLevel>,
    /// The desired rate as an absolute value, if any.
    #[schemars(with = "Option<f64>")]
    pub rate: Option<LevelRate>,
}
