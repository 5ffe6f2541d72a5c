//! Files of finished runs, sent piece by piece: a trace may be longer than the memory that is left.

use crate::problem::Problem;
use crate::stage::Daemon;
use axum::body::Body;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use futures_util::stream::try_unfold;
use std::fs::OpenOptions;
use std::io::Read;
use std::path::PathBuf;
use std::sync::Arc;
use tripbench_runner::disk;

/// Length of a piece, bytes. The next one is read once this one is sent.
const PIECE: u64 = 64 * 1024;

/// A file of a run as a response.
///
/// # Errors
/// If it cannot be opened.
pub(super) async fn file(
    daemon: Arc<Daemon>,
    path: PathBuf,
    run: String,
    kind: &'static str,
) -> Result<Response, Problem> {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let open = move || {
        let file = disk::open(&path, OpenOptions::new().read(true))?;
        let length = file.metadata()?.len();
        Ok::<_, std::io::Error>((file, length))
    };
    let (file, length) =
        daemon.at_disk.work(&run, open).await?.map_err(|error| {
            Problem::not_found(format!("`{name}` of run `{run}` cannot be read: {error}"))
        })?;
    // Not more than was announced, should the file grow.
    let pieces = try_unfold((file, length), move |(mut file, left)| {
        let (daemon, run) = (Arc::clone(&daemon), run.clone());
        let read = move || {
            let mut piece = Vec::new();
            let read = Read::by_ref(&mut file).take(left.min(PIECE)).read_to_end(&mut piece)? as u64;
            Ok::<_, std::io::Error>((read > 0).then_some((piece, (file, left - read))))
        };
        async move {
            let read = daemon.at_disk.work(&run, read).await;
            read.map_err(|problem| std::io::Error::other(problem.detail))?
        }
    });
    let headers = [(header::CONTENT_TYPE, kind.to_owned()), (header::CONTENT_LENGTH, length.to_string())];
    Ok((headers, Body::from_stream(pieces)).into_response())
}
