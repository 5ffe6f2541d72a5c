//! The module that a rig sheet names, looked up once: what it is, its lock, and the wire to it.
//!
//! A host may have several names and a serial device several paths, and both may change. All that follows one look-up (the lock, the
//! connection, every later one) goes by what that look-up found.

use crate::clock::Clock;
use crate::device::Device;
use crate::here::is_localhost_or_unspecified;
use crate::line::{SerialLine, TcpLine};
use crate::lock::{LockError, ModuleLock};
use crate::port::Holder;
use crate::rtu::{RtuTimes, RtuTransport};
use crate::tcp::{ResolveError, TcpTransport, resolve};
use crate::wire::{ModuleWire, UnreachableError};
use std::collections::BTreeSet;
use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, SocketAddrV6, TcpStream};
use std::time::Duration;
use tripbench_quantity::Mono;
use tripbench_rig::{LinkSheet, Wire};

/// Shortest wait for a connection.
const SHORTEST: Duration = Duration::from_millis(100);

/// A module, as one look-up of its host name or of the path of its port found it.
#[derive(Debug, Clone)]
pub struct Module {
    /// Address on the rig sheet.
    address: String,
    place: Place,
    times: RtuTimes,
}

/// Where a module is.
#[derive(Debug, Clone)]
enum Place {
    /// At the addresses of a host, in the order in which they are to be tried.
    Host { frames: Frames, first: SocketAddr, others: Vec<SocketAddr> },
    /// At the device behind the path of a serial port.
    Port(SerialLine, Device),
}

/// What goes through a TCP connection.
#[derive(Debug, Clone, Copy)]
enum Frames {
    Tcp,
    Rtu,
}

impl Module {
    /// Looks up the module of a rig sheet. Connects to nothing.
    ///
    /// # Errors
    /// If the host cannot be resolved, or there is no such port.
    pub fn of(link: &LinkSheet) -> Result<Self, UnreachableError> {
        Self::looked_up(link, resolve)
    }

    /// As [`Self::of`], with the addresses that `resolve` gives for a host. It is asked once.
    fn looked_up(
        link: &LinkSheet,
        resolve: impl FnOnce(&str) -> Result<Vec<SocketAddr>, ResolveError>,
    ) -> Result<Self, UnreachableError> {
        let at_host = |address: &str, frames| {
            let mut all = resolve(address)?.into_iter();
            let first = all.next().ok_or_else(|| ResolveError::no_address(address))?;
            Ok::<_, UnreachableError>(Place::Host { frames, first, others: all.collect() })
        };
        let place = match &link.wire {
            Wire::Tcp(address) => at_host(address, Frames::Tcp)?,
            Wire::RtuOverTcp(address) => at_host(address, Frames::Rtu)?,
            Wire::Serial(port) => {
                let path = port.path.value.clone();
                let no_port = |source| UnreachableError::NoPort { path: path.clone(), source };
                let device = Device::at(path.as_ref()).map_err(no_port)?;
                let line = SerialLine::of(port).to(device.clone());
                Place::Port(line, device)
            }
        };
        Ok(Self { address: link.address().to_owned(), place, times: RtuTimes::of(link) })
    }

