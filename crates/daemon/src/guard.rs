//! What every request has to pass: from this machine, from this page, from a user who may change anything, and not too many.

use crate::limits::Limits;
use crate::peer::Peer;
use crate::problem::{Problem, ProblemKind};
use axum::body::{Body, to_bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::time::Instant;

/// Rate limit of changes.
#[derive(Debug)]
struct Limit {
    at_once: f64,
    each_second: f64,
    /// Changes left, as of a moment.
    left: Mutex<(f64, Instant)>,
}

/// What requests are held against.
#[derive(Debug)]
pub(crate) struct Gate {
    limit: Limit,
    limits: Limits,
    /// Users who may change something, besides the daemon's own and root.
    users: Vec<u32>,
}

impl Gate {
    pub(crate) fn new(users: Vec<u32>, limits: Limits) -> Self {
        Self { limit: Limit::new(&limits), limits, users }
    }

    /// Whether a user may mount, start and answer. Everybody may look, and everybody may stop.
    fn may_change(&self, user: Option<u32>) -> bool {
        let own = rustix::process::geteuid().as_raw();
        user.is_some_and(|user| user == 0 || user == own || self.users.contains(&user))
    }
}

impl Limit {
    fn new(limits: &Limits) -> Self {
        let (at_once, each_second) = (limits.changes_at_once.into(), limits.changes_each_second.into());
        Self { at_once, each_second, left: Mutex::new((at_once, Instant::now())) }
    }

    fn take(&self) -> bool {
        let mut left = self.left.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        let passed = now.duration_since(left.1);
        *left = (self.each_second.mul_add(passed.as_secs_f64(), left.0).min(self.at_once), now);
        let may = left.0 >= 1.0;
        if may {
            left.0 -= 1.0;
        }
        may
    }
}

/// Content security policy of every response: only this daemon's own scripts, styles, pictures and streams.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
     font-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Refuses what is not meant for this machine, what comes from another site's page, and what is too much. STOP TEST is never
/// counted: it always gets through.
pub(crate) async fn guard(State(gate): State<Arc<Gate>>, request: Request, next: Next) -> Response {
    // The user first: a foreign one must not use up what the operators may change.
    let asks = changes(&request) && !is_stop(&request);
    let peer = request.extensions().get::<Peer>().cloned();
    let foreign = if asks { foreign_user(&gate, peer).await } else { None };
    let response = match foreign.or_else(|| refused(&gate, &request)) {
        Some(problem) => problem.into_response(),
        None if is_stop(&request) || !changes(&request) => next.run(request).await,
        None => match whole(&gate.limits, request).await {
            Ok(request) => next.run(request).await,
            Err(problem) => problem.into_response(),
        },
    };
    with_headers(response)
}

fn changes(request: &Request) -> bool {
    !matches!(*request.method(), Method::GET | Method::HEAD | Method::OPTIONS)
}

fn is_stop(request: &Request) -> bool {
    request.uri().path().ends_with("/stop")
}

/// Reads the body of a request completely before the request has any effect.
async fn whole(limits: &Limits, request: Request) -> Result<Request, Problem> {
    let (head, body) = request.into_parts();
    let read = tokio::time::timeout(limits.body_within, to_bytes(body, limits.largest_body)).await;
    let read = read.map_err(|_| {
        let within = limits.body_within.as_secs_f64();
        let detail = format!("the body did not arrive completely within {within} seconds: nothing was done");
        Problem::new(StatusCode::REQUEST_TIMEOUT, ProblemKind::TooSlow, "The body arrived too slowly", detail)
    })?;
    let bytes = read.map_err(|_| {
        let most = limits.largest_body / 1024;
        let detail = format!("the body is incomplete, or larger than {most} KiB, the maximum");
        Problem::new(StatusCode::PAYLOAD_TOO_LARGE, ProblemKind::TooLarge, "The body is too large", detail)
    })?;
    Ok(Request::from_parts(head, Body::from(bytes)))
}

/// Refuses a change by a user who may not operate the bench.
async fn foreign_user(gate: &Gate, peer: Option<Peer>) -> Option<Problem> {
    let user = match peer {
        Some(peer) => peer.user().await,
        None => None,
    };
    if gate.may_change(user) {
        return None;
    }
    let user = user.map_or_else(|| String::from("an unknown user"), |user| format!("user {user}"));
    tracing::debug!(user, "refused: this user may not operate the bench");
    let detail = format!(
        "{user} may not operate this bench: allowed are the daemon's own user, root, and `users` of the bench sheet. STOP TEST is allowed to everybody"
    );
    Some(Problem::new(StatusCode::FORBIDDEN, ProblemKind::ForeignUser, "Not this user", detail))
}

fn refused(gate: &Gate, request: &Request) -> Option<Problem> {
    let text = |name: HeaderName| request.headers().get(name).and_then(|value| value.to_str().ok());
    let host = text(header::HOST).unwrap_or_default();
    if !is_here(host) {
        let detail = format!("Host `{host}` is not this machine: allowed are 127.0.0.1, [::1] and localhost");
        return Some(Problem::new(
            StatusCode::FORBIDDEN,
            ProblemKind::ForeignHost,
            "Not for this machine",
            detail,
        ));
    }
    if let Some(origin) = text(header::ORIGIN) {
        let own = origin.strip_prefix("http://").is_some_and(|rest| rest.eq_ignore_ascii_case(host));
        if !own {
            let detail = format!("Origin `{origin}` is another site's page");
            return Some(Problem::new(
                StatusCode::FORBIDDEN,
                ProblemKind::ForeignOrigin,
                "From another site",
                detail,
            ));
        }
    }
    if let Some(problem) = from_another_site(request) {
        return Some(problem);
    }
    (changes(request) && !is_stop(request) && !gate.limit.take()).then(|| {
        let (at_once, each_second) = (gate.limits.changes_at_once, gate.limits.changes_each_second);
        let detail = format!(
            "too many changes: allowed are {at_once} at once and {each_second} per second; wait a moment"
        );
        Problem::new(StatusCode::TOO_MANY_REQUESTS, ProblemKind::TooMany, "Too many changes", detail)
    })
}

/// Refuses what a browser sends on behalf of another site (Fetch Metadata, `Sec-Fetch-Site`). A GET request carries no Origin: without
/// this check, any page that is open in the browser could open streams and downloads here. Programs that are no browser send no such
/// header. A link on another page may open the page of the bench, and nothing else.
fn from_another_site(request: &Request) -> Option<Problem> {
    let sent = request.headers().get("sec-fetch-site")?;
    let value = |name: &str| request.headers().get(name).and_then(|value| value.to_str().ok());
    let is_opened = matches!(*request.method(), Method::GET | Method::HEAD)
        && value("sec-fetch-mode") == Some("navigate")
        && value("sec-fetch-dest") == Some("document");
    let is_allowed = match sent.to_str().unwrap_or_default() {
        // `none`: typed, a bookmark, a reload.
        "same-origin" | "none" => true,
        // Another port of this machine.
        "same-site" => is_opened,
        "cross-site" => is_opened && request.uri().path() == "/",
        _ => false,
    };
    (!is_allowed).then(|| {
        let detail = format!(
            "Sec-Fetch-Site {sent:?}: a page of another site asks for this; allowed are `same-origin`, `none`, and links that open the page"
        );
        Problem::new(StatusCode::FORBIDDEN, ProblemKind::ForeignOrigin, "From another site", detail)
    })
}

/// Whether a Host header names this machine, with or without a port.
fn is_here(host: &str) -> bool {
    let host = host.to_ascii_lowercase();
    let name = host.rsplit_once(':').filter(|(_, port)| port.bytes().all(|byte| byte.is_ascii_digit()));
    // An IPv6 address must be in brackets: the colons of a bare one do not separate a port.
    ["127.0.0.1", "localhost", "[::1]"].contains(&name.map_or(host.as_str(), |(name, _)| name))
}

fn with_headers(mut response: Response) -> Response {
    let headers = response.headers_mut();
    let fixed = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::X_FRAME_OPTIONS, "DENY"),
        // For browsers that do not send Fetch Metadata.
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ];
    for (name, value) in fixed {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[test]
    fn only_names_of_this_machine_are_here() {
        for host in ["127.0.0.1", "127.0.0.1:7420", "localhost:1", "[::1]:7420", "LOCALHOST"] {
            assert!(is_here(host), "{host}");
        }
        for host in [
            "",
            "example.org",
            "127.0.0.1.example.org",
            "localhost.example.org:80",
            "[::2]",
            "[::1]evil",
            "::1",
            "[::1]:7420:1",
        ] {
            assert!(!is_here(host), "{host}");
        }
    }

    fn request(method: &str, path: &str, headers: &[(&str, &str)]) -> Request {
        let request = Request::builder().method(method).uri(path).header("host", "127.0.0.1:7420");
        let with = |request: axum::http::request::Builder, (name, value): &(&str, &str)| {
            request.header(*name, *value)
        };
        headers.iter().fold(request, with).body(Body::empty()).expect("a request")
    }

    const OPENED: [(&str, &str); 2] = [("sec-fetch-mode", "navigate"), ("sec-fetch-dest", "document")];
    const FETCHED: [(&str, &str); 2] = [("sec-fetch-mode", "no-cors"), ("sec-fetch-dest", "script")];
    const FRAMED: [(&str, &str); 2] = [("sec-fetch-mode", "navigate"), ("sec-fetch-dest", "iframe")];

    /// As browsers send it: the page's own requests, links and other elements of other pages; and programs, which send nothing.
    #[rstest]
    #[case::program("GET", "/api/v1/runs", &[], true)]
    #[case::program_stops("POST", "/api/v1/rigs/a/stop", &[], true)]
    #[case::own_page("GET", "/api/v1/rigs", &[("sec-fetch-site", "same-origin"), ("sec-fetch-mode", "cors")], true)]
    #[case::own_page_stops("POST", "/api/v1/rigs/a/stop", &[("sec-fetch-site", "same-origin")], true)]
    #[case::typed("GET", "/", &[("sec-fetch-site", "none"), OPENED[0], OPENED[1]], true)]
    #[case::link_of_another_port("GET", "/api/v1/runs/a/report", &[("sec-fetch-site", "same-site"), OPENED[0], OPENED[1]], true)]
    #[case::script_of_another_port("GET", "/api/v1/rigs", &[("sec-fetch-site", "same-site"), FETCHED[0], FETCHED[1]], false)]
    #[case::frame_of_another_port("GET", "/", &[("sec-fetch-site", "same-site"), FRAMED[0], FRAMED[1]], false)]
    #[case::form_of_another_port("POST", "/api/v1/rigs/a/stop", &[("sec-fetch-site", "same-site"), OPENED[0], OPENED[1]], false)]
    #[case::link_of_another_site("GET", "/", &[("sec-fetch-site", "cross-site"), OPENED[0], OPENED[1]], true)]
    #[case::download_by_another_site("GET", "/api/v1/runs/a/trace", &[("sec-fetch-site", "cross-site"), OPENED[0], OPENED[1]], false)]
    #[case::stream_of_another_site("GET", "/api/v1/watch", &[("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "cors")], false)]
    #[case::script_of_another_site("GET", "/api/v1/rigs", &[("sec-fetch-site", "cross-site"), FETCHED[0], FETCHED[1]], false)]
    #[case::page_as_a_script("GET", "/", &[("sec-fetch-site", "cross-site"), FETCHED[0], FETCHED[1]], false)]
    #[case::form_of_another_site("POST", "/api/v1/rigs/a/stop", &[("sec-fetch-site", "cross-site"), OPENED[0], OPENED[1]], false)]
    #[case::not_a_value("GET", "/", &[("sec-fetch-site", "Same-Origin"), OPENED[0], OPENED[1]], false)]
    fn a_browser_is_refused_what_another_site_asks_for(
        #[case] method: &str,
        #[case] path: &str,
        #[case] headers: &[(&str, &str)],
        #[case] allowed: bool,
    ) {
        let problem = refused(&Gate::new(Vec::new(), Limits::default()), &request(method, path, headers));
        assert_eq!(problem.is_none(), allowed, "{problem:?}");
        assert!(
            problem.is_none_or(|problem| problem.status == 403 && problem.kind == ProblemKind::ForeignOrigin)
        );
    }

    #[test]
    fn changes_are_limited() {
        let limit = Limit::new(&Limits::default());
        let taken = (0..200).filter(|_| limit.take()).count();
        assert!((60..80).contains(&taken), "{taken}");
    }
}
