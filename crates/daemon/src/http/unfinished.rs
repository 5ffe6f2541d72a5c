//! Runs that are not finished, for those who ask for their files.

use crate::problem::{Problem, ProblemKind};
use crate::stage::Daemon;
use axum::http::StatusCode;

/// What is known of a run that is not among the finished ones.
pub(super) fn unfinished(daemon: &Daemon, run: &str) -> Problem {
    let never = daemon.bench.rigs.iter().find_map(|rig| {
        let why = rig.status().why_never_began(run)?.to_owned();
        Some(format!("run `{run}` for the rig `{}` {why}", rig.name))
    });
    if let Some(detail) = never {
        return Problem::new(StatusCode::NOT_FOUND, ProblemKind::NeverBegan, "The run never began", detail);
    }
    let what = daemon.bench.rigs.iter().find_map(|rig| {
        let (status, rig) = (rig.status(), &rig.name);
        if status.queue.iter().any(|waiting| waiting.run == run) {
            return Some(format!("waits for the rig `{rig}`"));
        }
        if status.owed.iter().any(|owed| owed.run == run) {
            return Some(format!("has ended on the rig `{rig}`, and its record is not made yet; it is tried again every ten seconds"));
        }
        let is_there = status.folder_of(run).is_some() || status.phase.run() == Some(run);
        is_there.then(|| format!("is in preparation or in progress on the rig `{rig}`, or has just ended there"))
    });
    match what {
        Some(what) => {
            let detail = format!("run `{run}` {what}");
            Problem::new(StatusCode::NOT_FOUND, ProblemKind::NotFinished, "Not finished yet", detail)
        }
        None => Problem::not_found(format!(
            "there is no run `{}`: it was never started, or it never began and the daemon no longer knows why",
            run.escape_debug()
        )),
    }
}
