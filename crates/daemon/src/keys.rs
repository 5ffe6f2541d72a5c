//! Keys by which a program repeats a request for a run without starting a second one.

use crate::problem::{Problem, ProblemKind};
use axum::http::StatusCode;
use std::collections::VecDeque;
use std::future::Future;
use std::sync::{Arc, Mutex, PoisonError};

/// Number of keys kept; the oldest is forgotten first.
const KEPT: usize = 1_000;

/// A key, and the run that was started with it.
#[derive(Debug)]
struct Keyed<T> {
    key: String,
    /// The request: rig and body.
    of: (String, Vec<u8>),
    /// The run, once it is started. Another request with the same key waits for it.
    started: tokio::sync::Mutex<Option<T>>,
}

/// The keys of the last starts, as long as the daemon runs.
#[derive(Debug)]
pub(crate) struct Keys<T>(Mutex<VecDeque<Arc<Keyed<T>>>>);

impl<T> Default for Keys<T> {
    fn default() -> Self {
        Self(Mutex::default())
    }
}

impl<T: Clone> Keys<T> {
    /// The run that was started with this key, or a new one. A start that is refused leaves the key free.
    ///
    /// # Errors
    /// If the key was used with another request, or the start is refused.
    pub(crate) async fn start(
        &self,
        key: String,
        of: (String, Vec<u8>),
        start: impl Future<Output = Result<T, Problem>>,
    ) -> Result<T, Problem> {
        let keyed = self.keyed(key, of)?;
        let mut started = keyed.started.lock().await;
        if let Some(started) = &*started {
            return Ok(started.clone());
        }
        let outcome = start.await;
        match &outcome {
            Ok(run) => *started = Some(run.clone()),
            Err(_) => {
                // A request that waits here tries next: the key is free only after the last one.
                let mut all = self.all();
                let nobody_waits = Arc::strong_count(&keyed) <= 2;
                all.retain(|other| !(nobody_waits && Arc::ptr_eq(other, &keyed)));
            }
        }
        outcome
    }

    fn all(&self) -> std::sync::MutexGuard<'_, VecDeque<Arc<Keyed<T>>>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn keyed(&self, key: String, of: (String, Vec<u8>)) -> Result<Arc<Keyed<T>>, Problem> {
        let mut all = self.all();
        if let Some(known) = all.iter().find(|known| known.key == key) {
            if known.of == of {
                return Ok(Arc::clone(known));
            }
            let detail = format!(
                "the key `{key}` was used for another rig or with another body: give each run its own key"
            );
            return Err(Problem::new(
                StatusCode::UNPROCESSABLE_ENTITY,
                ProblemKind::KeyReused,
                "This key was used before",
                detail,
            ));
        }
        let keyed = Arc::new(Keyed { key, of, started: tokio::sync::Mutex::default() });
        all.push_back(Arc::clone(&keyed));
        if all.len() > KEPT {
            all.pop_front();
        }
        Ok(keyed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    fn run<T>(of: impl Future<Output = T>) -> T {
        tokio::runtime::Builder::new_current_thread().build().expect("a runtime").block_on(of)
    }

    /// Three requests that wait for each other, of which the first ones are refused, and one that comes later.
    #[rstest::rstest]
    fn requests_with_one_key_start_one_run(#[values(0, 1, 2, 3)] refused: u32) {
        let keys = Keys::default();
        let (asked, begun) = (Cell::new(0), Cell::new(0));
        let start = || async {
            let number = asked.replace(asked.get() + 1);
            tokio::task::yield_now().await;
            if number < refused {
                return Err(Problem::bad_request(String::from("not ready")));
            }
            Ok(begun.replace(begun.get() + 1))
        };
        let one = || keys.start(String::from("key"), of("a"), start());
        let (first, second, third, later) = run(async {
            let (first, second, third) = tokio::join!(one(), one(), one());
            (first, second, third, one().await)
        });
        let runs = [first, second, third].map(Result::ok);
        assert_eq!(runs.iter().flatten().count(), 3 - usize::try_from(refused).expect("few"));
        assert!(runs.into_iter().flatten().chain(later.ok()).all(|run| run == 0));
        assert_eq!(begun.get(), 1);
    }

    fn of(body: &str) -> (String, Vec<u8>) {
        (String::from("goods-in-1"), body.into())
    }

    #[test]
    fn a_repeated_request_gives_the_same_run_and_starts_none() {
        let keys = Keys::default();
        let start = |body, run: u8| keys.start(String::from("a"), of(body), async move { Ok(run) });
        assert_eq!(run(start("{}", 1)), Ok(1));
        assert_eq!(run(start("{}", 2)), Ok(1));
        let other = run(start("{ }", 3)).expect_err("another body");
        assert_eq!((other.status, other.kind), (422, ProblemKind::KeyReused));
    }

    /// What was not started can be tried again, also with another body: the count of stops has changed.
    #[test]
    fn a_refused_start_leaves_its_key_free() {
        let keys = Keys::default();
        let refused = async { Err(Problem::bad_request("no")) };
        assert!(run(keys.start(String::from("a"), of("{}"), refused)).is_err());
        assert_eq!(run(keys.start(String::from("a"), of("{ }"), async { Ok(2) })), Ok(2));
    }

    #[test]
    fn only_the_last_keys_are_kept() {
        let keys = Keys::default();
        for number in 0..=KEPT {
            assert_eq!(run(keys.start(number.to_string(), of("{}"), async { Ok(number) })), Ok(number));
        }
        assert_eq!(run(keys.start(String::from("1"), of("{}"), async { Ok(0) })), Ok(1));
        assert_eq!(run(keys.start(String::from("0"), of("{}"), async { Ok(9) })), Ok(9));
    }
}
