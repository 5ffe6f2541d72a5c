//! The page: one document, its script and its style, all from this program.

use crate::daemon::Daemon;
use axum::Router;
use axum::http::header;
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use maud::{DOCTYPE, html};
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Daemon>> {
    Router::new()
        .route("/", get(page))
        .route(
            "/page.js",
            get(|| async { text("text/javascript; charset=utf-8", include_str!("../../page/page.js")) }),
        )
        .route(
            "/words.js",
            get(|| async { text("text/javascript; charset=utf-8", include_str!("../../page/words.js")) }),
        )
        .route(
            "/chart.js",
            get(|| async { text("text/javascript; charset=utf-8", include_str!("../../page/chart.js")) }),
        )
        .route(
            "/page.css",
            get(|| async { text("text/css; charset=utf-8", include_str!("../../page/page.css")) }),
        )
}

fn text(kind: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

/// The document is empty: everything in it comes over the API.
async fn page() -> Html<String> {
    let document = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "tripbench" }
                link rel="stylesheet" href="/page.css";
                script type="module" src="/page.js" {}
            }
            body {
                main id="bench" {}
                noscript { p { "This page needs its own script; nothing is fetched from elsewhere." } }
            }
        }
    };
    Html(document.into_string())
}
