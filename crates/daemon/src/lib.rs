//! The daemon: serves the rigs of a bench over HTTP, with the streams of those who watch and the page. Listens on loopback only.

mod document;
mod feed;
mod guard;
mod http;
mod peer;
mod problem;
mod samples;
mod serve;
mod stage;

pub use serve::{Serve, ServeError, serve};

/// The `OpenAPI` 3.1 document of the API, pretty.
pub fn openapi() -> String {
    http::document()
}
