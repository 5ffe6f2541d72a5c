//! One run, from its sheets to its folder: the part that the command and the daemon share.
//!
//! Reads the sheets, plans, starts the thread of the rig, and makes record, report and trace from the journal. Shows nothing and asks
//! nobody.

mod again;
mod error;
pub mod folder;
mod live;
mod planned;
mod prepare;
mod signals;
mod stored;
mod texts;

pub use again::{AgainError, GoOn, foreseen_again, go_on, mark};
pub use error::JobError;
pub use live::{HowEnded, Reins, Running, anything_there, journal, make_safe, make_safe_over, start};
pub use planned::other_planner;
pub use prepare::{Prepared, calibration, header, wall};
pub use signals::Signals;
pub use stored::{Told, carried, doubts, from_journal, stored, told, told_at_end, written_by_others};
pub use texts::{Loaded, Texts, Today, calibration_doubts, dated_ahead, expired, load, source, task};
