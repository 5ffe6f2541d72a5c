//! What a link needs of a wire: one transaction at a time, and a way to start afresh.

use std::future::Future;
use tripbench_rig::{Doubt, Request, Response};

/// A wire to one module.
pub trait Transport {
    /// Sends a request and gives its answer, and no other's.
    ///
    /// # Errors
    /// A [`Doubt`] if there is no answer in time or it can not be believed. After any doubt but a refusal the wire has been
    /// dropped: what was under way can not be taken for the answer of a later request.
    fn transact(&mut self, request: &Request) -> impl Future<Output = Result<Response, Doubt>>;
}
