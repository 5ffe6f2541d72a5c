//! Whichever wire a rig sheet names.

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

/// Why the module of a rig sheet cannot be reached at all.
#[derive(Debug, Error)]
pub enum UnreachableError {
    /// Its host is not known.
    #[error(transparent)]
    Resolve(#[from] ResolveError),
    /// Its serial port is not there.
    #[error(
        "there is no serial port `{path}`: is the adapter plugged in, is `link.serial` of the rig sheet right, is `tripbench simulate` running?"
    )]
    NoPort {
        /// The path.
        path: String,
        /// Why not.
        #[source]
        source: std::io::Error,
    },
}

impl ModuleWire {
    /// The wire of a rig sheet; nothing is opened yet.
    ///
    /// # Errors
    /// If the host of an address is not known.
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

    /// The same wire without a guard of the line, for a test that shows what the guard is for; Modbus TCP has none of them.
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

/// Where the module of a link is, if that is this computer itself: a loopback address, or a port that is a pseudo-terminal. No
/// module has its terminals there; what answers is a program, or a way on to somewhere else.
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

/// What names the module of a link on this machine: the resolved address, or the port with every link followed.
///
/// # Errors
/// If the host is not known or there is no such port.
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
