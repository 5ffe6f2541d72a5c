//! One run, from its sheets to its folder: what the command and the daemon share.
//!
//! Reads the sheets and plans, connects an engine to a rig (live over a wire, or in virtual time over a simulated module), writes the
//! journal, and makes record, report and trace from it. Shows nothing, asks nobody, and interprets no scan: engine and judge do.

mod again;
pub mod disk;
mod drive;
mod error;
pub mod folder;
mod identify;
mod journal;
mod live;
mod planned;
mod prepare;
mod recover;
mod running;
mod signals;
mod stored;
mod texts;
mod today;
mod virtual_time;

pub use again::{AgainError, Retest, mark, retest, retest_preview};
pub use drive::Control;
pub use error::JobError;
pub use journal::{JournalError, JournalWriter, Listener, Medium};
pub use live::{LiveRun, run_live};
pub use planned::other_planner;
pub use prepare::{Prepared, calibration, header, refused_by_unknown_date, wall};
pub use recover::{ClosedError, RecoverError, Recovered, closed, recover};
pub use running::{HowEnded, RunHandle, Running, anything_there, journal, make_safe_over, start};
pub use signals::Signals;
pub use stored::{
    FoldedRun, carried, doubts, fold_journal, fold_journal_at_end, from_journal, record_doubts, stored,
    written_by_others,
};
pub use texts::{Loaded, Texts, load, source, task};
pub use today::{Latest, Today, calibration_doubts, dated_ahead, expired};
pub use virtual_time::{VirtualDisk, VirtualLink, VirtualRun, run_in_virtual_time, run_on_virtual_wire};
