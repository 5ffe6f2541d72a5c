//! The loop that connects an engine to a rig, live over a wire or in virtual time over a simulated module, the journal, and files that
//! outlast a power cut.
//!
//! No maths and no SQL: engine and judge interpret the scans.

pub mod disk;
mod drive;
mod identify;
mod journal;
mod live;
mod recover;
mod virtual_time;

pub use drive::Control;
pub use journal::{JournalError, JournalWriter, Listener, Medium};
pub use live::{LiveRun, run_live};
pub use recover::{ClosedError, RecoverError, Recovered, closed, recover};
pub use virtual_time::{VirtualDisk, VirtualLink, VirtualRun, run_in_virtual_time, run_on_virtual_wire};