    /// The address on the rig sheet.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Key of that address on the rig sheet, below `link`.
    pub const fn key(&self) -> &'static str {
        match &self.place {
            Place::Host { frames: Frames::Tcp, .. } => "tcp",
            Place::Host { frames: Frames::Rtu, .. } => "rtu_over_tcp",
            Place::Port(..) => "serial",
        }
    }

    /// Names of the module. Two modules with a common name are one: the same serial device, a common address and port, or the same host name
    /// and port, whose look-ups may each have given other addresses.
    pub(crate) fn names(&self) -> BTreeSet<String> {
        match &self.place {
            Place::Host { first, others, .. } => {
                let addresses = others.iter().chain([first]).copied().map(name_of);
                addresses.chain(host_name(&self.address)).collect()
            }
            Place::Port(_, device) => BTreeSet::from([device.name()]),
        }
    }

    /// A name that this module has in common with another; `None` if they are two modules.
    pub fn common_name(&self, other: &Self) -> Option<String> {
        self.names().intersection(&other.names()).next().cloned()
    }

    /// Locks the module for this process.
    ///
    /// # Errors
    /// If the lock is already held, under whatever host name or path, or the system refuses it.
    pub fn lock(&self) -> Result<ModuleLock, LockError> {
        let lock = ModuleLock::take(&self.address, self.names())?;
        let Place::Port(line, device) = &self.place else { return Ok(lock) };
        match line.holder() {
            None => Ok(lock),
            Some(Holder::AnotherProgram) => Err(LockError::PortInUse { address: self.address.clone(), lock }),
            // The names of the lock are those of a network namespace, such as that of a container.
            Some(Holder::PerhapsTripbench) => Err(LockError::Taken {
                address: self.address.clone(),
                name: device.name(),
                process: String::from("unknown, perhaps in a container"),
            }),
        }
    }

    /// The wire to the module: to the first of its addresses, or to its serial device. Opens nothing yet.
    #[must_use]
    pub fn wire(&self) -> ModuleWire {
        match &self.place {
            Place::Host { frames, first, .. } => self.wire_to(*first, *frames),
            Place::Port(line, _) => ModuleWire::Serial(RtuTransport::new(line.clone(), self.times)),
        }
    }

    /// The wire to the first of its addresses that accepts a connection. A serial port always does: only an answer would show a module.
    ///
    /// # Errors
    /// That of the last address, if none accepts a connection within this time.
    pub fn accepting(&self, within: Duration) -> io::Result<ModuleWire> {
        let Place::Host { frames, first, others } = &self.place else { return Ok(self.wire()) };
        let mut parts = u32::try_from(others.len() + 1).unwrap_or(u32::MAX);
        let (clock, mut tried) = (Clock::start(), Err(io::Error::from(io::ErrorKind::TimedOut)));
        for one in [first].into_iter().chain(others) {
            // A refusal comes at once; silence is waited for in equal parts.
            let each = within.saturating_sub(clock.now().since(Mono::START)) / parts;
            parts -= 1;
            tried = TcpStream::connect_timeout(one, each.max(SHORTEST)).map(|_| *one);
            if tried.is_ok() {
                break;
            }
        }
        Ok(self.wire_to(tried?, *frames))
    }

    fn wire_to(&self, address: SocketAddr, frames: Frames) -> ModuleWire {
        match frames {
            Frames::Tcp => ModuleWire::Tcp(TcpTransport::new(address, self.times.answer_timeout)),
            Frames::Rtu => ModuleWire::RtuOverTcp(RtuTransport::new(TcpLine::to(address), self.times)),
        }
    }
}

/// The host name of `host:port` with the port, in one spelling; `None` if the host is an address.
fn host_name(address: &str) -> Option<String> {
    let (host, port) = address.rsplit_once(':')?;
    let is_address = host.starts_with('[') || host.parse::<IpAddr>().is_ok();
    (!is_address).then(|| format!("{}:{port}", host.trim_end_matches('.').to_ascii_lowercase()))
}

/// The name of an address. The usual ways to reach a server on this computer have one name: it may listen on all of them.
fn name_of(address: SocketAddr) -> String {
    let ip = address.ip().to_canonical();
    if is_localhost_or_unspecified(ip) {
        return SocketAddr::from((Ipv4Addr::LOCALHOST, address.port())).to_string();
    }
    match address {
        // The interface is part of a link-local address; a flow is not.
        SocketAddr::V6(v6) if ip.is_ipv6() => {
            SocketAddrV6::new(*v6.ip(), v6.port(), 0, v6.scope_id()).to_string()
        }
        SocketAddr::V6(_) | SocketAddr::V4(_) => SocketAddr::new(ip, address.port()).to_string(),
    }
}

#[cfg(test)]
mod tests;
