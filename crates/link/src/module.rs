//! The module that a rig sheet names, looked up once: what it is, its lock, and the wire to it.
//!
//! A host may have several names and a serial device several paths, and both may change. All that follows one look-up (the lock, the
//! connection, every later one) goes by what that look-up found.

use crate::clock::Clock;
use crate::device::Device;
use crate::here::is_usual;
use crate::line::{SerialLine, TcpLine};
use crate::lock::{LockError, ModuleLock};
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
        match &self.place {
            // The names of the lock are those of a network namespace, such as that of a container.
            Place::Port(line, device) if line.is_open_elsewhere() => Err(LockError::Taken {
                address: self.address.clone(),
                name: device.name(),
                process: String::from("unknown, perhaps in a container"),
            }),
            Place::Port(..) | Place::Host { .. } => Ok(lock),
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
    if is_usual(ip) {
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
mod tests {
    use super::*;
    use crate::line::Line;
    use crate::transport::Transport;
    use rstest::rstest;
    use std::cell::Cell;
    use std::fs::remove_file;
    use std::io::ErrorKind;
    use std::net::TcpListener;
    use std::os::unix::fs::symlink;
    use std::sync::atomic::{AtomicU32, Ordering};
    use tripbench_rig::{Area, Query, Request, RigSheet};
    use tripbench_sheet::{Findings, Source, read_sheet};

    const TCP: &str = "tcp = \"127.0.0.1:1502\"";

    fn link(keys: &str) -> LinkSheet {
        let text = include_str!("../../../bench-scripts/rigs/goods-in-1.toml").replace("150 ms", "20 ms");
        let text = text.replace(TCP, keys);
        let rig = read_sheet(&Source::new("rig.toml", text.as_str()), &Findings::new(), RigSheet::read);
        rig.expect("a sheet").link
    }

    /// A module whose host has these addresses.
    fn at(addresses: &str) -> Module {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let number = NEXT.fetch_add(1, Ordering::SeqCst);
        named(&format!("module-{}-{number}.example:1502", std::process::id()), addresses)
    }

    /// A module whose sheet has this host name, which leads to these addresses.
    fn named(name: &str, addresses: &str) -> Module {
        let all = addresses.split(' ').map(|one| one.parse().expect("an address")).collect();
        Module::looked_up(&link(&format!("tcp = \"{name}\"")), |_| Ok(all)).expect("a module")
    }

    fn at_port(path: &std::path::Path) -> Module {
        Module::of(&link(&format!("serial = \"{}\"\nbaud = 19200", path.display()))).expect("a module")
    }

    fn listener() -> TcpListener {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        listener.set_nonblocking(true).expect("a listener");
        listener
    }

    /// `192.0.2.0/24` and `2001:db8::/32` are for documentation (RFC 5737, RFC 3849).
    #[rstest]
    #[case::another_name("192.0.2.7:501", "192.0.2.7:501", true)]
    #[case::one_address_of_two("[2001:db8::7]:502 192.0.2.7:502", "192.0.2.7:502", true)]
    #[case::in_another_order("192.0.2.7:503 192.0.2.8:503", "192.0.2.8:503 192.0.2.7:503", true)]
    #[case::written_as_ipv6("[::ffff:192.0.2.7]:504", "192.0.2.7:504", true)]
    #[case::this_computer("[::1]:505", "127.0.0.1:505", true)]
    #[case::this_computer_unspecified("0.0.0.0:506", "[::]:506", true)]
    #[case::another_port("192.0.2.7:507", "192.0.2.7:5070", false)]
    #[case::another_host("192.0.2.7:508", "192.0.2.8:508", false)]
    #[case::another_loopback("127.0.0.1:509", "127.0.0.2:509", false)]
    #[case::another_interface("[fe80::1%1]:510", "[fe80::1%2]:510", false)]
    fn a_host_by_any_name_is_one_module(#[case] one: &str, #[case] other: &str, #[case] same: bool) {
        let (one, other) = (at(one), at(other));
        assert_eq!(one.common_name(&other).is_some(), same);
        let held = one.lock().expect("free");
        assert_eq!(other.lock().is_err(), same);
        // What the refused one had taken by then is free again.
        drop(held);
        drop(one.lock().expect("free again"));
        drop(other.lock().expect("free again"));
    }

    /// A resolver may give a part of the addresses of a name at a time.
    #[rstest]
    #[case::same_name("a.example:511", "a.example:511", true)]
    #[case::written_otherwise("b.example:512", "B.Example.:512", true)]
    #[case::another_port("c.example:513", "c.example:5130", false)]
    #[case::another_name("d.example:514", "e.example:514", false)]
    fn a_host_name_is_one_module_whatever_addresses_it_gives(
        #[case] one: &str,
        #[case] other: &str,
        #[case] same: bool,
        #[values("192.0.2.9", "192.0.2.10 192.0.2.11")] first: &str,
    ) {
        // Cases may run at once: each has names and ports of its own.
        let (_, port) = one.split_once(':').expect("a port");
        let port = format!(":{port}{}", first.len());
        let at = |addresses: &str| addresses.replace(' ', &format!("{port} ")) + &port;
        let [one, other] = [one, other].map(|name| format!("n{}.{name}", first.len()));
        let (one, other) = (named(&one, &at(first)), named(&other, &at("192.0.2.12")));
        assert_eq!(one.common_name(&other).is_some(), same);
        let _held = one.lock().expect("free");
        assert_eq!(other.lock().is_err(), same);
    }

    #[rstest]
    #[case::this_computer("127.0.0.1:520", true)]
    #[case::this_computer_by_another_loopback("127.0.0.2:520", true)]
    #[case::this_computer_ipv6("[::1]:520", true)]
    #[case::this_computer_mapped("[::ffff:127.0.0.1]:520", true)]
    #[case::unspecified("0.0.0.0:520", true)]
    #[case::unspecified_ipv6("[::]:520", true)]
    #[case::unspecified_mapped("[::ffff:0.0.0.0]:520", true)]
    #[case::another_computer("192.0.2.7:520", false)]
    #[case::another_computer_ipv6("[2001:db8::7]:520", false)]
    fn a_module_on_this_computer_is_known(#[case] address: &str, #[case] here: bool) {
        let sheets = ["tcp", "rtu_over_tcp"].map(|key| link(&format!("{key} = \"{address}\"")));
        for sheet in sheets {
            let module = Module::of(&sheet).expect("an address");
            assert_eq!(module.wire().is_on_this_computer(), here, "{address}");
            // What the lock takes for this computer is on this computer.
            assert!(here || module.common_name(&at("127.0.0.1:520")).is_none(), "{address}");
        }
    }

    #[test]
    fn a_port_by_any_path_is_one_module() {
        let (_master, port) = crate::device::terminal();
        let other = std::env::temp_dir().join(format!("tripbench-module-{}", std::process::id()));
        symlink(&port, &other).expect("a link");
        let held = at_port(&port).lock().expect("free");
        let refused = at_port(&other).lock().expect_err("taken").to_string();
        assert!(refused.contains(&*other.to_string_lossy()), "{refused}");
        drop(held);
        drop(at_port(&other).lock().expect("free again"));
        remove_file(other).expect("the link");
    }

    /// Nothing of the lock is seen in another network namespace but the lock of the open port.
    #[rstest]
    fn a_port_that_is_open_in_another_network_namespace_is_taken(#[values(false, true)] opened_here: bool) {
        let (_master, port) = crate::device::terminal();
        let module = at_port(&port);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let Place::Port(line, _) = &module.place else { panic!("a port") };
        let here = opened_here.then(|| runtime.block_on(line.open()).expect("it opens"));
        let there = std::fs::File::options().read(true).write(true).open(&port).expect("it opens");
        assert_eq!(there.try_lock().is_err(), opened_here, "the other one is kept away");
        if opened_here {
            drop(module.lock().expect("this process has it"));
            drop(runtime.block_on(line.open()).expect("it opens a second time"));
            assert!(there.try_lock().is_err(), "the first is still open");
            drop(here);
            there.try_lock().expect("free again");
        } else {
            let refused = module.lock().expect_err("taken").to_string();
            assert!(refused.contains("perhaps in a container"), "{refused}");
            assert!(runtime.block_on(line.open()).is_err());
            drop(there);
            drop(module.lock().expect("free again"));
        }
    }

    /// The host name leads to another computer from the second time on. Every connection goes to the first one.
    #[test]
    fn a_host_name_is_resolved_once() {
        for key in ["tcp", "rtu_over_tcp"] {
            let (first, second) = (listener(), listener());
            let asked = Cell::new(0);
            let lookup = |name: &str| {
                assert_eq!(name, "module.example:1502");
                asked.set(asked.get() + 1);
                let leads_to = if asked.get() == 1 { &first } else { &second };
                Ok(vec![leads_to.local_addr().expect("an address")])
            };
            let sheet = link(&format!("{key} = \"module.example:1502\""));
            let module = Module::looked_up(&sheet, lookup).expect("an address");
            let _lock = module.lock().expect("free");
            let mut wire = module.accepting(Duration::from_secs(1)).expect("a connection");
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
            assert_eq!((connections, asked.get()), (5, 1), "{key}");
            assert_eq!(elsewhere.err(), Some(ErrorKind::WouldBlock), "{key}");
        }
    }

    #[test]
    fn the_first_address_that_accepts_a_connection_is_used() {
        let (closed, open) = (listener(), listener());
        let [nobody, there] = [&closed, &open].map(|one| one.local_addr().expect("an address"));
        drop(closed);
        let [module, other] = [format!("{nobody} {there}"), format!("{there} {nobody}")].map(|all| at(&all));
        for module in [&module, &other] {
            let wire = module.accepting(Duration::from_secs(1)).expect("a connection");
            assert!(format!("{wire:?}").contains(&there.to_string()), "{wire:?}");
        }
        drop(open);
        let refused = module.accepting(Duration::from_secs(1)).expect_err("nobody").kind();
        assert_eq!(refused, ErrorKind::ConnectionRefused);
    }
}
