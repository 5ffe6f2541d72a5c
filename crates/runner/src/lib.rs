//! Loops that join an engine to a bench: in virtual time over a simulated module, live over a link, with the journal.
//!
//! No maths and no SQL: what a scan means is the engine's and the judge's business.

mod identify;
mod journal;
mod live;
mod recover;
mod virtual_time;

pub use journal::{JournalError, JournalWriter, Listener};
pub use live::{Control, LiveRun, run_live};
pub use recover::{RecoverError, Recovered, recover};
pub use virtual_time::{VirtualRun, run_in_virtual_time};
