//! Files of finished runs, sent piece by piece: a trace may be longer than the memory that is left.

use crate::problem::Problem;
use axum::body::Body;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use futures_util::stream::try_unfold;
use std::path::Path;
use tokio::fs::File;
use tokio::io::AsyncReadExt;

/// Length of a piece, bytes. The next one is read once this one is sent.
const PIECE: usize = 64 * 1024;

/// A file as a response. `run` names it in a problem.
///
/// # Errors
/// If it cannot be opened.
pub(super) async fn file(path: &Path, run: &str, kind: &'static str) -> Result<Response, Problem> {
    let opened = async {
        let file = File::open(path).await?;
        let length = file.metadata().await?.len();
        Ok::<_, std::io::Error>((file, length))
    };
    let (file, length) = opened.await.map_err(|error| {
        let name = path.file_name().unwrap_or_default().display();
        Problem::not_found(format!("`{name}` of run `{run}` cannot be read: {error}"))
    })?;
    // Not more than was announced, should the file grow.
    let pieces = try_unfold(file.take(length), |mut file| async move {
        let mut piece = Vec::with_capacity(PIECE);
        let read = file.read_buf(&mut piece).await?;
        Ok::<_, std::io::Error>((read > 0).then_some((piece, file)))
    });
    let headers = [(header::CONTENT_TYPE, kind.to_owned()), (header::CONTENT_LENGTH, length.to_string())];
    Ok((headers, Body::from_stream(pieces)).into_response())
}
