//! Query keys: one that a path does not know is refused, not ignored. A misspelt selection would select everything.

use crate::problem::Problem;
use axum::extract::Request;
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

/// Refuses every query key.
pub(crate) async fn no_keys(request: Request, next: Next) -> Response {
    let key = request.uri().query().and_then(first_key).map(|key| key.escape_debug().to_string());
    match key {
        Some(key) => {
            let detail = format!("query key `{key}`: this path allows no query keys");
            Problem::bad_request(detail).into_response()
        }
        None => next.run(request).await,
    }
}

/// The first key of a query, as it was sent.
fn first_key(query: &str) -> Option<&str> {
    let pair = query.split('&').find(|pair| !pair.is_empty())?;
    Some(pair.split_once('=').map_or(pair, |(key, _)| key))
}
