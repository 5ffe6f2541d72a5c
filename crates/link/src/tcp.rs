//! Modbus TCP. The connection is dropped after anything but a valid answer or a refusal.

use crate::clock::Clock;
use crate::line::{Line, TcpLine};
use crate::rtu::LineDiscipline;
use crate::transport::{Transport, late};
use std::borrow::Cow;
use std::fmt;
use std::io::ErrorKind;
use std::net::{SocketAddr, ToSocketAddrs};
use std::time::Duration;
use thiserror::Error;
use tokio_modbus::client::{Client, Context, tcp};
use tokio_modbus::prelude::{ReadCode, Request as Wire, Response as WireResponse, Slave, SlaveContext};
use tokio_modbus::{Error, ExceptionCode, ProtocolError};
use tripbench_quantity::Span;
use tripbench_rig::{Area, Doubt, IdentityObject, Query, Request, Response};

/// An address that cannot be resolved.
#[derive(Debug, Error)]
#[error("`{address}` cannot be resolved")]
pub struct ResolveError {
    address: String,
    #[source]
    source: std::io::Error,
}

impl ResolveError {
    /// The host is known and has no address.
    pub(crate) fn no_address(address: &str) -> Self {
        Self { address: address.to_owned(), source: ErrorKind::NotFound.into() }
    }
}

/// All socket addresses of `host:port`.
///
/// # Errors
/// If the host is unknown or the port is not a number.
pub(crate) fn resolve(address: &str) -> Result<Vec<SocketAddr>, ResolveError> {
    let all = address.to_socket_addrs();
    Ok(all.map_err(|source| ResolveError { address: address.to_owned(), source })?.collect())
}

/// The first socket address of `host:port`.
///
/// # Errors
/// If the host is unknown or the port is not a number.
pub fn resolve_first(address: &str) -> Result<SocketAddr, ResolveError> {
    resolve(address)?.first().copied().ok_or_else(|| ResolveError::no_address(address))
}

/// Modbus TCP over a connection that is opened when needed.
pub struct TcpTransport<L = TcpLine> {
    line: L,
    answer_timeout: Duration,
    discipline: LineDiscipline,
    connection: Option<Context>,
}

impl<L: fmt::Debug> fmt::Debug for TcpTransport<L> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let connected = self.connection.is_some();
        f.debug_struct("TcpTransport")
            .field("line", &self.line)
            .field("connected", &connected)
            .finish_non_exhaustive()
    }
}

impl TcpTransport {
    /// A transport to the module at an address. Sends nothing yet.
    pub fn new(address: SocketAddr, answer_timeout: Duration) -> Self {
        Self::over(TcpLine::answering_within(address, answer_timeout), answer_timeout)
    }
}

impl<L: Line<Port: fmt::Debug + Send + 'static>> TcpTransport<L> {
    /// Modbus TCP frames over another kind of line. Sends nothing yet.
    pub const fn over(line: L, answer_timeout: Duration) -> Self {
        Self { line, answer_timeout, discipline: LineDiscipline::Kept, connection: None }
    }

    /// The line.
    pub(crate) const fn line(&self) -> &L {
        &self.line
    }

    /// Replaces the discipline, for a test that shows why a guard matters. Only [`LineDiscipline::NeverSuspect`] applies to Modbus TCP.
    #[must_use]
    pub fn with_discipline(self, discipline: LineDiscipline) -> Self {
        Self { discipline, ..self }
    }

    /// A transport to the same place that has sent nothing yet.
    #[must_use]
    pub(crate) fn again(&self) -> Self
    where
        L: Clone,
    {
        Self::over(self.line.clone(), self.answer_timeout).with_discipline(self.discipline)
    }

    async fn connect(&self) -> Result<Context, Doubt> {
        let opened = self.line.open().await.map(tcp::attach);
        opened.map_err(|error| {
            tracing::debug!(%error, "the module cannot be connected");
            Doubt::Lost
        })
    }

    /// Sends one request and decodes its answer with `read`.
    async fn ask<T>(
        &mut self,
        unit: u8,
        request: Wire<'_>,
        clock: &Clock,
        read: impl FnOnce(WireResponse) -> Result<T, Doubt>,
    ) -> Result<(T, Span), Doubt> {
        // Taken out, so that a dropped future drops the connection too.
        let mut connection = match self.connection.take() {
            Some(connection) => connection,
            None => self.connect().await?,
        };
        connection.set_slave(Slave(unit));
        let before = clock.now();
        let until = before + self.answer_timeout;
        let answer = clock.within(until, connection.call(request)).await;
        let after = clock.now();
        let answer = answer.map_or_else(|| Err(late(until, after)), |answer| read_answer(answer, read));
        if matches!(answer, Ok(_) | Err(Doubt::Refused(_))) || self.discipline == LineDiscipline::NeverSuspect
        {
            self.connection = Some(connection);
        }
        Ok((answer?, Span { before, after }))
    }
}

