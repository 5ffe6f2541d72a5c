//! Metrics for monitoring, as `OpenMetrics` text.

use crate::document::{Doing, verdict_key};
use crate::problem::{Problem, Refused};
use crate::stage::Daemon;
use crate::timing::OfRig;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use prometheus_client::encoding::{EncodeLabelSet, text::encode};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use std::sync::Arc;

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfDoing {
    rig: String,
    doing: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfVerdict {
    rig: String,
    verdict: &'static str,
    /// Whether no device was tested.
    simulated: &'static str,
}

/// Metrics (`OpenMetrics` text 1.0).
#[utoipa::path(get, path = "/metrics", responses(Refused, (status = 200, description = "State of the rigs, runs that wait, devices tested by verdict; how fast the rigs are scanned and recorded", content_type = "application/openmetrics-text")))]
pub(crate) async fn metrics(State(daemon): State<Arc<Daemon>>) -> Result<Response, Problem> {
    let mut text = String::new();
    encode(&mut text, &registry(&daemon)).map_err(|error| Problem::inside(error.to_string()))?;
    let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    Ok(([(header::CONTENT_TYPE, kind)], text).into_response())
}

/// The present values.
fn registry(daemon: &Daemon) -> Registry {
    let mut registry = Registry::with_prefix("tripbench");
    let (doing, queue) = (Family::<OfDoing, Gauge>::default(), Family::<OfRig, Gauge>::default());
    let looks = Family::<OfRig, Counter>::default();
    for rig in &daemon.bench.rigs {
        let (status, of) = (rig.status(), OfRig { rig: rig.name.clone() });
        for (state, word) in [
            (Doing::Starting, "starting"),
            (Doing::Idle, "idle"),
            (Doing::Running, "running"),
            (Doing::NotReady, "not-ready"),
            (Doing::Ending, "ending"),
        ] {
            let of = OfDoing { rig: rig.name.clone(), doing: word };
            doing.get_or_create(&of).set(i64::from(Doing::from(&status.phase) == state));
        }
        queue.get_or_create(&of).set(i64::try_from(status.queue.len()).unwrap_or(i64::MAX));
        looks.get_or_create(&of).inc_by(rig.looks());
    }
    let positions = Family::<OfVerdict, Counter>::default();
    for entry in daemon.bench.runs.newest(None, usize::MAX) {
        for verdict in entry.positions.iter().filter_map(|position| position.verdict) {
            let simulated = if entry.simulated { "true" } else { "false" };
            let of = OfVerdict { rig: entry.rig.clone(), verdict: verdict_key(verdict), simulated };
            positions.get_or_create(&of).inc();
        }
    }
    registry.register("rig_doing", "What a rig is doing: 1 for the present state, 0 for the others", doing);
    registry.register("queue", "Runs that wait for the rig", queue);
    registry.register("looks", "Scans of a rig between runs", looks);
    registry.register("positions", "Devices tested in all runs of the folder, by verdict", positions);
    let timing = &daemon.timing;
    let mut timed = |name, help, family| registry.register_with_unit(name, help, Unit::Seconds, family);
    timed(
        "scan_period",
        "Time from the start of a scan to the start of the next one, in runs",
        timing.scan_period.clone(),
    );
    timed("transaction", "Time from a request to its answer, in runs", timing.transaction.clone());
    timed(
        "journal_lag",
        "Time from an event to its publication, which follows its record, above the shortest of its run",
        timing.journal_lag.clone(),
    );
    registry
}
