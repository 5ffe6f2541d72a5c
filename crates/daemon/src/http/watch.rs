//! The stream of a rig: its state, and levels and signals as they come. Goes on after `Last-Event-ID`.

use crate::daemon::Daemon;
use crate::feed::Frame;
use crate::problem::Problem;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::Stream;
use futures_util::stream::unfold;
use std::collections::VecDeque;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

/// The state of a rig and its samples, as they come.
#[utoipa::path(get, path = "/api/v1/rigs/{rig}/watch", params(("rig" = String, Path, description = "Name of the rig")),
    responses((status = 200, description = "Events `state` (RigState) and `samples` (Samples)", content_type = "text/event-stream"),
        (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn watch(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let rig = daemon.rig(&name).ok_or_else(|| Problem::not_found(format!("there is no rig `{name}`")))?;
    let after = headers.get("last-event-id").and_then(|value| value.to_str().ok());
    // A number of another life of the daemon says nothing.
    let after = after.and_then(|id| id.strip_prefix(&daemon.life)?.strip_prefix('-')?.parse::<u64>().ok());
    let newest = rig.feed.newest();
    let start = (daemon, rig, newest, after, VecDeque::<Frame>::new());
    let stream = unfold(start, |(daemon, rig, mut newest, mut after, mut ready)| async move {
        while ready.is_empty() {
            newest.borrow_and_update();
            ready.extend(rig.feed.after(after));
            if ready.is_empty() {
                newest.changed().await.ok()?;
            }
        }
        let frame = ready.pop_front()?;
        after = Some(frame.number);
        let event = Event::default()
            .event(frame.kind.word())
            .id(format!("{}-{}", daemon.life, frame.number))
            .data(&*frame.data);
        Some((Ok(event), (daemon, rig, newest, after, ready)))
    });
    Ok(Sse::new(stream).keep_alive(KeepAlive::new().interval(Duration::from_secs(5))))
}
