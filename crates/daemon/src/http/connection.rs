//! Connections: how many there may be, and how long one may say nothing.

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;

/// So many at once. Each is an open file: there is to be one left for the module and for the record.
const MOST: usize = 500;
/// One that asks nothing, or does not come to the end of asking, is closed after this time. A stream is an answer, and lasts.
const ASKS_WITHIN: Duration = Duration::from_secs(10);

/// Takes connections as long as it is polled.
pub(crate) async fn take(listener: TcpListener, router: Router) {
    let seats = Arc::new(Semaphore::new(MOST));
    loop {
        let stream = match listener.accept().await {
            Ok((stream, _)) => stream,
            Err(error) => {
                tracing::warn!(%error, "a connection was not taken");
                tokio::time::sleep(Duration::from_millis(50)).await;
                continue;
            }
        };
        // One too many is closed at once.
        let Ok(seat) = Arc::clone(&seats).try_acquire_owned() else { continue };
        let service = TowerToHyperService::new(router.clone());
        tokio::spawn(async move {
            let mut served = http1::Builder::new();
            served.timer(TokioTimer::new()).header_read_timeout(ASKS_WITHIN);
            if let Err(error) = served.serve_connection(TokioIo::new(stream), service).await {
                tracing::debug!(%error, "a connection ended");
            }
            drop(seat);
        });
    }
}
