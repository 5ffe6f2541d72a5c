//! The page: one document with its scripts and its style, all built into this program.

use crate::stage::Daemon;
use axum::Router;
use axum::extract::State;
use axum::http::header;
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use maud::{DOCTYPE, html};
use std::sync::Arc;

/// Routes of the page's files.
macro_rules! file {
    ($kind:literal, $name:literal) => {
        get(|| async {
            text(concat!("text/", $kind, "; charset=utf-8"), include_str!(concat!("../../page/", $name)))
        })
    };
}

pub(super) fn routes() -> Router<Arc<Daemon>> {
    Router::new()
        .route("/", get(page))
        .route("/page.js", file!("javascript", "page.js"))
        .route("/rig.js", file!("javascript", "rig.js"))
        .route("/sentence.js", file!("javascript", "sentence.js"))
        .route("/parts.js", file!("javascript", "parts.js"))
        .route("/words.js", file!("javascript", "words.js"))
        .route("/chart.js", file!("javascript", "chart.js"))
        .route("/limits.js", get(limits))
        .route("/page.css", file!("css", "page.css"))
}

fn text(kind: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

/// The timeouts of the page, from the settings of the daemon.
async fn limits(State(daemon): State<Arc<Daemon>>) -> Response {
    let limits = serde_json::to_string(&daemon.limits.page).unwrap_or_default();
    let script = format!("// Timeouts of the page, milliseconds.\nexport const LIMITS = {limits};\n");
    ([(header::CONTENT_TYPE, "text/javascript; charset=utf-8")], script).into_response()
}

/// The document, without content: everything in it comes through the API.
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
