//! The line as the master sees it: it is opened, and bytes are written to it and read from it.

use super::VirtualLine;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tripbench_link::Line;
use tripbench_rig::SerialTiming;

/// Longest time to open a connection, as of a line in real time.
const CONNECTS_WITHIN: Duration = Duration::from_secs(1);

impl Line for VirtualLine {
    type Port = VirtualPort;

    async fn open(&self) -> io::Result<VirtualPort> {
        let (clock, takes) = {
            let mut wired = self.lock();
            (wired.clock.clone(), std::mem::take(&mut wired.connects_slowly))
        };
        clock.sleep(takes.min(CONNECTS_WITHIN)).await;
        if takes > CONNECTS_WITHIN {
            return Err(io::ErrorKind::TimedOut.into());
        }
        let mut wired = self.lock();
        let now = wired.clock.now();
        wired.arrive(now);
        if let Some(left) = wired.refuses.checked_sub(1) {
            wired.refuses = left;
            return Err(io::ErrorKind::ConnectionRefused.into());
        }
        wired.connection += 1;
        wired.closed = false;
        wired.inbox.clear();
        Ok(VirtualPort { line: self.clone(), connection: wired.connection })
    }

    fn timing(&self) -> Option<SerialTiming> {
        self.lock().timing
    }
}

/// An open connection to the line.
#[derive(Debug)]
pub struct VirtualPort {
    line: VirtualLine,
    connection: u64,
}

impl AsyncRead for VirtualPort {
    fn poll_read(self: Pin<&mut Self>, _: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let mut wired = self.line.lock();
        let now = wired.clock.now();
        wired.arrive(now);
        if wired.connection != self.connection {
            return Poll::Ready(Ok(()));
        }
        if !wired.inbox.is_empty() {
            let count = into.remaining().min(wired.inbox.len()).min(wired.most_read);
            let bytes: Vec<u8> = wired.inbox.drain(..count).collect();
            into.put_slice(&bytes);
            return Poll::Ready(Ok(()));
        }
        if wired.closed {
            return Poll::Ready(Ok(()));
        }
        if let Some(next) = wired.on_the_way.iter().map(|(at, _)| *at).min() {
            wired.clock.comes_at(next);
        }
        Poll::Pending
    }
}

impl AsyncWrite for VirtualPort {
    fn poll_write(self: Pin<&mut Self>, _: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let mut wired = self.line.lock();
        let now = wired.clock.now();
        wired.arrive(now);
        if wired.closed || wired.connection != self.connection {
            return Poll::Ready(Err(io::ErrorKind::BrokenPipe.into()));
        }
        wired.asked(bytes);
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}
