//! An open serial port, shared with no other process.
//!
//! A process that has a port open holds a shared lock (flock(2)) on its device file. The first time it opens the device, it takes an
//! exclusive lock for a moment, which it gets only if nobody else holds one. Unlike a name in a network namespace, the device file is the
//! same in every container that is given the file itself. Within a process any number of ports may be open at a device: a run that hangs
//! keeps its own, and the supervisor must still reach the module.

use rustix::fs::{FlockOperation, flock};
use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::task::{Context, Poll};
use thiserror::Error;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_serial::SerialStream;

/// The claims of this process, by device number.
static CLAIMED: Mutex<BTreeMap<u64, Weak<File>>> = Mutex::new(BTreeMap::new());

/// Another process has the port open.
#[derive(Debug, Error)]
#[error("`{}` is open in another program", .0.display())]
pub(crate) struct OpenElsewhere(PathBuf);

/// The claim of this process to a serial device, held as long as one of its ports is open there.
#[derive(Debug)]
pub(crate) struct Claim(#[expect(dead_code, reason = "held for its lock")] Arc<File>);

impl Claim {
    /// Claims the device that a path leads to.
    ///
    /// # Errors
    /// [`OpenElsewhere`] if another process has claimed it; or it cannot be opened or locked.
    pub(crate) fn to(path: &Path) -> io::Result<Self> {
        let mut claimed = CLAIMED.lock().unwrap_or_else(PoisonError::into_inner);
        let number = std::fs::metadata(path)?.rdev();
        if let Some(held) = claimed.get(&number).and_then(Weak::upgrade) {
            return Ok(Self(held));
        }
        // Without O_NONBLOCK it would wait for a carrier.
        let flags = (rustix::fs::OFlags::NONBLOCK | rustix::fs::OFlags::NOCTTY).bits();
        let flags = i32::try_from(flags).map_err(io::Error::other)?;
        let file = OpenOptions::new().read(true).write(true).custom_flags(flags).open(path)?;
        for how in [FlockOperation::NonBlockingLockExclusive, FlockOperation::NonBlockingLockShared] {
            flock(&file, how).map_err(|errno| match io::Error::from(errno) {
                error if error.kind() == io::ErrorKind::WouldBlock => {
                    io::Error::other(OpenElsewhere(path.to_owned()))
                }
                error => error,
            })?;
        }
        let held = Arc::new(file);
        claimed.insert(number, Arc::downgrade(&held));
        Ok(Self(held))
    }

    /// Whether an error says that another process has the port open.
    pub(crate) fn is_elsewhere(error: &io::Error) -> bool {
        matches!(error.get_ref(), Some(cause) if cause.is::<OpenElsewhere>())
    }
}

/// An open serial port, and the claim to its device.
#[derive(Debug)]
pub struct ClaimedPort {
    // Closed first: it has a shared lock of its own.
    stream: SerialStream,
    _claim: Claim,
}

impl ClaimedPort {
    pub(crate) const fn new(stream: SerialStream, claim: Claim) -> Self {
        Self { stream, _claim: claim }
    }
}

impl AsyncRead for ClaimedPort {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, into)
    }
}

impl AsyncWrite for ClaimedPort {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::terminal;
    use proptest::prelude::*;

    /// Another process, whatever its network namespace: a lock is that of an open file, also within one process.
    fn elsewhere(path: &Path) -> io::Result<File> {
        let file = OpenOptions::new().read(true).write(true).open(path)?;
        flock(&file, FlockOperation::NonBlockingLockExclusive)?;
        flock(&file, FlockOperation::NonBlockingLockShared)?;
        Ok(file)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(100))]

        /// Ports are opened and closed in any order, here and in another process.
        #[test]
        fn a_port_is_open_in_one_process_at_a_time(steps in prop::collection::vec((any::<bool>(), any::<bool>()), 1..30)) {
            let (_master, path) = terminal();
            let (mut here, mut there) = (Vec::new(), None);
            for (ours, opens) in steps {
                match (ours, opens) {
                    (true, true) => match Claim::to(&path) {
                        Ok(claim) => {
                            prop_assert!(there.is_none(), "two masters");
                            here.push(claim);
                        }
                        Err(error) => {
                            prop_assert!(there.is_some() && here.is_empty() && Claim::is_elsewhere(&error), "{}", error);
                        }
                    },
                    (true, false) => drop(here.pop()),
                    (false, true) if there.is_none() => {
                        there = elsewhere(&path).ok();
                        prop_assert_eq!(there.is_some(), here.is_empty());
                    }
                    (false, true) => {}
                    (false, false) => there = None,
                }
            }
        }
    }
}
