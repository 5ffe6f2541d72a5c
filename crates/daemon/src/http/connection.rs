//! Connections: their largest number, and their timeouts.

use crate::peer::Peer;
use axum::Router;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;

/// Most connections at once. Each is an open file: some must be left for the modules and the records.
const MOST: usize = 450;
/// Additional short connections that accept only a stop.
const FOR_STOPS: usize = 50;
/// Time limit of a connection for a stop.
const STOPS_WITHIN: Duration = Duration::from_secs(1);
/// Connections without a complete request header are closed after this time. A stream is a response and may stay open.
const ASKS_WITHIN: Duration = Duration::from_secs(10);

/// Accepts connections as long as it is polled.
pub(crate) async fn take(listener: TcpListener, router: Router, stops: Router) {
    let seats = Arc::new(Semaphore::new(MOST));
    let reserve = Arc::new(Semaphore::new(FOR_STOPS));
    loop {
        let (stream, remote) = match listener.accept().await {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::warn!(%error, "cannot accept a connection");
                tokio::time::sleep(Duration::from_millis(50)).await;
                continue;
            }
        };
        let (seat, router, within) = match Arc::clone(&seats).try_acquire_owned() {
            Ok(seat) => (seat, router.clone(), ASKS_WITHIN),
            Err(_) => match Arc::clone(&reserve).try_acquire_owned() {
                Ok(seat) => (seat, stops.clone(), STOPS_WITHIN),
                // No seat left: the connection is closed at once.
                Err(_) => continue,
            },
        };
        let peer = stream.local_addr().ok().map(|local| Peer::new(remote, local));
        let router = TowerToHyperService::new(router);
        let service = service_fn(move |mut request: hyper::Request<Incoming>| {
            if let Some(peer) = &peer {
                request.extensions_mut().insert(peer.clone());
            }
            router.call(request)
        });
        tokio::spawn(async move {
            let mut served = http1::Builder::new();
            served.timer(TokioTimer::new()).header_read_timeout(within).keep_alive(within == ASKS_WITHIN);
            let serving = served.serve_connection(TokioIo::new(stream), service);
            // A connection for a stop has a time limit from its first byte to its last.
            let last = if within == ASKS_WITHIN { Duration::MAX } else { within * 2 };
            if let Ok(Err(error)) = tokio::time::timeout(last, serving).await {
                tracing::debug!(%error, "a connection ended");
            }
            drop(seat);
        });
    }
}
