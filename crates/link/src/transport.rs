//! The interface between a link and a wire: one transaction at a time, and a fresh start after a doubt.

use crate::clock::Clock;
use std::future::{Future, ready};
use tripbench_quantity::{Mono, Span};
use tripbench_rig::{Doubt, Exception, IdentityObject, LONGEST_GAP, Query, Response};

/// A wire to the module.
pub trait Transport {
    /// Sends a request and returns its own answer, with the span of time in which the module sampled the values.
    ///
    /// # Errors
    /// A [`Doubt`] if there is no answer in time or it is not valid. After any doubt but a refusal the wire starts afresh, so that a late
    /// answer cannot be mistaken for the answer to a later request.
    fn transact(
        &mut self,
        query: &Query,
        clock: &Clock,
    ) -> impl Future<Output = Result<(Response, Span), Doubt>>;

    /// Requests the identification of a unit: one request, Read Device Identification, basic objects. Objects that do not fit into the
    /// first answer are not requested.
    ///
    /// # Errors
    /// As [`Self::transact`]. A wire without this function refuses, as a module does that does not support it.
    fn identify(
        &mut self,
        _unit: u8,
        _clock: &Clock,
    ) -> impl Future<Output = Result<Vec<IdentityObject>, Doubt>> {
        ready(Err(Doubt::Refused(Exception::ILLEGAL_FUNCTION.0)))
    }
}

/// The doubt for an answer that was not there at `until`, as noticed at `now`: late, or a gap if this computer did not look for so long
/// that it may have been busy or asleep itself.
pub(crate) fn late(until: Mono, now: Mono) -> Doubt {
    if now.since(until) > LONGEST_GAP { Doubt::Gap } else { Doubt::Late }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tcp::TcpTransport;
    use rstest::rstest;
    use std::net::TcpListener;
    use std::time::Duration;
    use tripbench_rig::{Area, Request};

    const ANSWER_TIMEOUT: Duration = Duration::from_millis(50);

    #[expect(clippy::disallowed_methods, reason = "the test is about a blocked thread")]
    fn hold_thread(time: Duration) {
        std::thread::sleep(time);
    }

    /// A module that never answers, and another task that blocks the thread from half of the answer timeout on.
    #[rstest]
    #[case::looked_all_the_time(Duration::ZERO, Doubt::Late)]
    #[case::looked_a_little_late(Duration::from_millis(150), Doubt::Late)]
    #[case::did_not_look(Duration::from_millis(450), Doubt::Gap)]
    #[case::was_asleep(Duration::from_secs(1), Doubt::Gap)]
    fn a_module_is_called_late_only_where_somebody_looked(#[case] held: Duration, #[case] doubt: Doubt) {
        let module = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = module.local_addr().expect("its address");
        let request = Request::Read { area: Area::InputRegister, start: 0, count: 1 };
        let query = Query { unit: 1, request };
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let mut wire = TcpTransport::new(address, ANSWER_TIMEOUT);
        let clock = Clock::start();
        let (answer, ()) = runtime.block_on(async {
            tokio::join!(wire.transact(&query, &clock), async {
                tokio::time::sleep(ANSWER_TIMEOUT / 2).await;
                hold_thread(held);
            })
        });
        assert_eq!(answer, Err(doubt));
    }
}
