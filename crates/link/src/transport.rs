//! What a link needs of a wire: one transaction at a time, and a way to start afresh.

use crate::clock::Clock;
use std::future::{Future, ready};
use tripbench_quantity::{Mono, Span};
use tripbench_rig::{Doubt, Exception, IdentityObject, LONGEST_GAP, Query, Response};

/// A wire to the module.
pub trait Transport {
    /// Sends a request and gives its answer, and no other's, with the moments between which the module looked at what it
    /// answered.
    ///
    /// # Errors
    /// A [`Doubt`] if there is no answer in time or it cannot be believed. After any doubt but a refusal the wire starts
    /// afresh: what was under way cannot be taken for the answer of a later request.
    fn transact(
        &mut self,
        query: &Query,
        clock: &Clock,
    ) -> impl Future<Output = Result<(Response, Span), Doubt>>;

    /// Asks a unit what it is: one request, Read Device Identification, basic objects. What does not fit into the first answer is
    /// not asked for.
    ///
    /// # Errors
    /// As [`Self::transact`]. A wire without this function refuses like a module that does not know it.
    fn identify(
        &mut self,
        _unit: u8,
        _clock: &Clock,
    ) -> impl Future<Output = Result<Vec<IdentityObject>, Doubt>> {
        ready(Err(Doubt::Refused(Exception::ILLEGAL_FUNCTION.0)))
    }
}

/// What it is that no answer was there at a moment, noticed now: the module's doing, or, where nobody looked for so long, not to
/// be told from a computer that was busy or asleep.
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

    #[expect(clippy::disallowed_methods, reason = "a thread that is held is the case")]
    fn hold_thread(time: Duration) {
        std::thread::sleep(time);
    }

    /// A module that never answers, and a thread that somebody else holds from the moment at which the request is out.
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
