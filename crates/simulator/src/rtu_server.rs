//! The simulated bench as a Modbus RTU slave: on a pseudo-terminal with the timing of a serial line, or over TCP.

use crate::bench::SimulatedBench;
use crate::rtu::{self, read};
use crate::server::{ServeError, Shared};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use rustix::thread::set_current_timer_slack;
use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::num::NonZeroU64;
use std::os::fd::AsFd;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tripbench_rig::{Guide, SerialTiming, VirtualModule};

/// Longest delay with which a sleeping thread usually wakes.
const WAKES_WITHIN: Duration = Duration::from_micros(80);
/// Time to wait for a byte before checking whether the server should stop.
const LOOK: Duration = Duration::from_millis(20);

/// Timing of the simulated line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SerialPace {
    /// Times of characters and silences; `None` to send at once.
    pub timing: Option<SerialTiming>,
    /// Time between the end of a request and the start of its answer.
    pub slave: Duration,
}

/// A simulated bench served as Modbus RTU until dropped.
#[derive(Debug)]
pub struct RtuServer {
    place: Place,
    bench: Shared,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Debug, Clone)]
enum Place {
    Port(PathBuf),
    Address(SocketAddr),
}

/// Serves a bench on a pseudo-terminal, on its own thread.
///
/// # Errors
/// If the pseudo-terminal cannot be created, or the thread cannot be started.
pub fn serve_serial(bench: SimulatedBench, pace: SerialPace) -> Result<RtuServer, ServeError> {
    let (master, slave, path) = terminal().map_err(ServeError::Terminal)?;
    let serving = Serving { bench: Shared::new(bench), pace, stop: Arc::default() };
    let server = serving.server(Place::Port(path));
    start(server, move || {
        // Kept open, because otherwise a client that closes the port would end the line for the next one.
        let _slave = slave;
        let mut line = Terminal(master);
        while !serving.stop.load(Ordering::SeqCst) {
            serving.serve(&mut line);
        }
    })
}

/// Serves a bench like a serial converter: RTU frames over TCP, with one thread for each connection.
///
/// # Errors
/// If the address cannot be listened on, or the thread cannot be started.
pub fn serve_rtu_over_tcp(bench: SimulatedBench, address: SocketAddr) -> Result<RtuServer, ServeError> {
    let listen = |source| ServeError::Listen { address, source };
    let listener = TcpListener::bind(address).map_err(listen)?;
    listener.set_nonblocking(true).map_err(listen)?;
    let address = listener.local_addr().map_err(listen)?;
    let pace = SerialPace { timing: None, slave: Duration::ZERO };
    let serving = Serving { bench: Shared::new(bench), pace, stop: Arc::default() };
    let server = serving.server(Place::Address(address));
    start(server, move || accept(&listener, &serving))
}

fn start(mut server: RtuServer, run: impl FnOnce() + Send + 'static) -> Result<RtuServer, ServeError> {
    let builder = std::thread::Builder::new().name(String::from("simulated-line"));
    server.thread = Some(builder.spawn(run).map_err(ServeError::Thread)?);
    Ok(server)
}

fn accept(listener: &TcpListener, serving: &Serving) {
    while !serving.stop.load(Ordering::SeqCst) {
        match listener.accept() {
            Ok((stream, _)) => {
                let serving = serving.clone();
                let builder = std::thread::Builder::new().name(String::from("simulated-converter"));
                let started = builder.spawn(move || {
                    if stream.set_nonblocking(false).is_ok() && stream.set_nodelay(true).is_ok() {
                        serving.serve(&mut Connection(stream));
                    }
                });
                if let Err(error) = started {
                    tracing::warn!(%error, "the simulated converter could not take a connection");
                }
            }
            Err(_) => wait(LOOK),
        }
    }
}

/// A new pseudo-terminal in raw mode: its master, its open slave, and the path of the slave.
fn terminal() -> std::io::Result<(File, File, PathBuf)> {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
    grantpt(&master)?;
    unlockpt(&master)?;
    let name = ptsname(&master, Vec::new())?;
    let path = PathBuf::from(name.to_string_lossy().into_owned());
    let slave = File::options().read(true).write(true).open(&path)?;
    let mut raw = tcgetattr(&slave)?;
    raw.make_raw();
    tcsetattr(&slave, OptionalActions::Now, &raw)?;
    Ok((File::from(master), slave, path))
}

impl RtuServer {
    /// Path of the serial port; `None` over TCP.
    pub fn port(&self) -> Option<&Path> {
        match &self.place {
            Place::Port(path) => Some(path),
            Place::Address(_) => None,
        }
    }

    /// Address on which it listens; `None` on a serial port.
    pub const fn address(&self) -> Option<SocketAddr> {
        match &self.place {
            Place::Address(address) => Some(*address),
            Place::Port(_) => None,
        }
    }

