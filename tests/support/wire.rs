//! Faulty wires: a proxy that can delay its first connection, and a server with answers chosen by the test.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Proxy for Modbus TCP. On demand it delays everything sent over the first connection, even after that was closed.
#[derive(Debug)]
pub struct Proxy {
    /// Listening address.
    pub address: SocketAddr,
    late: Arc<AtomicBool>,
    connections: Arc<AtomicUsize>,
}

impl Proxy {
    /// Starts a proxy in front of a server; `delay` applies once [`Self::make_late`] is called.
    ///
    /// # Panics
    /// If no port can be listened on.
    pub fn before(server: SocketAddr, delay: Duration) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address");
        let (late, connections) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicUsize::new(0)));
        let (is_late, count) = (Arc::clone(&late), Arc::clone(&connections));
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                let first = count.fetch_add(1, Ordering::SeqCst) == 0;
                let Ok(upstream) = TcpStream::connect(server) else { continue };
                let held = if first { Some((Arc::clone(&is_late), delay)) } else { None };
                join(&client, &upstream, held);
            }
        });
        Self { address, late, connections }
    }

    /// Delays the first connection from now on.
    pub fn make_late(&self) {
        self.late.store(true, Ordering::SeqCst);
    }

    /// Number of connections made.
    pub fn connections(&self) -> usize {
        self.connections.load(Ordering::SeqCst)
    }
}

fn join(client: &TcpStream, server: &TcpStream, held: Option<(Arc<AtomicBool>, Duration)>) {
    for stream in [client, server] {
        stream.set_nodelay(true).expect("a socket");
    }
    let clone = |stream: &TcpStream| stream.try_clone().expect("a socket");
    let (to_server, to_client) = ((clone(client), clone(server)), (clone(server), clone(client)));
    std::thread::spawn(move || pump(to_server, held.as_ref()));
    std::thread::spawn(move || pump(to_client, None));
}

#[expect(clippy::disallowed_methods, reason = "simulates a late wire in real time")]
fn pump((mut from, mut to): (TcpStream, TcpStream), held: Option<&(Arc<AtomicBool>, Duration)>) {
    let mut bytes = [0_u8; 1024];
    while let Ok(count) = from.read(&mut bytes) {
        if let Some((_, delay)) = held.filter(|(late, _)| late.load(Ordering::SeqCst)) {
            std::thread::sleep(*delay);
        }
        if count == 0 || to.write_all(&bytes[..count]).is_err() {
            break;
        }
    }
}

/// Server that answers each request with bytes chosen by the test, and keeps the requests.
#[derive(Debug)]
pub struct Canned {
    /// Listening address.
    pub address: SocketAddr,
    requests: Arc<Mutex<Vec<Vec<u8>>>>,
}

/// Reply of a canned server: bytes to send after a delay.
pub type Reply = (Duration, Vec<u8>);

impl Canned {
    /// Starts a server that calls `reply` with the number of the request, from 0, and its bytes.
    ///
    /// # Panics
    /// If no port can be listened on.
    pub fn with(reply: impl Fn(usize, &[u8]) -> Reply + Send + Sync + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address");
        let requests = Arc::new(Mutex::new(Vec::new()));
        let (kept, reply) = (Arc::clone(&requests), Arc::new(reply));
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let (kept, reply) = (Arc::clone(&kept), Arc::clone(&reply));
                std::thread::spawn(move || answer(stream, &kept, reply.as_ref()));
            }
        });
        Self { address, requests }
    }

    /// All requests so far, as complete frames.
    pub fn requests(&self) -> Vec<Vec<u8>> {
        self.requests.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[expect(clippy::disallowed_methods, reason = "simulates a late module in real time")]
fn answer(
    mut stream: TcpStream,
    kept: &Mutex<Vec<Vec<u8>>>,
    reply: &(impl Fn(usize, &[u8]) -> Reply + ?Sized),
) {
    let mut bytes = [0_u8; 512];
    while let Ok(count) = stream.read(&mut bytes) {
        if count == 0 {
            break;
        }
        let number = keep(kept, &bytes[..count]);
        let (delay, answer) = reply(number, &bytes[..count]);
        std::thread::sleep(delay);
        if stream.write_all(&answer).is_err() {
            break;
        }
    }
}

/// Keeps a request and returns its number, from 0.
pub(crate) fn keep(kept: &Mutex<Vec<Vec<u8>>>, request: &[u8]) -> usize {
    let mut kept = kept.lock().unwrap_or_else(PoisonError::into_inner);
    kept.push(request.to_vec());
    kept.len() - 1
}

/// A Modbus TCP frame around a PDU, with the transaction and unit of a request.
pub fn frame(request: &[u8], pdu: &[u8]) -> Vec<u8> {
    let length = u16::try_from(pdu.len() + 1).unwrap_or(u16::MAX).to_be_bytes();
    [&request[..2], &[0, 0], &length, &request[6..7], pdu].concat()
}
