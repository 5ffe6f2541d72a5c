//! The link to a module: transactions with their stamps, scans, outputs, the stop latch, and what to do in doubt.
//!
//! Knows no limit and no verdict. After a late, short, foreign or missing answer the connection is dropped, so that no later
//! request ever gets that answer's data; and safe is called safe only after it outlasted everything that an old connection
//! could still do.

mod clock;
mod latch;
mod lock;
mod master;
mod tcp;
mod transport;

pub use clock::Clock;
pub use latch::StopLatch;
pub use lock::{LockError, ModuleLock};
pub use master::{Discipline, Link, LinkTimes};
pub use tcp::{ResolveError, TcpTransport, resolve};
pub use transport::Transport;
