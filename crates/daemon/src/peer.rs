//! Who is at the other end of a connection: the user of the program on this machine that opened it.
//!
//! A TCP connection carries no credentials. The kernel lists the user of every socket (`/proc/net/tcp`, proc(5)); the one at the other end
//! of a loopback connection is in that list too.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use tokio::sync::OnceCell;

/// State of an established connection, as the kernel lists it (`TCP_ESTABLISHED` of the kernel). A socket that is closed is
/// listed with user 0, whoever it was.
const ESTABLISHED: &str = "01";

/// The two ends of a connection, and who has the other one.
#[derive(Debug, Clone)]
pub(crate) struct Peer {
    /// The other end.
    remote: SocketAddr,
    /// This end.
    local: SocketAddr,
    /// The user, once somebody has asked: reading the kernel's list takes milliseconds.
    user: Arc<OnceCell<Option<u32>>>,
}

impl Peer {
    pub(crate) fn new(remote: SocketAddr, local: SocketAddr) -> Self {
        Self { remote, local, user: Arc::default() }
    }

    /// Identifier of the user at the other end; `None` if the kernel does not list the connection as established, for example because the
    /// program is in another network namespace.
    pub(crate) async fn user(&self) -> Option<u32> {
        let (remote, local) = (self.remote, self.local);
        let asked =
            async move { tokio::task::spawn_blocking(move || user_of(remote, local)).await.ok().flatten() };
        *self.user.get_or_init(|| asked).await
    }
}

fn user_of(remote: SocketAddr, local: SocketAddr) -> Option<u32> {
    let listed = |table: &str, ends: [SocketAddr; 2]| {
        listed_user(&std::fs::read_to_string(table).ok()?, &ends.map(listed_address))
    };
    // The socket at the other end has our addresses reversed.
    let ends = [remote, local];
    if remote.is_ipv6() {
        return listed("/proc/net/tcp6", ends);
    }
    // An IPv6 socket may have connected to an IPv4 address.
    let mapped = ends.map(|end| match end.ip() {
        IpAddr::V4(ip) => SocketAddr::new(ip.to_ipv6_mapped().into(), end.port()),
        IpAddr::V6(_) => end,
    });
    listed("/proc/net/tcp", ends).or_else(|| listed("/proc/net/tcp6", mapped))
}

/// User of the established socket with these local and remote addresses in the kernel's list.
fn listed_user(listed: &str, ends: &[String; 2]) -> Option<u32> {
    listed.lines().skip(1).find_map(|line| {
        let fields: Vec<&str> = line.split_whitespace().collect();
        // Number, local and remote address, state, queues, timer, retransmits, user, timeouts, inode.
        let [_, local, remote, state, _, _, _, user, _, inode, ..] = fields.as_slice() else { return None };
        let is_it = [*local, *remote] == [ends[0].as_str(), ends[1].as_str()];
        let is_open = *state == ESTABLISHED && *inode != "0";
        if is_it && is_open { user.parse().ok() } else { None }
    })
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
        let local = accepted.local_addr().expect("an address");
        assert_eq!(user_of(remote, local), Some(rustix::process::geteuid().as_raw()));
        drop(client);
        // Closed, the kernel says nothing of the user.
        assert_eq!(user_of(remote, local), None);
    }

    // Addresses and layout as in proc_pid_net(5); little-endian machine.
    #[cfg(target_endian = "little")]
    #[rstest]
    #[case::other_end(40_000, Some(65_534))]
    #[case::our_end_is_not_the_other_one(7_420, None)]
    #[case::not_listed(40_001, None)]
    #[case::closed(40_002, None)]
    #[case::opening(40_003, None)]
    #[case::without_a_socket(40_004, None)]
    fn the_other_end_is_the_open_one_with_our_addresses_reversed(
        #[case] port: u16,
        #[case] user: Option<u32>,
    ) {
        let listed = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n\
            \x20  0: 0100007F:1CFC 0100007F:9C40 01 00000000:00000000 00:00000000 00000000  1000        0 1 1 0\n\
            \x20  1: 0100007F:9C40 0100007F:1CFC 01 00000000:00000000 00:00000000 00000000 65534        0 2 1 0\n\
            \x20  2: 0100007F:9C42 0100007F:1CFC 05 00000000:00000000 00:00000000 00000000     0        0 0 1 0\n\
            \x20  3: 0100007F:9C43 0100007F:1CFC 02 00000000:00000000 00:00000000 00000000     0        0 3 1 0\n\
            \x20  4: 0100007F:9C44 0100007F:1CFC 01 00000000:00000000 00:00000000 00000000     0        0 0 1 0\n";
        let at = |port| SocketAddr::from(([127, 0, 0, 1], port));
        assert_eq!(listed_user(listed, &[at(port), at(7_420)].map(listed_address)), user);
    }

    /// A program with IPv6 sockets, as some libraries have them for every address.
    #[test]
    fn an_ipv6_socket_that_connected_to_an_ipv4_address_is_found() {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = listener.local_addr().expect("an address").port();
        // A machine without IPv6 has no such sockets.
        let Ok(client) = TcpStream::connect(format!("[::ffff:127.0.0.1]:{port}")) else { return };
        let (accepted, remote) = listener.accept().expect("a connection");
        let local = accepted.local_addr().expect("an address");
        assert_eq!(user_of(remote, local), Some(rustix::process::geteuid().as_raw()));
        drop(client);
    }
}
