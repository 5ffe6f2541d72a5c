//! From marks, scans and sheets to checks and verdicts: the same function live and from a stored trace.
//!
//! Pure: no driving state, no commands, no clock. A better ramp never changes what an old trace says.

mod air_saving;
mod analyse;
mod channel;
mod condition;
mod hose;
mod least_deep;
mod level;
mod level_check;
mod promise;
mod rejudge;
mod response;
mod result;
mod rig_check;
mod screening;
mod stamp;
mod steady;
mod switch_points;

pub use analyse::{Analysis, EdgeLevel, RowEdge, SignalAnalysis, analyse};
pub use promise::{promised, verdict};
pub use rejudge::{judge_all, judge_step, rejudge};
