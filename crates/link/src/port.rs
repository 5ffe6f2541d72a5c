//! An open serial port, shared with no other process.
//!
//! A process that has a port open holds a shared lock (flock(2)) on its device file. The first time it opens the device, it takes an
//! exclusive lock for a moment, which it gets only if nobody else holds one. Unlike a name in a network namespace, the device file is the
//! same in every container that is given the file itself. Within a process any number of ports may be open at a device: a run that hangs
//! keeps its own, and the supervisor must still reach the module.

use rustix::fs::{FlockOperation, flock};
use std::collections::BTreeMap;
use std::fs::{File, Metadata, OpenOptions};
use std::io;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::task::{Context, Poll};
use std::time::Duration;
use thiserror::Error;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_serial::SerialStream;

/// The claims of this process, by device file. Locked for a moment only: nothing that may block is done meanwhile.
static CLAIMED: Mutex<BTreeMap<Node, Weak<File>>> = Mutex::new(BTreeMap::new());

/// How often a claim is tried: another thread of this process, or another tripbench, may have an exclusive lock for a moment.
const TRIES: u32 = 5;
/// Time between two of these tries.
const BETWEEN: Duration = Duration::from_millis(2);

/// A device file. After an adapter was plugged in again, a file of another inode may have the number of the device, and the lock of an open
/// port lies on the old one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Node {
    device: u64,
    file_system: u64,
    inode: u64,
}

impl Node {
    fn of(file: &Metadata) -> Self {
        Self { device: file.rdev(), file_system: file.dev(), inode: file.ino() }
    }
}

/// Another process has the port open.
#[derive(Debug, Error)]
#[error("`{}` is open in another program", path.display())]
pub(crate) struct OpenElsewhere {
    path: PathBuf,
    holder: Holder,
}

/// Who may have a port open, by the lock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Holder {
    /// The lock is shared, as that of tripbench is: perhaps one in another network namespace.
    PerhapsTripbench,
    /// The lock is exclusive, which that of tripbench never is for long: another program.
    AnotherProgram,
}

/// The claim of this process to a serial device, held as long as one of its ports is open there.
#[derive(Debug)]
pub(crate) struct Claim(#[expect(dead_code, reason = "held for its lock")] Arc<File>);

impl Claim {
    /// Claims the device that a path leads to.
    ///
    /// # Errors
    /// [`OpenElsewhere`] if another process has claimed it; or it cannot be opened or locked.
    pub(crate) fn to(path: &Path) -> io::Result<Self> {
        Self::opened_by(path, open)
    }

    fn opened_by(path: &Path, open: impl FnOnce(&Path) -> io::Result<File>) -> io::Result<Self> {
        let node = Node::of(&std::fs::metadata(path)?);
        let held = CLAIMED.lock().unwrap_or_else(PoisonError::into_inner).get(&node).and_then(Weak::upgrade);
        if let Some(held) = held {
            return Ok(Self(held));
        }
        let elsewhere = |holder| io::Error::other(OpenElsewhere { path: path.to_owned(), holder });
        // May take long, if the adapter hangs.
        let opened = open(path).map_err(|error| {
            // Another program has forbidden to open it a second time (TIOCEXCL).
            let is_busy = error.kind() == io::ErrorKind::ResourceBusy;
            if is_busy { elsewhere(Holder::AnotherProgram) } else { error }
        });
        let file = Arc::new(opened?);
        let node = Node::of(&file.metadata()?);
        for _ in 1..TRIES {
            match claimed(node, &file) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => std::thread::park_timeout(BETWEEN),
                done => return done,
            }
        }
        claimed(node, &file).map_err(|error| {
            if error.kind() != io::ErrorKind::WouldBlock {
                return error;
            }
            let is_shared = flock(&*file, FlockOperation::NonBlockingLockShared).is_ok();
            elsewhere(if is_shared { Holder::PerhapsTripbench } else { Holder::AnotherProgram })
        })
    }

    /// Who has the port open, if an error says that another process has.
    pub(crate) fn holder(error: &io::Error) -> Option<Holder> {
        error.get_ref()?.downcast_ref::<OpenElsewhere>().map(|elsewhere| elsewhere.holder)
    }
}

