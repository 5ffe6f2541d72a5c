//! The wire of a rig sheet, of any kind.

use crate::clock::Clock;
use crate::line::{SerialLine, TcpLine};
use crate::module::Module;
use crate::rtu::{LineDiscipline, RtuTransport};
use crate::tcp::{ResolveError, TcpTransport};
use crate::transport::Transport;
use thiserror::Error;
use tripbench_quantity::Span;
use tripbench_rig::{Doubt, IdentityObject, LinkSheet, Query, Response};

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
    /// The wire of a rig sheet, by a look-up of its own. Opens nothing yet.
    ///
    /// # Errors
    /// If the host cannot be resolved, or there is no such port.
    pub fn of(link: &LinkSheet) -> Result<Self, UnreachableError> {
        Module::of(link).map(|module| module.wire())
    }

    /// A fresh wire to the same module: to the address that was resolved for this one, or to the same serial device, whatever the host
    /// name or the path leads to by now. Opens nothing yet.
    #[must_use]
    pub fn again(&self) -> Self {
        match self {
            Self::Tcp(tcp) => Self::Tcp(tcp.again()),
            Self::Serial(rtu) => Self::Serial(rtu.again()),
            Self::RtuOverTcp(rtu) => Self::RtuOverTcp(rtu.again()),
        }
    }

    /// Whether the module is on this computer: at a loopback address, at the unspecified one or a pseudo-terminal. No hardware module is there; a program answers,
    /// possibly one that forwards to a module elsewhere.
    pub fn is_on_this_computer(&self) -> bool {
        match self {
            Self::Tcp(tcp) => tcp.line().is_on_this_computer(),
            Self::Serial(rtu) => rtu.line().is_on_this_computer(),
            Self::RtuOverTcp(rtu) => rtu.line().is_on_this_computer(),
        }
    }

    /// Replaces the line discipline, for a test that shows why a guard matters. Has no effect on Modbus TCP.
    #[must_use]
    pub fn with_line_discipline(self, discipline: LineDiscipline) -> Self {
        match self {
            Self::Tcp(tcp) => Self::Tcp(tcp),
            Self::Serial(rtu) => {
                let any_device = discipline == LineDiscipline::AnyDevice;
                Self::Serial(rtu.with_line(|line| line.at_any_device(any_device)).with_discipline(discipline))
            }
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
