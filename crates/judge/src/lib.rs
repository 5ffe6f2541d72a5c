//! Turns marks, scans and sheets into checks and verdicts, with the same function for a live run and for a stored trace.
//!
//! The functions are pure: they use no driving state, commands or clock. A better ramp never changes the verdict on an old trace.

mod air_in;
mod air_saving;
mod alike;
#[cfg(test)]
mod bench;
mod by_hand;
mod channel;
mod condition;
mod coverage;
mod first_operation;
mod hose;
mod least_deep;
mod level;
mod level_check;
mod own_edges;
mod own_input;
mod person;
mod place;
mod predicted;
mod promise;
mod promised;
mod rejudge;
mod response;
mod result;
mod rig_check;
mod screening;
mod silence;
mod spread;
mod stamp;
mod states;
mod steady;
mod switch_points;
mod transition;
mod window;

pub use air_saving::{unanswered_pa, unanswered_s};
pub use alike::rig_is_suspected;
pub use by_hand::{TURN_OVER_NOISE, TURN_SEEN_OVER_S, turned_pa};
pub use condition::predicted_leak_pa_per_s;
pub use person::plugs_in;
pub use predicted::{Foresight, PredictedLevel, Ramp, left_open_by_delays};
pub use promise::{OfDevices, left_open, promised, verdict};
pub use rejudge::{Judge, judge_all, judge_step, rejudge};
