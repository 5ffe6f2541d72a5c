//! Files of finished runs: given out only if the record is the one that was listed.

use super::unfinished::unfinished;
use crate::problem::{Problem, ProblemKind};
use crate::stage::Daemon;
use axum::http::StatusCode;
use std::sync::Arc;
use tripbench_bench::{Changed, Genuine, chain};

/// The problem of a run whose files are not given out.
pub(super) fn not_given_out(run: &str, error: &Changed) -> Problem {
    let (title, until) = match error {
        Changed::Disputed(_) => {
            ("The run has different records", "until then nothing of the run is given out")
        }
        Changed::Untrusted(_) | Changed::Other { .. } | Changed::Unread(_) => {
            ("A file of the run was changed", "it is not given out")
        }
    };
    tracing::error!(run, error = chain(error), "a file of a finished run is not given out");
    let detail = format!("run `{run}`: {error}; {until}");
    Problem::new(StatusCode::CONFLICT, ProblemKind::RecordChanged, title, detail)
}

/// What `wanted` takes of a finished run whose record is the one that was listed.
///
/// # Errors
/// If there is no such run, or a file of it was changed or cannot be read.
pub(super) async fn genuine<T: Send + 'static>(
    daemon: &Arc<Daemon>,
    run: &str,
    wanted: impl FnOnce(Genuine) -> Result<T, Changed> + Send + 'static,
) -> Result<T, Problem> {
    let (there, named) = (Arc::clone(daemon), run.to_owned());
    let read = move || Some(there.bench.runs.genuine(&named)?.and_then(wanted));
    match daemon.at_disk.work(run, read).await {
        Ok(Some(Ok(taken))) => Ok(taken),
        Ok(Some(Err(Changed::Unread(error)))) => {
            Err(Problem::not_found(format!("run `{run}`: {}", chain(&error))))
        }
        Ok(Some(Err(error))) => Err(not_given_out(run, &error)),
        Ok(None) => Err(unfinished(daemon, run)),
        Err(problem) => Err(problem),
    }
}
