//! The loop that joins an engine to a bench, live over a wire and in virtual time over a simulated module, and the journal.
//!
//! No maths and no SQL: what a scan means is the engine's and the judge's business.

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
