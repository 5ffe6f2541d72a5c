//! Lines that carry frames: a serial port or a TCP connection. A line may be opened repeatedly.

use crate::device::{Device, OtherDevice};
use crate::here::is_here;
use crate::port::{Claim, ClaimedPort, Holder};
use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_serial::{ClearBuffer, DataBits, FlowControl, SerialPort as _, SerialStream};
use tripbench_rig::{Parity, SerialPort, SerialTiming};

/// A line that carries frames.
pub trait Line {
    /// The open line.
    type Port: AsyncRead + AsyncWrite + Unpin;

    /// Opens the line. Bytes left in it are discarded.
    ///
    /// # Errors
    /// If it cannot be opened.
    fn open(&self) -> impl Future<Output = io::Result<Self::Port>>;

    /// Times of characters and silences; `None` if a converter keeps them.
    fn timing(&self) -> Option<SerialTiming>;
}

/// A serial port. This process may open it several times; its claim and the module lock keep other processes away. Opened again only while
/// its path leads to the same device as the first time; clones keep to that device too.
#[derive(Debug, Clone)]
pub struct SerialLine {
    /// The device that the path led to the first time.
    first: Arc<OnceLock<Device>>,
    any_device: bool,
    path: PathBuf,
    baud: u32,
    parity: Parity,
    stop_bits: u8,
}

impl SerialLine {
    /// The port of a rig sheet.
    pub fn of(port: &SerialPort) -> Self {
        let SerialPort { path, baud, parity, stop_bits } = port;
        Self {
            first: Arc::default(),
            any_device: false,
            path: path.value.clone().into(),
            baud: **baud,
            parity: *parity,
            stop_bits: *stop_bits,
        }
    }

    /// Keeps to this device.
    pub(crate) fn to(self, device: Device) -> Self {
        Self { first: Arc::new(device.into()), ..self }
    }

    /// Who else has the port open, if another process has. Any other obstacle shows when the port is opened.
    pub(crate) fn holder(&self) -> Option<Holder> {
        Claim::to(&self.path).err().and_then(|error| Claim::holder(&error))
    }

    /// Whether the port is a pseudo-terminal.
    pub(crate) fn is_on_this_computer(&self) -> bool {
        std::fs::canonicalize(&self.path).is_ok_and(|path| path.starts_with("/dev/pts"))
    }

    /// Whether to open whatever device has the path, for a test that shows why the guard matters.
    pub(crate) fn at_any_device(self, any_device: bool) -> Self {
        Self { any_device, ..self }
    }

    /// Compares the device that the path leads to with that of the first time.
    fn is_the_same(&self) -> io::Result<()> {
        let now = Device::at(&self.path)?;
        let before = self.first.get_or_init(|| now.clone());
        if *before == now || self.any_device {
            return Ok(());
        }
        let (path, before) = (self.path.clone(), before.clone());
        Err(io::Error::other(OtherDevice { path, before, now }))
    }
}

impl Line for SerialLine {
    type Port = ClaimedPort;

    async fn open(&self) -> io::Result<ClaimedPort> {
        let parity = match self.parity {
            Parity::Even => tokio_serial::Parity::Even,
            Parity::Odd => tokio_serial::Parity::Odd,
            Parity::None => tokio_serial::Parity::None,
        };
        let stop_bits =
            if self.stop_bits == 1 { tokio_serial::StopBits::One } else { tokio_serial::StopBits::Two };
        let builder = tokio_serial::new(self.path.to_string_lossy(), self.baud)
            .data_bits(DataBits::Eight)
            .flow_control(FlowControl::None)
            .parity(parity)
            .stop_bits(stop_bits)
            // The thread of a run that hangs keeps the port open, and the supervisor must still reach the module. The claim decides
            // which process has it.
            .exclusive(false);
        self.is_the_same()?;
        let claim = Claim::to(&self.path)?;
        let port = SerialStream::open(&builder)?;
        // The path may have changed just before it was opened.
        self.is_the_same()?;
        // Bytes that arrived while the port was closed would be read as an answer.
        port.clear(ClearBuffer::All)?;
        Ok(ClaimedPort::new(port, claim))
    }

    fn timing(&self) -> Option<SerialTiming> {
        Some(SerialTiming::at(self.baud))
    }
}

/// A TCP connection, to a serial converter that passes RTU frames unchanged or to a Modbus TCP module.
#[derive(Debug, Clone, Copy)]
pub struct TcpLine {
    address: SocketAddr,
    connects_within: Duration,
}

/// Longest time to establish a connection.
const CONNECTS_WITHIN: Duration = Duration::from_secs(1);

impl TcpLine {
    /// The converter at an address.
    pub const fn to(address: SocketAddr) -> Self {
        Self { address, connects_within: CONNECTS_WITHIN }
    }

    /// Whether it ends on this computer.
    pub(crate) fn is_on_this_computer(&self) -> bool {
        is_here(self.address.ip())
    }

    /// The module at an address. Connecting may take as long as an answer, but at least 1 s.
    pub(crate) fn answering_within(address: SocketAddr, answer_timeout: Duration) -> Self {
        Self { address, connects_within: CONNECTS_WITHIN.max(answer_timeout) }
    }
}

impl Line for TcpLine {
    type Port = TcpStream;

    async fn open(&self) -> io::Result<TcpStream> {
        let stream = timeout(self.connects_within, TcpStream::connect(self.address)).await??;
        stream.set_nodelay(true)?;
        Ok(stream)
    }

    fn timing(&self) -> Option<SerialTiming> {
        None
    }
}
