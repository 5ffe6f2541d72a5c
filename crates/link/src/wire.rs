//! The wire of a rig sheet, of any kind.

use crate::clock::Clock;
use crate::line::{SerialLine, TcpLine};
use crate::rtu::{LineDiscipline, RtuTimes, RtuTransport};
use crate::tcp::{ResolveError, TcpTransport, resolve};
use crate::transport::Transport;
use thiserror::Error;
use tripbench_quantity::Span;
use tripbench_rig::{Doubt, IdentityObject, LinkSheet, Query, Response, Wire};

/// A wire of any kind.
#[derive(Debug)]
pub enum ModuleWire {
    /// Modbus TCP.
    Tcp(TcpTransport),
    /// Modbus RTU on a serial port.
    Serial(RtuTransport<SerialLine>),
    /// RTU frames through a TCP connection.
    RtuOverTcp(RtuTransport<TcpLine>),
}

/// Why the address of a module cannot be used.
#[derive(Debug, Error)]
pub enum UnreachableError {
    /// The host cannot be resolved.
    #[error(transparent)]
    Resolve(#[from] ResolveError),
    /// There is no such serial port.
    #[error(
        "there is no serial port `{path}`: is the adapter plugged in, is `link.serial` in the rig sheet right, \
         is `tripbench simulate` running?"
    )]
    NoPort {
        /// Path of the port.
        path: String,
        /// Cause.
        #[source]
        source: std::io::Error,
    },
}

impl ModuleWire {
    /// The wire of a rig sheet. Opens nothing yet.
    ///
    /// # Errors
    /// If the address cannot be resolved.
    pub fn of(link: &LinkSheet) -> Result<Self, UnreachableError> {
        let times = RtuTimes::of(link);
        Ok(match &link.wire {
            Wire::Tcp(address) => {
                Self::Tcp(TcpTransport::new(resolve(address)?, link.answer_timeout.duration()))
            }
            Wire::Serial(port) => Self::Serial(RtuTransport::new(SerialLine::of(port), times)),
            Wire::RtuOverTcp(address) => {
                Self::RtuOverTcp(RtuTransport::new(TcpLine::to(resolve(address)?), times))
            }
        })
    }

    /// Replaces the line discipline, for a test that shows why a guard matters. Has no effect on Modbus TCP.
    #[must_use]
    pub fn with_line_discipline(self, discipline: LineDiscipline) -> Self {
        match self {
            Self::Tcp(tcp) => Self::Tcp(tcp),
            Self::Serial(rtu) => Self::Serial(rtu.with_discipline(discipline)),
            Self::RtuOverTcp(rtu) => Self::RtuOverTcp(rtu.with_discipline(discipline)),
        }
    }
}

impl Transport for ModuleWire {
    async fn transact(&mut self, query: &Query, clock: &Clock) -> Result<(Response, Span), Doubt> {
        match self {
            Self::Tcp(tcp) => tcp.transact(query, clock).await,
            Self::Serial(rtu) => rtu.transact(query, clock).await,
            Self::RtuOverTcp(rtu) => rtu.transact(query, clock).await,
        }
    }

    async fn identify(&mut self, unit: u8, clock: &Clock) -> Result<Vec<IdentityObject>, Doubt> {
        match self {
            Self::Tcp(tcp) => tcp.identify(unit, clock).await,
            Self::Serial(rtu) => rtu.identify(unit, clock).await,
            Self::RtuOverTcp(rtu) => rtu.identify(unit, clock).await,
        }
    }
}

/// The place of the module, if it is on this computer: a loopback address or a pseudo-terminal. No hardware module is there; a program
/// answers, possibly one that forwards to a module elsewhere.
pub fn on_this_computer(link: &LinkSheet) -> Option<&str> {
    let (place, is_here) = match &link.wire {
        Wire::Tcp(address) | Wire::RtuOverTcp(address) => {
            (address, resolve(address).is_ok_and(|socket| socket.ip().is_loopback()))
        }
        Wire::Serial(port) => {
            let found = std::fs::canonicalize(&port.path.value);
            (&port.path, found.is_ok_and(|path| path.starts_with("/dev/pts")))
        }
    };
    is_here.then_some(place.value.as_str())
}

/// A unique name for the module on this machine: the resolved address, or the path of the port with all symbolic links followed.
///
/// # Errors
/// If the host cannot be resolved or there is no such port.
pub fn module_address(link: &LinkSheet) -> Result<String, UnreachableError> {
    match &link.wire {
        Wire::Tcp(address) | Wire::RtuOverTcp(address) => Ok(resolve(address)?.to_string()),
        Wire::Serial(port) => {
            let path = port.path.value.clone();
            let found = std::fs::canonicalize(&path);
            let found = found.map_err(|source| UnreachableError::NoPort { path, source })?;
            Ok(found.to_string_lossy().into_owned())
        }
    }
}
