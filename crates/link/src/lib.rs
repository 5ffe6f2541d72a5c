//! The link to a Modbus module: transactions with time stamps, scans, outputs, the stop latch, and the handling of doubt.
//!
//! Knows no limit and no verdict. After a late, short, foreign or missing answer a TCP connection is dropped, and a serial line must be
//! silent first, so that no later request gets the data of that answer. The outputs count as safe only after they stayed safe for as long
//! as an earlier request could still take effect.

mod clock;
mod device;
mod frame;
mod here;
mod identity;
mod latch;
mod line;
mod lock;
mod master;
mod module;
mod pause;
mod port;
mod rtu;
mod tcp;
mod transport;
mod wire;

pub use clock::Clock;
pub use latch::StopLatch;
pub use line::{Line, SerialLine, TcpLine};
pub use lock::{LockError, ModuleLock};
pub use master::{Discipline, Link, LinkTimes};
pub use module::Module;
pub use port::ClaimedPort;
pub use rtu::{LineDiscipline, RtuTimes, RtuTransport};
pub use tcp::{ResolveError, TcpTransport, resolve_first};
pub use transport::Transport;
pub use wire::{ModuleWire, UnreachableError};
