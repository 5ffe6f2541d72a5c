//! Addresses of this computer.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// Whether an address leads to this computer: a loopback address, or the unspecified one, to which the system connects as to itself.
pub(crate) fn is_here(ip: IpAddr) -> bool {
    is_localhost_or_unspecified(ip) || ip.to_canonical().is_loopback()
}

/// Whether an address is one of the usual ways to a server on this computer, which may listen on all of them.
pub(crate) fn is_localhost_or_unspecified(ip: IpAddr) -> bool {
    let ip = ip.to_canonical();
    ip == Ipv4Addr::LOCALHOST || ip == Ipv6Addr::LOCALHOST || ip.is_unspecified()
}
