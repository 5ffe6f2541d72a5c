//! The link to a module: transactions with their stamps, scans, outputs, the stop latch, and what to do in doubt.
//!
//! Knows no limit and no verdict. After a late, short, foreign or missing answer the connection is dropped, so that no later
//! request ever gets that answer's data; and safe is called safe only after it outlasted everything that an old connection
//! could still do.

mod clock;
mod frame;
mod identity;
mod latch;
mod line;
mod lock;
mod master;
mod pause;
mod rtu;
mod tcp;
mod transport;
mod wire;

pub use clock::Clock;
pub use latch::StopLatch;
pub use line::{Line, SerialLine, TcpLine};
pub use lock::{LockError, ModuleLock};
pub use master::{Discipline, Link, LinkTimes};
pub use rtu::{LineDiscipline, RtuTimes, RtuTransport};
pub use tcp::{ResolveError, TcpTransport, resolve};
pub use transport::Transport;
pub use wire::{ModuleWire, UnreachableError, module_address, on_this_computer};
