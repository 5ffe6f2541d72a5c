//! The daemon: serves the rigs of a bench over HTTP, with live streams and the page. Listens on loopback only.

mod at_disk;
mod document;
mod feed;
mod guard;
mod http;
mod keys;
mod limits;
mod peer;
mod problem;
mod problem_kind;
mod samples;
mod serve;
mod stage;
mod timing;

pub use limits::{Limits, PageLimits};
pub use serve::{Serve, ServeError, serve};

/// The `OpenAPI` 3.1 document of the API, as indented JSON.
pub fn openapi() -> String {
    http::document()
}