/// The outcome of a request that did not time out.
fn read_answer<T>(
    answer: Result<Result<WireResponse, ExceptionCode>, Error>,
    read: impl FnOnce(WireResponse) -> Result<T, Doubt>,
) -> Result<T, Doubt> {
    match answer {
        Ok(Ok(response)) => read(response),
        Ok(Err(code)) => Err(Doubt::Refused(u8::from(code))),
        Err(Error::Protocol(
            ProtocolError::HeaderMismatch { .. } | ProtocolError::FunctionCodeMismatch { .. },
        )) => Err(Doubt::Foreign),
        Err(Error::Transport(error)) if error.kind() == ErrorKind::InvalidData => Err(Doubt::Corrupt),
        Err(Error::Transport(_)) => Err(Doubt::Lost),
    }
}

impl<L: Line<Port: fmt::Debug + Send + 'static>> Transport for TcpTransport<L> {
    async fn transact(&mut self, query: &Query, clock: &Clock) -> Result<(Response, Span), Doubt> {
        let request = &query.request;
        let read = |response| from_wire(request, response);
        self.ask(query.unit, to_wire(request), clock, read).await
    }

    async fn identify(&mut self, unit: u8, clock: &Clock) -> Result<Vec<IdentityObject>, Doubt> {
        let request = Wire::ReadDeviceIdentification(ReadCode::Basic, 0);
        self.ask(unit, request, clock, objects).await.map(|(objects, _)| objects)
    }
}

/// The objects of an answer to Read Device Identification.
fn objects(response: WireResponse) -> Result<Vec<IdentityObject>, Doubt> {
    let WireResponse::ReadDeviceIdentification(said) = response else { return Err(Doubt::Foreign) };
    Ok(said.device_id_objects.into_iter().map(|object| (object.id, object.value.to_vec())).collect())
}

fn to_wire(request: &Request) -> Wire<'_> {
    match request {
        Request::Read { area: Area::Coil, start, count } => Wire::ReadCoils(*start, *count),
        Request::Read { area: Area::DiscreteInput, start, count } => Wire::ReadDiscreteInputs(*start, *count),
        Request::Read { area: Area::HoldingRegister, start, count } => {
            Wire::ReadHoldingRegisters(*start, *count)
        }
        Request::Read { area: Area::InputRegister, start, count } => Wire::ReadInputRegisters(*start, *count),
        Request::WriteCoils { start, states } => Wire::WriteMultipleCoils(*start, Cow::Borrowed(states)),
        Request::WriteRegisters { start, values } => {
            Wire::WriteMultipleRegisters(*start, Cow::Borrowed(values))
        }
        Request::WriteCoil { at, state } => Wire::WriteSingleCoil(*at, *state),
        Request::WriteRegister { at, value } => Wire::WriteSingleRegister(*at, *value),
    }
}

/// The answer, if it has the kind and length that the request requires. Bits arrive in whole bytes: the padding of the last byte is
/// removed, and any other length is refused.
fn from_wire(request: &Request, response: WireResponse) -> Result<Response, Doubt> {
    let bits = |bits: Vec<bool>, count: u16| {
        let padded = usize::from(count).div_ceil(8) * 8;
        let words = bits.iter().take(usize::from(count)).map(|bit| u16::from(*bit)).collect();
        if bits.len() == padded || bits.len() == usize::from(count) {
            Ok(Response::Values(words))
        } else {
            Err(Doubt::Short)
        }
    };
    match (request, response) {
        (Request::Read { area: Area::Coil, count, .. }, WireResponse::ReadCoils(states))
        | (
            Request::Read { area: Area::DiscreteInput, count, .. },
            WireResponse::ReadDiscreteInputs(states),
        ) => bits(states, *count),
        (
            Request::Read { area: Area::HoldingRegister, count, .. },
            WireResponse::ReadHoldingRegisters(words),
        )
        | (Request::Read { area: Area::InputRegister, count, .. }, WireResponse::ReadInputRegisters(words)) => {
            if words.len() == usize::from(*count) {
                Ok(Response::Values(words))
            } else {
                Err(Doubt::Short)
            }
        }
        (Request::WriteCoils { start, states }, WireResponse::WriteMultipleCoils(echo_start, echo_count))
            if *start == echo_start && states.len() == usize::from(echo_count) =>
        {
            Ok(Response::Written)
        }
        (
            Request::WriteRegisters { start, values },
            WireResponse::WriteMultipleRegisters(echo_start, echo_count),
        ) if *start == echo_start && values.len() == usize::from(echo_count) => Ok(Response::Written),
        (Request::WriteCoil { at, state }, WireResponse::WriteSingleCoil(echo_at, echo_state))
            if (*at, *state) == (echo_at, echo_state) =>
        {
            Ok(Response::Written)
        }
        (Request::WriteRegister { at, value }, WireResponse::WriteSingleRegister(echo_at, echo_value))
            if (*at, *value) == (echo_at, echo_value) =>
        {
            Ok(Response::Written)
        }
        _ => Err(Doubt::Foreign),
    }
}
