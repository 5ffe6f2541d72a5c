//! One master for each module on this machine: a lock by the module's address.
//!
//! The lock is a name in the kernel, an abstract Unix socket (unix(7)): there is no file whose owner, mode or folder could keep anybody
//! out or let anybody past, a service with a private temporary folder sees the same name, and it is gone with its process.

use rustix::net::sockopt::socket_peercred;
use rustix::net::{AddressFamily, SocketAddrUnix, SocketFlags, SocketType, connect, socket_with};
use std::io::{Error, ErrorKind};
use std::os::linux::net::SocketAddrExt;
use std::os::unix::net::{SocketAddr, UnixListener};
use thiserror::Error;

/// A lock that is held while a module is in use; the system frees it when the process ends, however that is.
#[derive(Debug)]
pub struct ModuleLock(#[expect(dead_code, reason = "held for its name")] UnixListener);

/// Why a module cannot be taken.
#[derive(Debug, Error)]
pub enum LockError {
    /// Another process has it.
    #[error(
        "`{address}` is in use by another tripbench on this machine (process {process}: a run, or a daemon, which takes runs with `run --on`)"
    )]
    Taken {
        /// The module's address.
        address: String,
        /// The process that has it, as far as the system says.
        process: String,
    },
    /// The system gives no lock.
    #[error("the system gives no lock for `{address}`")]
    System {
        /// The module's address.
        address: String,
        /// Why not.
        #[source]
        source: Error,
    },
}

/// What the names of locks begin with.
const PREFIX: &str = "tripbench-module-";
/// Longest name of an abstract socket, bytes (unix(7): 108 less the leading zero).
const LONGEST: usize = 107;

impl ModuleLock {
    /// Takes the module at an address.
    ///
    /// # Errors
    /// If another process has it, or the system gives no lock.
    pub fn take(address: &str) -> Result<Self, LockError> {
        let system = |source| LockError::System { address: address.to_owned(), source };
        let name = name(address);
        let bound = SocketAddr::from_abstract_name(&name).and_then(|at| UnixListener::bind_addr(&at));
        match bound {
            Ok(held) => Ok(Self(held)),
            Err(error) if error.kind() == ErrorKind::AddrInUse => {
                let process = holder(&name).unwrap_or_else(|| String::from("unknown"));
                Err(LockError::Taken { address: address.to_owned(), process })
            }
            Err(error) => Err(system(error)),
        }
    }
}

/// The name of a lock. Of an address that is too long its end: two with the same end exclude each other, which is safe.
fn name(address: &str) -> Vec<u8> {
    let address = address.as_bytes();
    let end = &address[address.len().saturating_sub(LONGEST - PREFIX.len())..];
    [PREFIX.as_bytes(), end].concat()
}

/// The process that listens at a name, as text. Nobody accepts there: once many have asked the system gives no answer, and none is
/// waited for.
fn holder(name: &[u8]) -> Option<String> {
    let flags = SocketFlags::NONBLOCK | SocketFlags::CLOEXEC;
    let socket = socket_with(AddressFamily::UNIX, SocketType::STREAM, flags, None).ok()?;
    connect(&socket, &SocketAddrUnix::new_abstract_name(name).ok()?).ok()?;
    Some(socket_peercred(&socket).ok()?.pid.as_raw_nonzero().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case::tcp("127.0.0.1:1")]
    #[case::serial("/dev/serial/by-path/none")]
    #[case::longer_than_a_name(&"/dev/".repeat(60))]
    fn a_module_is_taken_once_and_free_again_afterwards(#[case] address: &str) {
        let held = ModuleLock::take(address).expect("free");
        let refused = ModuleLock::take(address).expect_err("taken").to_string();
        assert!(refused.contains(&format!("process {}:", std::process::id())), "{refused}");
        drop(held);
        drop(ModuleLock::take(address).expect("free again"));
    }

    /// A daemon asks twice a second for as long as somebody else has its module.
    #[test]
    fn however_often_it_is_asked_for_the_answer_comes_at_once() {
        let _held = ModuleLock::take("127.0.0.1:3").expect("free");
        for _ in 0..10_000 {
            let refused = ModuleLock::take("127.0.0.1:3").expect_err("taken");
            assert!(matches!(refused, LockError::Taken { .. }), "{refused}");
        }
    }

    #[test]
    fn addresses_that_differ_do_not_exclude_each_other() {
        let _one = ModuleLock::take("127.0.0.1:2").expect("free");
        let _other = ModuleLock::take("127.0.0.1:20").expect("free");
    }
}
