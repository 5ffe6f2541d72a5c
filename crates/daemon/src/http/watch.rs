//! Live streams of rigs: state, levels and signals. Each continues after `Last-Event-ID`.

use crate::feed::Frame;
use crate::problem::{Problem, ProblemKind, Refused};
use crate::stage::{Daemon, Stage};
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::Stream;
use futures_util::future::select_all;
use futures_util::stream::unfold;
use std::collections::VecDeque;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::OwnedSemaphorePermit;
use tokio::sync::watch::Receiver;
use tokio::time::{Instant, sleep_until, timeout};

/// Live states and samples of all rigs in one stream: a browser allows only few streams per page.
#[utoipa::path(get, path = "/api/v1/watch",
    params(("last-event-id" = Option<String>, Header, description = "Identifier of the last event received; ignored if it is from an earlier start of the daemon")),
    responses(Refused, (status = 200, description = "Events `state` (RigState) and `samples` (Samples), each as `{\"rig\": name, \"told\": …}`; `beat` after a second without another event", content_type = "text/event-stream"),
        (status = 503, description = "Too many watchers", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn watch_all(
    State(daemon): State<Arc<Daemon>>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let rigs = daemon.watched().map(|(rig, stage)| (rig.name.clone(), Arc::clone(stage))).collect();
    Ok(told(Watch::new(&daemon, rigs, &headers, true)?))
}

/// Live state and samples of a rig.
#[utoipa::path(get, path = "/api/v1/rigs/{rig}/watch", params(("rig" = String, Path, description = "Name of the rig"), ("last-event-id" = Option<String>, Header, description = "Identifier of the last event received")),
    responses(Refused, (status = 200, description = "Events `state` (RigState) and `samples` (Samples); `beat` after a second without another event", content_type = "text/event-stream"),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Too many watchers", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn watch(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let (rig, stage) =
        daemon.find(&name).ok_or_else(|| Problem::not_found(format!("there is no rig `{name}`")))?;
    let rigs = vec![(rig.name.clone(), Arc::clone(stage))];
    Ok(told(Watch::new(&daemon, rigs, &headers, false)?))
}

fn told(watch: Watch) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let stream = unfold(watch, |mut watch| async move {
        let event = watch.next().await?;
        Some((Ok(event), watch))
    });
    Sse::new(stream).keep_alive(KeepAlive::new().interval(Duration::from_secs(5)))
}

/// Seat of a watcher, free again when dropped.
type Seat = OwnedSemaphorePermit;

/// A seat for one more watcher.
///
/// # Errors
/// If all are taken.
pub(super) fn seat(daemon: &Daemon) -> Result<Seat, Problem> {
    Arc::clone(&daemon.watchers).try_acquire_owned().map_err(|_| {
        let most = daemon.limits.watchers;
        let detail = format!("there are already {most} watchers: close a window, or a program that watches");
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, ProblemKind::TooManyWatch, "Too many watchers", detail)
    })
}

/// Name of a rig, and its stage.
type Watched = (String, Arc<Stage>);

/// Stream of one watcher.
struct Watch {
    _seat: Seat,
    start_id: String,
    /// The watched rigs.
    rigs: Vec<Watched>,
    newest: Vec<Receiver<u64>>,
    /// Number of the last frame sent, of each rig.
    after: Vec<Option<u64>>,
    ready: VecDeque<(usize, Frame)>,
    named: bool,
    /// Earliest time of the next batch.
    next: Instant,
    batch_every: Duration,
    beat_every: Duration,
}

impl Watch {
    /// A stream that continues after the last event received, `START-n.n.n` with a number for each rig. An identifier from an earlier start
    /// of the daemon is ignored.
    fn new(daemon: &Daemon, rigs: Vec<Watched>, headers: &HeaderMap, named: bool) -> Result<Self, Problem> {
        let (seat, start_id) = (seat(daemon)?, daemon.start_id.as_str());
        let id = headers.get("last-event-id").and_then(|value| value.to_str().ok());
        let numbers = id.and_then(|id| id.strip_prefix(start_id)?.strip_prefix('-'));
        let mut after: Vec<Option<u64>> =
            numbers.into_iter().flat_map(|numbers| numbers.split('.')).map(|n| n.parse().ok()).collect();
        after.resize(rigs.len(), None);
        let newest = rigs.iter().map(|(_, stage)| stage.feed.newest()).collect();
        Ok(Self {
            _seat: seat,
            start_id: start_id.to_owned(),
            rigs,
            newest,
            after,
            ready: VecDeque::new(),
            named,
            next: Instant::now(),
            batch_every: daemon.limits.batch_every,
            beat_every: daemon.limits.beat_every,
        })
    }

    async fn next(&mut self) -> Option<Event> {
        while self.ready.is_empty() {
            for (index, (_, stage)) in self.rigs.iter().enumerate() {
                self.newest[index].borrow_and_update();
                self.ready
                    .extend(stage.feed.after(self.after[index]).into_iter().map(|frame| (index, frame)));
            }
            if self.ready.is_empty() {
                let changes = self.newest.iter_mut().map(|newest| Box::pin(newest.changed()));
                match timeout(self.beat_every, select_all(changes)).await {
                    Ok((changed, ..)) => changed.ok()?,
                    Err(_) => return Some(Event::default().event("beat").data("{}")),
                }
                sleep_until(self.next).await;
                self.next = Instant::now() + self.batch_every;
            }
        }
        let (index, frame) = self.ready.pop_front()?;
        self.after[index] = Some(frame.number);
        let numbers: Vec<String> = self.after.iter().map(|number| number.unwrap_or(0).to_string()).collect();
        let data = if self.named {
            let name = serde_json::to_string(&self.rigs[index].0).ok()?;
            format!("{{\"rig\":{name},\"told\":{}}}", frame.data)
        } else {
            frame.data.to_string()
        };
        let id = format!("{}-{}", self.start_id, numbers.join("."));
        Some(Event::default().event(frame.kind.word()).id(id).data(data))
    }
}
