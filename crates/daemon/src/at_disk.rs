//! Work at the disk for requests, on threads that no stop waits for. A thread that hangs there cannot be ended: there are few for one run or
//! rig, so that the others still find one.

use crate::limits::Limits;
use crate::problem::{Problem, ProblemKind};
use axum::http::StatusCode;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Threads that work at the disk for requests.
#[derive(Debug)]
pub(crate) struct AtDisk {
    all: Arc<Semaphore>,
    /// The threads of each run or rig that is asked for now.
    each: Mutex<BTreeMap<String, Arc<Semaphore>>>,
    most_each: usize,
    within: Duration,
}

impl AtDisk {
    pub(crate) fn new(limits: &Limits) -> Self {
        let all = Arc::new(Semaphore::new(limits.disk_threads));
        Self { all, each: Mutex::default(), most_each: limits.disk_threads_each, within: limits.disk_within }
    }

    /// What `work` makes at the disk for a run or a rig.
    ///
    /// # Errors
    /// If the threads for it, or all, are at the disk for too long.
    pub(crate) async fn work<T: Send + 'static>(
        &self,
        of: &str,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Problem> {
        let Ok(Some(seats)) = tokio::time::timeout(self.within, self.seats(of)).await else {
            let detail =
                format!("all requests for `{}` wait for the disk: try again later", of.escape_debug());
            let title = "The disk hangs";
            return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, ProblemKind::DiskHangs, title, detail));
        };
        // The thread has the seats, and not the request, whose client may go away meanwhile.
        let worked = tokio::task::spawn_blocking(move || {
            let _until_the_end = seats;
            work()
        });
        worked.await.map_err(|error| Problem::inside(error.to_string()))
    }

    async fn seats(&self, of: &str) -> Option<[OwnedSemaphorePermit; 2]> {
        let own = self.of(of).acquire_owned().await.ok()?;
        Some([own, Arc::clone(&self.all).acquire_owned().await.ok()?])
    }

    /// The threads for a run or a rig.
    fn of(&self, of: &str) -> Arc<Semaphore> {
        let mut each = self.each.lock().unwrap_or_else(PoisonError::into_inner);
        // Whoever waits or works has a copy.
        each.retain(|_, seats| Arc::strong_count(seats) > 1);
        let seats = each.entry(of.to_owned()).or_insert_with(|| Arc::new(Semaphore::new(self.most_each)));
        Arc::clone(seats)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use std::sync::mpsc::channel;

    /// However many ask for a run at which the disk hangs, also if none of them waits for the answer: whoever asks for another run is
    /// answered, and so are these once the disk is well.
    #[rstest]
    fn threads_that_hang_at_one_run_leave_some_for_the_others(
        #[values(1, 3, 600)] requests: usize,
        #[values(true, false)] go_away: bool,
        #[values(1, 4)] most_each: usize,
    ) {
        let within = Duration::from_millis(20);
        let limits = Limits {
            disk_threads: 5,
            disk_threads_each: most_each,
            disk_within: within,
            ..Limits::default()
        };
        let at_disk = Arc::new(AtDisk::new(&limits));
        let mut runtime = tokio::runtime::Builder::new_multi_thread();
        let runtime = runtime.worker_threads(1).max_blocking_threads(8).enable_all().build();
        let runtime = runtime.expect("a runtime");
        let (wakes, hangs) = channel::<()>();
        let hangs = Arc::new(Mutex::new(hangs));
        let asked: Vec<_> = (0..requests)
            .map(|_| {
                let (at_disk, hangs) = (Arc::clone(&at_disk), Arc::clone(&hangs));
                runtime.spawn(async move {
                    let hang = move || {
                        let _woken = hangs.lock().unwrap_or_else(PoisonError::into_inner).recv();
                    };
                    at_disk.work("hangs", hang).await.map_err(|problem| problem.kind)
                })
            })
            .collect();
        runtime.block_on(async {
            // All that may begin have begun, and the others are refused.
            while at_disk.of("hangs").available_permits() > most_each.saturating_sub(requests) {
                tokio::task::yield_now().await;
            }
            tokio::time::sleep(2 * within).await;
            if go_away {
                asked.iter().for_each(tokio::task::JoinHandle::abort);
            }
            for _ in 0..3 {
                assert_eq!(at_disk.work("another", || 7).await.ok(), Some(7));
            }
            let refused = at_disk.work("hangs", || ()).await.map_err(|problem| problem.kind);
            let expected = if requests < most_each { Ok(()) } else { Err(ProblemKind::DiskHangs) };
            assert_eq!(refused, expected);
            drop(wakes);
            while at_disk.of("hangs").available_permits() < most_each {
                tokio::task::yield_now().await;
            }
            assert_eq!(at_disk.work("hangs", || 7).await.ok(), Some(7));
        });
        runtime.shutdown_background();
    }
}
