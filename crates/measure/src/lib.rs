//! Evaluation of samples and edges: fits, intervals, results with uncertainty, decisions.
//!
//! Pure functions of numbers: no I/O, no logging, no async, no knowledge of devices or rigs. SI units throughout; a bare
//! `f64` carries its unit in its name.

mod budget;
mod crossing;
mod decision;
mod density;
mod edge;
mod extreme;
mod fit;
mod hose;
mod likelihood;
mod risk;
mod statistics;
mod turn;

pub use budget::{
    Contribution, Distribution, Evaluation, Input, MeasurementResult, NotAResult, combine, combine_whole,
};
pub use crossing::{
    AtRates, CrossingInterval, DelayPrior, LevelPosterior, RateGroup, posterior, posterior_at_rates,
};
pub use decision::{
    Acceptance, Limits, Outcome, ToDecide, conformance_probability, decide, posterior_conformance,
    ramps_to_decide, to_decide,
};
pub use density::Density;
pub use edge::{Bracket, bracket};
pub use extreme::{Noisy, greatest_of, least_of};
pub use fit::{Curve, Sample, Settling, distinct, fit_curve, fit_line, fit_settling};
pub use hose::{hose_conductance, hose_volume};
pub use risk::{Process, Risks, global_risks};
pub use statistics::{
    mean, mean_square_above_zero, normal_quantile, normal_share, scatter_ratios, spread_interval,
    standard_deviation,
};
pub use turn::{Turn, TurnPrior, fit_turn};
