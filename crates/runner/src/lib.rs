//! The loop that connects an engine to a rig, live over a wire or in virtual time over a simulated module, and the journal.
//!
//! No maths and no SQL: engine and judge interpret the scans.

mod drive;
mod identify;
mod journal;
mod live;
mod recover;
mod virtual_time;

pub use drive::Control;
pub use journal::{JournalError, JournalWriter, Listener};
pub use live::{LiveRun, run_live};
pub use recover::{ClosedError, RecoverError, Recovered, closed, recover};
pub use virtual_time::{VirtualDisk, VirtualLink, VirtualRun, run_in_virtual_time, run_on_virtual_wire};
