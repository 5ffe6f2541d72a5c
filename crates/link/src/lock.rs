//! One master for each module on this machine: a lock by the module's address.
//!
//! The lock is a name in the kernel, an abstract Unix socket (unix(7)): there is no file whose owner, mode or folder could keep anybody
//! out or let anybody past, a service with a private temporary folder sees the same name, and it is gone with its process.

use rustix::net::sockopt::socket_peercred;
use std::io::{Error, ErrorKind};
use std::os::linux::net::SocketAddrExt;
use std::os::unix::net::{SocketAddr, UnixListener, UnixStream};
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
        let name = name(address).map_err(system)?;
        match UnixListener::bind_addr(&name) {
            Ok(held) => Ok(Self(held)),
            Err(error) if error.kind() == ErrorKind::AddrInUse => {
                Err(LockError::Taken { address: address.to_owned(), process: holder(&name) })
            }
            Err(error) => Err(system(error)),
        }
    }
}

/// The name of a lock. Of an address that is too long its end: two with the same end exclude each other, which is safe.
fn name(address: &str) -> Result<SocketAddr, Error> {
    let address = address.as_bytes();
    let end = &address[address.len().saturating_sub(LONGEST - PREFIX.len())..];
    SocketAddr::from_abstract_name([PREFIX.as_bytes(), end].concat())
}

/// The process that listens at a name, as text.
fn holder(name: &SocketAddr) -> String {
    let there = UnixStream::connect_addr(name).ok().and_then(|stream| socket_peercred(stream).ok());
    there.map_or_else(|| String::from("unknown"), |there| there.pid.as_raw_nonzero().to_string())
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

    #[test]
    fn addresses_that_differ_do_not_exclude_each_other() {
        let _one = ModuleLock::take("127.0.0.1:2").expect("free");
        let _other = ModuleLock::take("127.0.0.1:20").expect("free");
    }
}