    /// Looks at the bench in its state of now.
    pub fn look<T>(&self, at: impl FnOnce(&SimulatedBench) -> T) -> T {
        self.bench.look(at)
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

impl Drop for RtuServer {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
        if let Some(thread) = self.thread.take() {
            let _ended = thread.join();
        }
    }
}

/// Result of waiting for bytes on a line.
enum Heard {
    Bytes,
    Nothing,
    Gone,
}

/// The slave side of a line.
trait SlaveLine {
    fn hear(&mut self, bytes: &mut Vec<u8>, longest: Duration) -> Heard;
    fn say(&mut self, bytes: &[u8]) -> bool;
}

struct Terminal(File);
struct Connection(TcpStream);

impl SlaveLine for Terminal {
    fn hear(&mut self, bytes: &mut Vec<u8>, longest: Duration) -> Heard {
        hear(&mut self.0, bytes, longest)
    }
    fn say(&mut self, bytes: &[u8]) -> bool {
        self.0.write_all(bytes).is_ok()
    }
}

impl SlaveLine for Connection {
    fn hear(&mut self, bytes: &mut Vec<u8>, longest: Duration) -> Heard {
        hear(&mut self.0, bytes, longest)
    }
    fn say(&mut self, bytes: &[u8]) -> bool {
        self.0.write_all(bytes).is_ok()
    }
}

fn hear(from: &mut (impl Read + AsFd), bytes: &mut Vec<u8>, longest: Duration) -> Heard {
    let timeout = Timespec {
        tv_sec: i64::try_from(longest.as_secs()).unwrap_or(i64::MAX),
        tv_nsec: i64::from(longest.subsec_nanos()),
    };
    let ready = poll(&mut [PollFd::new(&*from, PollFlags::IN)], Some(&timeout));
    match ready {
        Ok(0) => return Heard::Nothing,
        Ok(_) => {}
        Err(_) => return Heard::Gone,
    }
    let mut more = [0; 512];
    match from.read(&mut more) {
        Ok(count) if count > 0 => {
            bytes.extend_from_slice(&more[..count]);
            Heard::Bytes
        }
        Err(error) if error.kind() == ErrorKind::Interrupted => Heard::Nothing,
        Ok(_) | Err(_) => Heard::Gone,
    }
}

#[derive(Debug, Clone)]
struct Serving {
    bench: Shared,
    pace: SerialPace,
    stop: Arc<AtomicBool>,
}

impl Serving {
    fn server(&self, place: Place) -> RtuServer {
        RtuServer { place, bench: self.bench.clone(), stop: Arc::clone(&self.stop), thread: None }
    }

    /// Serves until the line is closed or the server stops.
    fn serve(&self, line: &mut impl SlaveLine) {
        // The timing of the line needs precise timers; if the kernel refuses them, the line is a little slower than a real one.
        let _slower_at_worst = set_current_timer_slack(NonZeroU64::new(1));
        let mut bytes = Vec::new();
        while !self.stop.load(Ordering::SeqCst) {
            match line.hear(&mut bytes, LOOK) {
                Heard::Nothing => continue,
                Heard::Gone => return,
                Heard::Bytes => {}
            }
            let heard = now();
            // A frame ends with a silence. Its bytes arrive here faster than on a real wire, so wait for the difference.
            let silence = self.pace.timing.map_or(Duration::ZERO, SerialTiming::between_frames);
            let mut end = heard + self.characters(bytes.len()) + silence;
            loop {
                let left = end.saturating_duration_since(now());
                if left <= WAKES_WITHIN {
                    wait_until(end);
                    break;
                }
                match line.hear(&mut bytes, left.saturating_sub(WAKES_WITHIN)) {
                    Heard::Bytes => end = end.max(now() + self.characters(1) + silence),
                    Heard::Nothing => {}
                    Heard::Gone => return,
                }
            }
            // Without timing, a frame ends when its CRC is correct, because a connection may deliver it in pieces.
            if self.pace.timing.is_none() && read(&bytes).is_none() {
                match line.hear(&mut bytes, LOOK) {
                    Heard::Bytes if read(&bytes).is_none() => continue,
                    Heard::Bytes => {}
                    Heard::Nothing => bytes.clear(),
                    Heard::Gone => return,
                }
            }
            wait_until(end + self.pace.slave);
            let frame = std::mem::take(&mut bytes);
            if let Some(answer) = self.answer(&frame)
                && !self.say(line, &answer)
            {
                return;
            }
        }
    }

    /// The answer to a frame; `None` for no answer.
    fn answer(&self, frame: &[u8]) -> Option<Vec<u8>> {
        let now = self.bench.now();
        let mut bench = self.bench.lock();
        let units = bench.units().to_vec();
        rtu::answered(frame, &units, |query| bench.answer(now, query))
    }

    /// Sends a frame at the pace of a serial line, each byte when its last bit would have arrived. Returns whether it was sent.
    fn say(&self, line: &mut impl SlaveLine, frame: &[u8]) -> bool {
        const TOGETHER: Duration = Duration::from_micros(300);
        if self.pace.timing.is_none() {
            return line.say(frame);
        }
        let begun = now();
        let mut sent = 0;
        while sent < frame.len() {
            // A few bytes at a time, because sleeping has no finer resolution.
            let first = begun + self.characters(sent + 1);
            let last = (sent + 1..=frame.len())
                .take_while(|count| begun + self.characters(*count) <= first + TOGETHER)
                .last()
                .unwrap_or(sent + 1);
            wait_until(begun + self.characters(last));
            if !line.say(&frame[sent..last]) {
                return false;
            }
            sent = last;
        }
        true
    }

    fn characters(&self, count: usize) -> Duration {
        self.pace.timing.map_or(Duration::ZERO, |timing| timing.characters(count))
    }
}

#[expect(clippy::disallowed_methods, reason = "a served line lives in real time")]
fn now() -> Instant {
    Instant::now()
}

#[expect(clippy::disallowed_methods, reason = "a served line lives in real time")]
fn wait(time: Duration) {
    std::thread::sleep(time);
}

/// Sleeps until shortly before `moment`, then polls the clock, so that the simulated wire is never late.
fn wait_until(moment: Instant) {
    wait(moment.saturating_duration_since(now()).saturating_sub(WAKES_WITHIN));
    while now() < moment {
        std::hint::spin_loop();
    }
}
