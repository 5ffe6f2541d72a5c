//! Who is at the other end of a connection: the user of the program on this machine that opened it.
//!
//! A TCP connection carries no credentials. The kernel lists the user of every socket (`/proc/net/tcp`, proc(5)); the one at the other end
//! of a loopback connection is in that list too.

use std::net::{IpAddr, SocketAddr};

/// The two ends of a connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Peer {
    /// The other end.
    pub(crate) remote: SocketAddr,
    /// This end.
    pub(crate) local: SocketAddr,
}

impl Peer {
    /// Identifier of the user at the other end; `None` if the kernel does not list the connection, as where the program is in another
    /// network namespace.
    pub(crate) fn user(self) -> Option<u32> {
        let table = if self.remote.is_ipv4() { "/proc/net/tcp" } else { "/proc/net/tcp6" };
        let listed = std::fs::read_to_string(table).ok()?;
        self.listed_user(&listed)
    }

    /// The same, from the kernel's list. The socket at the other end has our addresses reversed.
    fn listed_user(self, listed: &str) -> Option<u32> {
        let (local, remote) = (listed_address(self.remote), listed_address(self.local));
        listed.lines().skip(1).find_map(|line| {
            let mut fields = line.split_whitespace().skip(1);
            let ends = [fields.next()?, fields.next()?];
            // State, queues, timer and retransmits stand before the user.
            (ends == [local.as_str(), remote.as_str()]).then(|| fields.nth(4)?.parse().ok()).flatten()
        })
    }
}

/// An address as the kernel lists it: hexadecimal, each 32-bit word in the byte order of the machine.
fn listed_address(address: SocketAddr) -> String {
    #[expect(clippy::host_endian_bytes, reason = "the kernel prints the words as the machine has them")]
    let word = |bytes: &[u8]| {
        let bytes: [u8; 4] = bytes.try_into().unwrap_or_default();
        format!("{:08X}", u32::from_ne_bytes(bytes))
    };
    let words: String = match address.ip() {
        IpAddr::V4(ip) => word(&ip.octets()),
        IpAddr::V6(ip) => ip.octets().chunks(4).map(word).collect(),
    };
    format!("{words}:{:04X}", address.port())
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use std::net::{TcpListener, TcpStream};

    /// The user of a connection of this process to itself is the user of this process.
    #[rstest]
    fn the_user_at_the_other_end_is_found(#[values("127.0.0.1:0", "[::1]:0")] at: &str) {
        // A machine without IPv6 has only the first.
        let Ok(listener) = TcpListener::bind(at) else {
            assert!(at.starts_with('['), "no loopback");
            return;
        };
        let client = TcpStream::connect(listener.local_addr().expect("an address")).expect("it listens");
        let (accepted, remote) = listener.accept().expect("a connection");
        let peer = Peer { remote, local: accepted.local_addr().expect("an address") };
        assert_eq!(peer.user(), Some(rustix::process::geteuid().as_raw()));
        drop(client);
    }

    // Addresses and layout as in proc_pid_net(5); little-endian machine.
    #[cfg(target_endian = "little")]
    #[rstest]
    #[case::other_end(40_000, Some(65_534))]
    #[case::our_end_is_not_the_other_one(7_420, None)]
    #[case::not_listed(40_001, None)]
    fn the_other_end_is_the_one_with_our_addresses_reversed(#[case] port: u16, #[case] user: Option<u32>) {
        let listed = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n\
            \x20  0: 0100007F:1CFC 0100007F:9C40 01 00000000:00000000 00:00000000 00000000  1000        0 1 1 0\n\
            \x20  1: 0100007F:9C40 0100007F:1CFC 01 00000000:00000000 00:00000000 00000000 65534        0 2 1 0\n";
        let at = |port| SocketAddr::from(([127, 0, 0, 1], port));
        let peer = Peer { remote: at(port), local: at(7_420) };
        assert_eq!(peer.listed_user(listed), user);
    }
}
