//! Faulty serial lines: a slave on a pseudo-terminal or behind a TCP connection, with answers chosen by the test.

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{LocalModes, OptionalActions, tcgetattr, tcsetattr};
use std::fs::File;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tripbench_link::{LineDiscipline, ModuleWire};
use tripbench_rig::RigSheet;

/// Wire that carries the RTU frames of a test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineKind {
    /// A pseudo-terminal in place of a serial port.
    Serial,
    /// A TCP connection to a serial converter.
    Converter,
}

/// Pieces that a slave sends after a request, each after a pause.
pub type Pieces = Vec<(Duration, Vec<u8>)>;

/// A slave with answers chosen by the test, which keeps the requests.
#[derive(Debug)]
pub struct ScriptedSlave {
    place: Place,
    requests: Arc<Mutex<Vec<Vec<u8>>>>,
}

#[derive(Debug)]
enum Place {
    Port(PathBuf),
    Address(SocketAddr),
}

impl ScriptedSlave {
    /// Starts a slave that calls `reply` with the number of the request, from 0, and its bytes.
    ///
    /// # Panics
    /// If no pseudo-terminal or port is available.
    pub fn with(kind: LineKind, reply: impl Fn(usize, &[u8]) -> Pieces + Send + Sync + 'static) -> Self {
        let requests = Arc::new(Mutex::new(Vec::new()));
        let (kept, reply) = (Arc::clone(&requests), Arc::new(reply));
        let place = match kind {
            LineKind::Serial => {
                let (master, slave, path) = terminal();
                std::thread::spawn(move || {
                    let _kept_open = slave;
                    answer(master, &kept, reply.as_ref());
                });
                Place::Port(path)
            }
            LineKind::Converter => {
                let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
                let address = listener.local_addr().expect("an address");
                std::thread::spawn(move || {
                    for stream in listener.incoming().flatten() {
                        let (kept, reply) = (Arc::clone(&kept), Arc::clone(&reply));
                        stream.set_nodelay(true).expect("a socket");
                        std::thread::spawn(move || answer::<TcpStream>(stream, &kept, reply.as_ref()));
                    }
                });
                Place::Address(address)
            }
        };
        Self { place, requests }
    }

    /// All requests so far, as complete frames.
    pub fn requests(&self) -> Vec<Vec<u8>> {
        self.requests.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// A wire to the slave with this discipline.
    ///
    /// # Panics
    /// If the rig sheet of the demo has findings.
    pub fn wire(&self, discipline: LineDiscipline) -> ModuleWire {
        let rig = crate::good(&with_link(&self.link()), RigSheet::read);
        ModuleWire::of(&rig.link).expect("an address").with_line_discipline(discipline)
    }

    /// Keys of the rig sheet for a link to the slave.
    pub fn link(&self) -> String {
        match &self.place {
            Place::Port(path) => serial_link(&path.to_string_lossy(), 115_200),
            Place::Address(address) => converter_link(*address),
        }
    }
}

/// Starts a converter that sends bytes repeatedly over every connection, as fast as possible and without being asked; its address.
///
/// # Panics
/// If no port is available.
pub fn babbling_converter(bytes: Vec<u8>) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("an address");
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let bytes = bytes.clone();
            std::thread::spawn(move || while stream.write_all(&bytes).is_ok() {});
        }
    });
    address
}

/// Keys of the rig sheet for a link over a serial port.
pub fn serial_link(path: &str, baud: u32) -> String {
    format!("serial = \"{path}\"\nbaud = {baud}")
}

/// Keys of the rig sheet for a link over a serial converter.
pub fn converter_link(address: SocketAddr) -> String {
    format!("rtu_over_tcp = \"{address}\"")
}

/// The demo's rig sheet with another wire.
///
/// # Panics
/// If the sheet does not contain the demo's wire.
pub fn with_link(keys: &str) -> String {
    with_wire(&crate::sheet_text("rigs/goods-in-1.toml"), keys)
}

/// The rig sheet with another wire in place of the demo's.
///
/// # Panics
/// If the sheet does not contain the demo's wire.
pub fn with_wire(sheet: &str, keys: &str) -> String {
    let tcp = "tcp = \"127.0.0.1:1502\"";
    assert!(sheet.contains(tcp), "the sheet does not contain `{tcp}`");
    sheet.replace(tcp, keys)
}

/// A new path for a symbolic link to a port that a test can unplug and plug in again.
pub fn port_path() -> PathBuf {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let number = NEXT.fetch_add(1, Ordering::SeqCst);
    std::env::temp_dir().join(format!("tripbench-port-{}-{number}", std::process::id()))
}

/// A terminal with line editing: its keyboard, and what a program has as standard input. Nothing is echoed.
///
/// # Panics
/// If no pseudo-terminal is available.
pub fn keyboard() -> (File, File) {
    let (keyboard, terminal, _) = pseudo_terminal();
    let mut settings = tcgetattr(&terminal).expect("its settings");
    settings.local_modes.remove(LocalModes::ECHO);
    tcsetattr(&terminal, OptionalActions::Now, &settings).expect("set");
    (keyboard, terminal)
}

fn terminal() -> (File, File, PathBuf) {
    let (master, slave, path) = pseudo_terminal();
    let mut raw = tcgetattr(&slave).expect("its settings");
    raw.make_raw();
    tcsetattr(&slave, OptionalActions::Now, &raw).expect("raw");
    (master, slave, path)
}

/// Both ends of a new pseudo-terminal, and the path of the second.
fn pseudo_terminal() -> (File, File, PathBuf) {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pseudo-terminal");
    grantpt(&master).and_then(|()| unlockpt(&master)).expect("a pseudo-terminal");
    let name = ptsname(&master, Vec::new()).expect("its name");
    let path = PathBuf::from(name.to_string_lossy().into_owned());
    let slave = File::options().read(true).write(true).open(&path).expect("its slave");
    (File::from(master), slave, path)
}

#[expect(clippy::disallowed_methods, reason = "simulates a late slave in real time")]
fn answer<S: Read + Write>(
    mut line: S,
    kept: &Mutex<Vec<Vec<u8>>>,
    reply: &(impl Fn(usize, &[u8]) -> Pieces + ?Sized),
) {
    let mut bytes = [0_u8; 512];
    while let Ok(count) = line.read(&mut bytes) {
        if count == 0 {
            break;
        }
        let number = crate::wire::keep(kept, &bytes[..count]);
        for (pause, piece) in reply(number, &bytes[..count]) {
            std::thread::sleep(pause);
            if line.write_all(&piece).is_err() {
                return;
            }
        }
    }
}

/// The content with its CRC appended, computed bit by bit (MODBUS over Serial Line V1.02, 6.2.2).
pub fn sealed(content: &[u8]) -> Vec<u8> {
    let mut register = 0xFFFF_u16;
    for byte in content {
        register ^= u16::from(*byte);
        for _ in 0..8 {
            register = if register & 1 == 1 { register >> 1 ^ 0xA001 } else { register >> 1 };
        }
    }
    [content, &register.to_le_bytes()].concat()
}
