//! What a person at a rig without valves is told: which way, how fast, and when to hold.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tripbench_quantity::{LevelRate, VacuumLevel};
use tripbench_sheet::words;

words! {
    /// What to do.
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
        /// Go on, slower.
        Slower = "slower",
        /// Go on, faster.
        Faster = "faster",
        /// Go on just so.
        Steady = "steady",
    }
}

/// What a person is told, from now until told otherwise.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Guide {
    /// What to do.
    pub hint: Hint,
    /// The level to go to.
    #[schemars(with = "Option<f64>")]
    pub toward: Option<VacuumLevel>,
    /// The rate wanted, absolute.
    #[schemars(with = "Option<f64>")]
    pub rate: Option<LevelRate>,
}
