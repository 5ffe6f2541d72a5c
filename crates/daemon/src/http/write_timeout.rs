//! A stream whose reader must take something now and then.

use std::future::Future;
use std::io::{Error, ErrorKind, IoSlice, Result};
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Sleep, sleep};

/// A stream that fails once a write has waited for `within`: the reader at the other end takes nothing.
#[derive(Debug)]
pub(super) struct WriteTimeout<S> {
    stream: S,
    within: Duration,
    /// Ends when the write that waits has failed; `None` while no write waits.
    waits: Option<Pin<Box<Sleep>>>,
}

impl<S> WriteTimeout<S> {
    pub(super) fn new(stream: S, within: Duration) -> Self {
        Self { stream, within, waits: None }
    }

    /// The outcome of a write, or a timeout if it waits and has waited too long.
    fn within<T>(&mut self, wrote: Poll<Result<T>>, context: &mut Context<'_>) -> Poll<Result<T>> {
        if wrote.is_ready() {
            self.waits = None;
            return wrote;
        }
        let within = self.within;
        let waits = self.waits.get_or_insert_with(|| Box::pin(sleep(within)));
        waits
            .as_mut()
            .poll(context)
            .map(|()| Err(Error::new(ErrorKind::TimedOut, "the reader takes nothing")))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for WriteTimeout<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for WriteTimeout<S> {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<Result<usize>> {
        let wrote = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.within(wrote, context)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        slices: &[IoSlice<'_>],
    ) -> Poll<Result<usize>> {
        let wrote = Pin::new(&mut self.stream).poll_write_vectored(context, slices);
        self.within(wrote, context)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Result<()>> {
        let flushed = Pin::new(&mut self.stream).poll_flush(context);
        self.within(flushed, context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Result<()>> {
        let shut = Pin::new(&mut self.stream).poll_shutdown(context);
        self.within(shut, context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};
    use tokio::time::Instant;

    const WITHIN: Duration = Duration::from_millis(100);

    /// Runs on a current-thread runtime.
    fn run<T>(of: impl Future<Output = T>) -> T {
        tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime").block_on(of)
    }

    #[test]
    fn a_reader_that_takes_nothing_ends_the_stream() {
        run(async {
            let (writes, _reads) = duplex(8);
            let mut writes = WriteTimeout::new(writes, WITHIN);
            let begun = Instant::now();
            let error = writes.write_all(&[0; 64]).await.expect_err("nobody reads");
            assert_eq!(error.kind(), ErrorKind::TimedOut);
            assert!(begun.elapsed() >= WITHIN, "{:?}", begun.elapsed());
        });
    }

    /// Each part is taken in time, all of them together take longer.
    #[test]
    fn a_reader_that_is_slow_gets_everything() {
        run(async {
            let (writes, mut reads) = duplex(8);
            let mut writes = WriteTimeout::new(writes, WITHIN);
            let reads = tokio::spawn(async move {
                let mut all = Vec::new();
                let mut part = [0; 8];
                while let Ok(length @ 1..) = reads.read(&mut part).await {
                    all.extend_from_slice(&part[..length]);
                    sleep(WITHIN / 4).await;
                }
                all
            });
            writes.write_all(&[7; 64]).await.expect("it is read");
            drop(writes);
            assert_eq!(reads.await.expect("it ends"), [7; 64]);
        });
    }
}