/// Opens a device file without waiting for a carrier.
fn open(path: &Path) -> io::Result<File> {
    let flags = (rustix::fs::OFlags::NONBLOCK | rustix::fs::OFlags::NOCTTY).bits();
    let flags = i32::try_from(flags).map_err(io::Error::other)?;
    OpenOptions::new().read(true).write(true).custom_flags(flags).open(path)
}

/// The claim of this process to the device of an open file: the one that it has already, or a new one.
fn claimed(node: Node, file: &Arc<File>) -> io::Result<Claim> {
    let mut all = CLAIMED.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(held) = all.get(&node).and_then(Weak::upgrade) {
        return Ok(Claim(held));
    }
    for how in [FlockOperation::NonBlockingLockExclusive, FlockOperation::NonBlockingLockShared] {
        flock(&**file, how)?;
    }
    all.retain(|_, held| held.strong_count() > 0);
    all.insert(node, Arc::downgrade(file));
    Ok(Claim(Arc::clone(file)))
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
    use rstest::rstest;
    use std::sync::mpsc::channel;

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
                            prop_assert!(there.is_some() && here.is_empty() && Claim::holder(&error) == Some(Holder::PerhapsTripbench), "{}", error);
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

    /// An adapter that hangs when it is opened delays nobody at another port, nor at its own if that is open already.
    #[rstest]
    fn an_open_that_hangs_holds_up_no_other_port(#[values(false, true)] is_open: bool) {
        let ((_one, hangs), (_other, answers)) = (terminal(), terminal());
        let before = is_open.then(|| Claim::to(&hangs).expect("free"));
        let (opened, go_on) = (channel::<()>(), channel::<()>());
        let path = hangs.clone();
        let hanging = std::thread::spawn(move || {
            Claim::opened_by(&path, |path| {
                opened.0.send(()).expect("somebody waits");
                go_on.1.recv().expect("somebody lets it go on");
                open(path)
            })
        });
        if !is_open {
            opened.1.recv().expect("it opens");
        }
        drop(Claim::to(&answers).expect("free"));
        let _hung = before.map(|_before| Claim::to(&hangs).expect("this process has it"));
        let _opened_already = go_on.0.send(());
        drop(hanging.join().expect("a thread").expect("a claim"));
    }

    /// A program that is not tripbench has an exclusive lock all the time.
    #[rstest]
    #[case::exclusive(FlockOperation::NonBlockingLockExclusive, Holder::AnotherProgram)]
    #[case::shared(FlockOperation::NonBlockingLockShared, Holder::PerhapsTripbench)]
    fn the_lock_tells_whose_it_may_be(#[case] how: FlockOperation, #[case] holder: Holder) {
        let (_master, path) = terminal();
        let there = open(&path).expect("it opens");
        flock(&there, how).expect("free");
        for _ in 0..2 {
            let refused = Claim::to(&path).expect_err("taken");
            assert_eq!(Claim::holder(&refused), Some(holder), "{refused}");
        }
        drop(there);
        drop(Claim::to(&path).expect("free again"));
    }

    /// Two files of one device number, as before and after an adapter was plugged in again. All plain files have the same, 0.
    #[rstest]
    fn a_claim_to_an_old_device_file_is_none_to_the_new_one(#[values(false, true)] old_is_open: bool) {
        let path = |name| {
            std::env::temp_dir().join(format!("tripbench-port-{}-{old_is_open}-{name}", std::process::id()))
        };
        let paths = ["old", "new"].map(path);
        for path in &paths {
            std::fs::write(path, "").expect("a file");
        }
        let _old = old_is_open.then(|| Claim::to(&paths[0]).expect("free"));
        let new = Claim::to(&paths[1]).expect("free");
        assert!(elsewhere(&paths[1]).is_err(), "two masters");
        drop(new);
        elsewhere(&paths[1]).expect("free again");
        for path in &paths {
            std::fs::remove_file(path).expect("a file");
        }
    }
}
