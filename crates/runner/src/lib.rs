//! Loops that join an engine to a bench: in virtual time over a simulated module, live over a link, with the journal.
//!
//! No maths and no SQL: what a scan means is the engine's and the judge's business.

mod virtual_time;

pub use virtual_time::{Pace, run_in_virtual_time};
