//! The HTTP API and the page; the page uses only this API.

use crate::guard::{Gate, guard};
use crate::problem::{Problem, ProblemKind};
use crate::stage::Daemon;
use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::{get, post, put};
use std::sync::Arc;

mod connection;
mod download;
mod events;
mod genuine;
mod metrics;
mod page;
mod query;
mod rigs;
mod runs;
mod service;
mod start;
mod unfinished;
mod watch;
mod write_timeout;

pub(crate) use connection::take;
pub(crate) use service::document;

/// Routes while there are too many connections: STOP TEST only.
pub(crate) fn stops(daemon: Arc<Daemon>) -> Router {
    Router::new()
        .route("/api/v1/rigs/{rig}/stop", post(rigs::stop))
        .fallback(|| async {
            let detail = "too many connections: only a stop is accepted until some are closed";
            Problem::new(
                axum::http::StatusCode::SERVICE_UNAVAILABLE,
                ProblemKind::TooManyConnections,
                "Too many connections",
                detail,
            )
        })
        .layer(from_fn_with_state(Arc::new(Gate::new(daemon.users.clone(), daemon.limits.clone())), guard))
        .with_state(daemon)
}

/// All routes.
pub(crate) fn router(daemon: Arc<Daemon>) -> Router {
    let api = Router::new()
        .route("/openapi.json", get(service::openapi))
        .route("/health", get(service::health))
        .route("/watch", get(watch::watch_all))
        .route("/rigs", get(rigs::all))
        .route("/rigs/{rig}", get(rigs::one))
        .route("/rigs/{rig}/round", put(rigs::mount))
        .route("/rigs/{rig}/runs", post(start::start))
        .route("/rigs/{rig}/answer", post(rigs::answer))
        .route("/rigs/{rig}/watch", get(watch::watch))
        .route("/runs/{run}", get(runs::record))
        .route("/runs/{run}/report", get(runs::report))
        .route("/runs/{run}/trace", get(runs::trace))
        .route("/runs/{run}/events", get(events::events))
        .route_layer(from_fn(query::no_keys))
        .route("/runs", get(runs::newest))
        // A stop is never refused for what it does not need.
        .route("/rigs/{rig}/stop", post(rigs::stop))
        .fallback(|| async {
            Problem::not_found("no such path in the API; /api/v1/openapi.json lists the paths")
        })
        .method_not_allowed_fallback(|| async {
            Problem::new(
                axum::http::StatusCode::METHOD_NOT_ALLOWED,
                ProblemKind::Method,
                "Method not allowed",
                "this path does not allow this method; /api/v1/openapi.json lists the methods",
            )
        });
    Router::new()
        .nest("/api/v1", api)
        .route("/metrics", get(metrics::metrics).route_layer(from_fn(query::no_keys)))
        .merge(page::routes())
        .fallback(|| async {
            Problem::not_found(
                "no such page; / is the page of the bench, /api/v1/openapi.json describes the API",
            )
        })
        .layer(DefaultBodyLimit::disable())
        .layer(from_fn_with_state(Arc::new(Gate::new(daemon.users.clone(), daemon.limits.clone())), guard))
        .with_state(daemon)
}
