//! Live streams of rigs: state, levels and signals. Each continues after `Last-Event-ID`.

use crate::feed::Frame;
use crate::problem::{Problem, Refused};
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
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
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
    Ok(told(Watch::new(&daemon.life, rigs, &headers, true)?))
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
    Ok(told(Watch::new(&daemon.life, rigs, &headers, false)?))
}

fn told(watch: Watch) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let stream = unfold(watch, |mut watch| async move {
        let event = watch.next().await?;
        Some((Ok(event), watch))
    });
    Sse::new(stream).keep_alive(KeepAlive::new().interval(Duration::from_secs(5)))
}

/// Most watchers at once; each costs memory and time.
const MOST_WATCHERS: usize = 100;
static WATCHERS: AtomicUsize = AtomicUsize::new(0);

/// Seat of a watcher, free again when dropped.
pub(super) struct Seat;

impl Seat {
    pub(super) fn take() -> Result<Self, Problem> {
        if WATCHERS.fetch_add(1, Ordering::SeqCst) < MOST_WATCHERS {
            return Ok(Self);
        }
        WATCHERS.fetch_sub(1, Ordering::SeqCst);
        let detail =
            format!("there are already {MOST_WATCHERS} watchers: close a window, or a program that watches");
        Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, "too-many-watch", "Too many watchers", detail))
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        WATCHERS.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Name of a rig, and its stage.
type Watched = (String, Arc<Stage>);

/// Stream of one watcher.
struct Watch {
    _seat: Seat,
    life: String,
    /// The watched rigs.
    rigs: Vec<Watched>,
    newest: Vec<Receiver<u64>>,
    /// Number of the last frame sent, of each rig.
    after: Vec<Option<u64>>,
    ready: VecDeque<(usize, Frame)>,
    named: bool,
    /// Earliest time of the next batch.
    next: Instant,
}

/// Least time between two batches to a watcher: a bench of many rigs would wake it hundreds of times per second.
const BATCH_EVERY: Duration = Duration::from_millis(40);
/// Longest time without an event: a watcher that receives nothing for three times as long has lost the daemon.
const BEAT_EVERY: Duration = Duration::from_secs(1);

impl Watch {
    /// A stream that continues after the last event received, `life-n.n.n` with a number for each rig. An identifier from an earlier start
    /// of the daemon is ignored.
    fn new(life: &str, rigs: Vec<Watched>, headers: &HeaderMap, named: bool) -> Result<Self, Problem> {
        let seat = Seat::take()?;
        let id = headers.get("last-event-id").and_then(|value| value.to_str().ok());
        let numbers = id.and_then(|id| id.strip_prefix(life)?.strip_prefix('-'));
        let mut after: Vec<Option<u64>> =
            numbers.into_iter().flat_map(|numbers| numbers.split('.')).map(|n| n.parse().ok()).collect();
        after.resize(rigs.len(), None);
        let newest = rigs.iter().map(|(_, stage)| stage.feed.newest()).collect();
        Ok(Self {
            _seat: seat,
            life: life.to_owned(),
            rigs,
            newest,
            after,
            ready: VecDeque::new(),
            named,
            next: Instant::now(),
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
                match timeout(BEAT_EVERY, select_all(changes)).await {
                    Ok((changed, ..)) => changed.ok()?,
                    Err(_) => return Some(Event::default().event("beat").data("{}")),
                }
                sleep_until(self.next).await;
                self.next = Instant::now() + BATCH_EVERY;
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
        let id = format!("{}-{}", self.life, numbers.join("."));
        Some(Event::default().event(frame.kind.word()).id(id).data(data))
    }
}
