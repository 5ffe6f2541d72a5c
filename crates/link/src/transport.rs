//! What a link needs of a wire: one transaction at a time, and a way to start afresh.

use crate::clock::Clock;
use std::future::Future;
use tripbench_quantity::Span;
use tripbench_rig::{Doubt, Query, Response};

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
}
