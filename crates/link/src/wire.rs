//! The wire of a rig sheet, of any kind.

use crate::clock::Clock;
use crate::line::{SerialLine, TcpLine};
use crate::rtu::{LineDiscipline, RtuTimes, RtuTransport};
use crate::tcp::{ResolveError, TcpTransport, resolve};
use crate::transport::Transport;
use std::net::SocketAddr;
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
        Self::resolved(link, resolve)
    }

    /// As [`Self::of`], with the address that `resolve` gives for a host. It is asked once: the wire keeps the address.
    fn resolved(
        link: &LinkSheet,
        resolve: impl FnOnce(&str) -> Result<SocketAddr, ResolveError>,
    ) -> Result<Self, UnreachableError> {
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;
    use std::io::ErrorKind;
    use std::net::TcpListener;
    use tripbench_rig::{Area, Request, RigSheet};
    use tripbench_sheet::{Findings, Source, read_sheet};

    fn listener() -> TcpListener {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        listener.set_nonblocking(true).expect("a listener");
        listener
    }

    /// The host name leads to another computer from the second time on. Every connection goes to the first one.
    #[test]
    fn the_address_of_a_wire_is_resolved_once() {
        let text = include_str!("../../../bench-scripts/rigs/goods-in-1.toml").replace("150 ms", "20 ms");
        for key in ["tcp", "rtu_over_tcp"] {
            let text = text.replace("tcp = \"127.0.0.1:1502\"", &format!("{key} = \"module.example:1502\""));
            let rig = read_sheet(&Source::new("rig.toml", text.as_str()), &Findings::new(), RigSheet::read);
            let (rig, first, second) = (rig.expect("a sheet"), listener(), listener());
            let asked = Cell::new(0);
            let lookup = |name: &str| {
                assert_eq!(name, "module.example:1502");
                asked.set(asked.get() + 1);
                let leads_to = if asked.get() == 1 { &first } else { &second };
                Ok(leads_to.local_addr().expect("an address"))
            };
            let mut wire = ModuleWire::resolved(&rig.link, lookup).expect("an address");
            let mut again = wire.again();
            let query = Query { unit: 1, request: Request::Read { area: Area::Coil, start: 0, count: 1 } };
            let runtime =
                tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
            runtime.block_on(async {
                let clock = Clock::start();
                // Nobody answers, so each request connects afresh.
                for _ in 0..2 {
                    assert!(wire.transact(&query, &clock).await.is_err());
                    assert!(again.transact(&query, &clock).await.is_err());
                }
            });
            let connections = std::iter::from_fn(|| first.accept().ok()).count();
            let elsewhere = second.accept().map_err(|error| error.kind());
            assert_eq!((connections, asked.get()), (4, 1), "{key}");
            assert_eq!(elsewhere.err(), Some(ErrorKind::WouldBlock), "{key}");
        }
    }
}
