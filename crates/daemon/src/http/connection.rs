//! Connections: their largest number, and their timeouts.

use super::write_timeout::WriteTimeout;
use crate::limits::Limits;
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

/// Accepts connections as long as it is polled.
pub(crate) async fn take(listener: TcpListener, router: Router, stops: Router, limits: Limits) {
    let seats = Arc::new(Semaphore::new(limits.connections));
    let reserve = Arc::new(Semaphore::new(limits.stop_connections));
    loop {
        let (stream, remote) = match listener.accept().await {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::warn!(%error, "cannot accept a connection");
                tokio::time::sleep(Duration::from_millis(50)).await;
                continue;
            }
        };
        let (seat, router, is_for_all) = match Arc::clone(&seats).try_acquire_owned() {
            Ok(seat) => (seat, router.clone(), true),
            Err(_) => match Arc::clone(&reserve).try_acquire_owned() {
                Ok(seat) => (seat, stops.clone(), false),
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
        // A connection for a stop has a time limit from its first byte to its last.
        let (within, last) = if is_for_all {
            (limits.header_within, Duration::MAX)
        } else {
            (limits.stop_within, limits.stop_within * 2)
        };
        let stream = TokioIo::new(WriteTimeout::new(stream, limits.write_within));
        tokio::spawn(async move {
            let mut served = http1::Builder::new();
            served.timer(TokioTimer::new()).header_read_timeout(within).keep_alive(is_for_all);
            let serving = served.serve_connection(stream, service);
            if let Ok(Err(error)) = tokio::time::timeout(last, serving).await {
                tracing::debug!(%error, "a connection ended");
            }
            drop(seat);
        });
    }
}
