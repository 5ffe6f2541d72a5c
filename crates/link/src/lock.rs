//! One master per module on this machine: a lock on every name of the module.
//!
//! Each name is that of an abstract Unix socket (unix(7)). It needs no file, whose owner, mode or folder could matter; a service with a
//! private temporary folder sees the same name; and it disappears with its process.

use crate::module::Module;
use rustix::net::sockopt::socket_peercred;
use rustix::net::{AddressFamily, SocketAddrUnix, SocketFlags, SocketType, connect, socket_with};
use std::collections::BTreeSet;
use std::io::{Error, ErrorKind};
use std::os::linux::net::SocketAddrExt;
use std::os::unix::net::{SocketAddr, UnixListener};
use thiserror::Error;

/// A lock held while a module is in use. The system releases it when the process ends, for whatever reason.
#[derive(Debug)]
pub struct ModuleLock {
    names: BTreeSet<String>,
    #[expect(dead_code, reason = "held for their names")]
    held: Vec<UnixListener>,
}

/// Why a module cannot be locked.
#[derive(Debug, Error)]
pub enum LockError {
    /// Another process holds the lock.
    #[error(
        "`{address}`{} is in use by another tripbench on this machine (process {process}: a run, or a daemon, which takes runs with `run --on`)", also(.address, .name)
    )]
    Taken {
        /// Address of the module on the rig sheet.
        address: String,
        /// The name by which it is in use.
        name: String,
        /// Number of the process that holds it, or `unknown`.
        process: String,
    },
    /// A program that is not tripbench has the serial port open. The lock is taken as long as this error is kept.
    #[error(
        "the port `{address}` is open in another program: end that program, for example a terminal or a configuration tool"
    )]
    PortInUse {
        /// Address of the module on the rig sheet.
        address: String,
        /// The lock: no other tripbench uses the module.
        lock: ModuleLock,
    },
    /// The system refuses the lock.
    #[error("the system refuses a lock for `{address}`")]
    System {
        /// Address of the module.
        address: String,
        /// Cause.
        #[source]
        source: Error,
    },
}

/// Prefix of the lock names.
const PREFIX: &str = "tripbench-module-";
/// Longest name of an abstract socket, bytes (unix(7): 108 less the leading zero).
const LONGEST: usize = 107;

impl ModuleLock {
    /// Locks the module at an address by all its names.
    ///
    /// # Errors
    /// If one of them is already locked, or the system refuses it. None is locked then.
    pub(crate) fn take(address: &str, names: BTreeSet<String>) -> Result<Self, LockError> {
        // In the same order everywhere, so that of two processes one succeeds.
        let held = names.iter().map(|name| take(address, name)).collect::<Result<_, _>>()?;
        Ok(Self { names, held })
    }

    /// Whether this is the lock of a module, by all its names.
    pub fn is_of(&self, module: &Module) -> bool {
        self.names == module.names()
    }
}

fn take(address: &str, name: &str) -> Result<UnixListener, LockError> {
    let address = address.to_owned();
    let socket = socket_name(name);
    let bound = SocketAddr::from_abstract_name(&socket).and_then(|at| UnixListener::bind_addr(&at));
    bound.map_err(|source| {
        if source.kind() != ErrorKind::AddrInUse {
            return LockError::System { address, source };
        }
        let process = holder(&socket).unwrap_or_else(|| String::from("unknown"));
        LockError::Taken { address, name: name.to_owned(), process }
    })
}

/// What else an address is called.
fn also(address: &str, name: &str) -> String {
    if address == name { String::new() } else { format!(" ({name})") }
}

/// The name of a lock. Of too long a name it contains only the end; two with the same end exclude each other, which is safe.
fn socket_name(name: &str) -> Vec<u8> {
    let name = name.as_bytes();
    let end = &name[name.len().saturating_sub(LONGEST - PREFIX.len())..];
    [PREFIX.as_bytes(), end].concat()
}

/// Number of the process that listens at a name, as text. It never accepts: once the queue of connections is full the system gives no
/// answer, and this does not wait for one.
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

    fn take(name: &str) -> Result<ModuleLock, LockError> {
        ModuleLock::take(name, BTreeSet::from([name.to_owned()]))
    }

    #[rstest]
    #[case::tcp("127.0.0.1:1")]
    #[case::serial("/dev/serial/by-path/none")]
    #[case::longer_than_a_name(&"/dev/".repeat(60))]
    fn a_module_is_taken_once_and_free_again_afterwards(#[case] address: &str) {
        let held = take(address).expect("free");
        let refused = take(address).expect_err("taken").to_string();
        assert!(refused.contains(&format!("process {}:", std::process::id())), "{refused}");
        drop(held);
        drop(take(address).expect("free again"));
    }

    /// A daemon retries twice a second while another process holds the lock of its module.
    #[test]
    fn however_often_it_is_asked_for_the_answer_comes_at_once() {
        let _held = take("127.0.0.1:3").expect("free");
        for _ in 0..10_000 {
            let refused = take("127.0.0.1:3").expect_err("taken");
            assert!(matches!(refused, LockError::Taken { .. }), "{refused}");
        }
    }

    #[test]
    fn addresses_that_differ_do_not_exclude_each_other() {
        let _one = take("127.0.0.1:2").expect("free");
        let _other = take("127.0.0.1:20").expect("free");
    }
}
