//! The simulated bench as a Modbus TCP server in real time.

use crate::bench::SimulatedBench;
use crate::identity;
use std::future::{Ready, ready};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Instant;
use thiserror::Error;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio_modbus::prelude::{
    ConformityLevel, DeviceIdObject, ExceptionCode, ReadCode, ReadDeviceIdentificationResponse,
    Request as Wire, Response as WireResponse, SlaveRequest,
};
use tokio_modbus::server::tcp::{Server as TcpServer, accept_tcp_connection};
use tripbench_quantity::Mono;
use tripbench_rig::{Area, Exception, Guide, IdentityObject, Query, Request, Response, VirtualModule};

/// Error of starting to serve a simulated bench.
#[derive(Debug, Error)]
pub enum ServeError {
    /// The address cannot be listened on.
    #[error("cannot listen on {address}")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// The cause.
        #[source]
        source: std::io::Error,
    },
    /// A pseudo-terminal cannot be created.
    #[error("cannot create a pseudo-terminal for the serial line")]
    Terminal(#[source] std::io::Error),
    /// The server's thread cannot be started.
    #[error("cannot start the server's thread")]
    Thread(#[source] std::io::Error),
}

/// A bench shared between its servers, with the start of its time.
#[derive(Debug, Clone)]
pub(crate) struct Shared {
    bench: Arc<Mutex<SimulatedBench>>,
    start: Instant,
}

impl Shared {
    pub(crate) fn new(bench: SimulatedBench) -> Self {
        Self { bench: Arc::new(Mutex::new(bench)), start: started() }
    }

    /// The response of the module now; `None` for no answer, because the unit does not exist.
    pub(crate) fn answer(&self, query: &Query) -> Option<Result<Response, Exception>> {
        let at = self.now();
        let mut bench = self.lock();
        bench.units().contains(&query.unit).then(|| bench.answer(at, query))
    }

    pub(crate) fn now(&self) -> Mono {
        Mono::from_nanos(u64::try_from(self.start.elapsed().as_nanos()).unwrap_or(u64::MAX))
    }

    /// A function that gives instructions to the simulated hand.
    pub(crate) fn hand(&self) -> impl Fn(Guide) + Send + use<> {
        let bench = self.clone();
        move |guide| bench.lock().guided(bench.now(), guide)
    }

    /// A function that operates an output of a device at its plug; see [`Server::operate`].
    pub(crate) fn operate(&self) -> impl Fn(u8, bool) -> bool + Send + use<> {
        let bench = self.clone();
        move |position, valve| {
            let now = bench.now();
            let mut bench = bench.lock();
            bench.advance_to(now.seconds());
            bench.operate(position, valve)
        }
    }

    /// Looks at the bench in its state of now, even if there was no request since.
    pub(crate) fn look<T>(&self, at: impl FnOnce(&SimulatedBench) -> T) -> T {
        let now = self.now();
        let mut bench = self.lock();
        bench.advance_to(now.seconds());
        at(&bench)
    }

    pub(crate) fn lock(&self) -> MutexGuard<'_, SimulatedBench> {
        self.bench.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A simulated bench served over Modbus TCP until dropped.
#[derive(Debug)]
pub struct Server {
    address: SocketAddr,
    bench: Shared,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

/// Serves a bench over Modbus TCP on its own thread; only the units of its rig sheet answer.
///
/// # Errors
/// If the address cannot be listened on, or the thread cannot be started.
pub fn serve(bench: SimulatedBench, address: SocketAddr) -> Result<Server, ServeError> {
    let listen = |source| ServeError::Listen { address, source };
    let listener = std::net::TcpListener::bind(address).map_err(listen)?;
    listener.set_nonblocking(true).map_err(listen)?;
    let address = listener.local_addr().map_err(listen)?;
    let bench = Shared::new(bench);
    let (stop, stopped) = oneshot::channel();
    let service = Service { bench: bench.clone() };
    let thread = std::thread::Builder::new()
        .name(String::from("simulated-bench"))
        .spawn(move || run(listener, &service, stopped))
        .map_err(ServeError::Thread)?;
    Ok(Server { address, bench, stop: Some(stop), thread: Some(thread) })
}

impl Server {
    /// The address on which it listens.
    pub const fn address(&self) -> SocketAddr {
        self.address
    }

    /// Looks at the bench in its state of now.
    pub fn look<T>(&self, at: impl FnOnce(&SimulatedBench) -> T) -> T {
        self.bench.look(at)
    }

    /// Connects or disconnects the plug of the device at a position.
    pub fn plug(&self, position: u8, is_in: bool) {
        self.bench.lock().plug(position, is_in);
    }

    /// A function that gives instructions to the simulated hand at the bench.
    pub fn hand(&self) -> impl Fn(Guide) + Send + use<> {
        self.bench.hand()
    }

    /// A function of position and output (`true` for the valve output) that operates the output at its plug for 0.7 s. It returns
    /// whether there is a device.
    pub fn operate(&self) -> impl Fn(u8, bool) -> bool + Send + use<> {
        self.bench.operate()
    }

    /// Serves until the process ends.
    pub fn wait(mut self) {
        if let Some(thread) = self.thread.take() {
            let _ended = thread.join();
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let (Some(stop), Some(thread)) = (self.stop.take(), self.thread.take()) {
            let _already_ended = stop.send(());
            let _ended = thread.join();
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "a served bench lives in real time")]
fn started() -> Instant {
    Instant::now()
}

fn run(listener: std::net::TcpListener, service: &Service, stopped: oneshot::Receiver<()>) {
    let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
    runtime.block_on(async {
        let Ok(listener) = TcpListener::from_std(listener) else { return };
        tokio::select! {
            () = accept_for_ever(listener, service) => {}
            _ = stopped => {}
        }
    });
}

/// Accepts connections without end; neither an accept error nor a broken connection ends the server.
async fn accept_for_ever(listener: TcpListener, service: &Service) {
    let server = TcpServer::new(listener);
    let accept = |stream: tokio::net::TcpStream, address| {
        let service = service.clone();
        async move {
            stream.set_nodelay(true)?;
            accept_tcp_connection(stream, address, move |_| Ok(Some(service.clone())))
        }
    };
    let failed = |error| tracing::debug!(%error, "a connection to the simulated module ended");
    while let Err(error) = server.serve(&accept, failed).await {
        tracing::warn!(%error, "the simulated module could not accept a connection");
    }
}

#[derive(Debug, Clone)]
struct Service {
    bench: Shared,
}

impl tokio_modbus::server::Service for Service {
    type Request = SlaveRequest<'static>;
    type Response = Option<WireResponse>;
    type Exception = ExceptionCode;
    type Future = Ready<Result<Self::Response, Self::Exception>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        ready(self.answer(request.slave, request.request))
    }
}

impl Service {
    /// The answer to a request; `None` for other units than those of the rig, which do not answer, as on a real module.
    fn answer(&self, unit: u8, wire: Wire<'static>) -> Result<Option<WireResponse>, ExceptionCode> {
        if !self.bench.lock().units().contains(&unit) {
            return Ok(None);
        }
        if let Wire::ReadDeviceIdentification(code, first) = wire {
            return identified(code, first).map(Some);
        }
        let query = Query { unit, request: to_request(wire)? };
        let Some(answer) = self.bench.answer(&query) else { return Ok(None) };
        to_wire(query.request, answer.map_err(to_code)?).map(Some)
    }
}

fn identified(code: ReadCode, first: u8) -> Result<WireResponse, ExceptionCode> {
    let objects = identity::asked(code.value(), first).map_err(to_code)?;
    let object = |(id, value): IdentityObject| DeviceIdObject { id, value: value.into() };
    Ok(WireResponse::ReadDeviceIdentification(ReadDeviceIdentificationResponse {
        read_code: code,
        conformity_level: ConformityLevel::BasicIdentification,
        more_follows: false,
        next_object_id: 0,
        device_id_objects: objects.into_iter().map(object).collect(),
    }))
}

fn to_wire(request: Request, response: Response) -> Result<WireResponse, ExceptionCode> {
    let count = |length: usize| u16::try_from(length).unwrap_or(u16::MAX);
    Ok(match (request, response) {
        (Request::Read { area: Area::Coil, .. }, Response::Values(words)) => {
            WireResponse::ReadCoils(bits(&words))
        }
        (Request::Read { area: Area::DiscreteInput, .. }, Response::Values(words)) => {
            WireResponse::ReadDiscreteInputs(bits(&words))
        }
        (Request::Read { area: Area::HoldingRegister, .. }, Response::Values(words)) => {
            WireResponse::ReadHoldingRegisters(words)
        }
        (Request::Read { area: Area::InputRegister, .. }, Response::Values(words)) => {
            WireResponse::ReadInputRegisters(words)
        }
        (Request::WriteCoil { at, state }, _) => WireResponse::WriteSingleCoil(at, state),
        (Request::WriteRegister { at, value }, _) => WireResponse::WriteSingleRegister(at, value),
        (Request::WriteCoils { start, states }, _) => {
            WireResponse::WriteMultipleCoils(start, count(states.len()))
        }
        (Request::WriteRegisters { start, values }, _) => {
            WireResponse::WriteMultipleRegisters(start, count(values.len()))
        }
        (Request::Read { .. }, Response::Written) => return Err(ExceptionCode::ServerDeviceFailure),
    })
}

fn bits(words: &[u16]) -> Vec<bool> {
    words.iter().map(|word| *word != 0).collect()
}

#[expect(clippy::wildcard_enum_match_arm, reason = "every other function is refused, as by a real module")]
fn to_request(wire: Wire<'static>) -> Result<Request, ExceptionCode> {
    let read = |area, start, count| Ok(Request::Read { area, start, count });
    match wire {
        Wire::ReadCoils(start, count) => read(Area::Coil, start, count),
        Wire::ReadDiscreteInputs(start, count) => read(Area::DiscreteInput, start, count),
        Wire::ReadHoldingRegisters(start, count) => read(Area::HoldingRegister, start, count),
        Wire::ReadInputRegisters(start, count) => read(Area::InputRegister, start, count),
        Wire::WriteSingleCoil(at, state) => Ok(Request::WriteCoil { at, state }),
        Wire::WriteMultipleCoils(start, states) => {
            Ok(Request::WriteCoils { start, states: states.into_owned() })
        }
        Wire::WriteSingleRegister(at, value) => Ok(Request::WriteRegister { at, value }),
        Wire::WriteMultipleRegisters(start, values) => {
            Ok(Request::WriteRegisters { start, values: values.into_owned() })
        }
        _ => Err(ExceptionCode::IllegalFunction),
    }
}

fn to_code(exception: Exception) -> ExceptionCode {
    match exception {
        Exception::ILLEGAL_FUNCTION => ExceptionCode::IllegalFunction,
        Exception::ILLEGAL_DATA_ADDRESS => ExceptionCode::IllegalDataAddress,
        Exception::ILLEGAL_DATA_VALUE => ExceptionCode::IllegalDataValue,
        Exception(_) => ExceptionCode::ServerDeviceFailure,
    }
}
