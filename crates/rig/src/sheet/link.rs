//! Reading of the link to the module.

use super::{LinkSheet, SerialPort, Wire, Writes};
use crate::serial::Parity;
use tripbench_quantity::TimeSpan;
use tripbench_sheet::{At, Finding, Reader, Wording};

/// Lowest baud rate allowed.
const SLOWEST_BAUD: u32 = 1_200;
/// Highest baud rate allowed.
const FASTEST_BAUD: u32 = 1_000_000;

impl LinkSheet {
    /// The address of the module as the sheet has it: `host:port`, or the path of a serial port.
    pub fn address(&self) -> &str {
        match &self.wire {
            Wire::Tcp(address) | Wire::RtuOverTcp(address) => address,
            Wire::Serial(port) => &port.path,
        }
    }

    /// Reads the keys of a link.
    pub(super) fn read(reader: &Reader<'_>) -> Option<Self> {
        let milliseconds = |count: f64| TimeSpan::new(count * 1e-3);
        let wire = Wire::read(reader);
        let serial = matches!(wire, Some(Wire::Serial(_)));
        let unit = reader.or("unit", "unit identifier, 1 to 247; 0 and 255 where a TCP module wants them", 1);
        let unit = reader.tested(
            unit,
            "1 to 247 on a serial line, where 0 is a broadcast without an answer",
            |unit: &u8| !serial || (1..=247).contains(unit),
        );
        let timeout = reader.or("answer_timeout", "longest time for an answer", milliseconds(100.0));
        let timeout = reader.tested(timeout, "1 ms to 10 s", |t| (1e-3..=10.0).contains(&t.si()));
        let slowest = reader.or(
            "slowest_answer",
            "longest time after which the module can still act on a request",
            milliseconds(500.0),
        );
        let slowest = reader.tested(slowest, "1 ms to 10 s", |t| (1e-3..=10.0).contains(&t.si()));
        let slowest = slowest_after_timeout(reader, slowest, timeout.as_ref());
        let interval = reader.or("scan_interval", "shortest time between two scans", milliseconds(5.0));
        // Even a scan that is late by a whole interval must come before the gap counts as a doubt.
        let interval = reader.tested(interval, "0 ms to 100 ms", |t| t.si() <= 0.1);
        let hole = reader.or("largest_hole", "how many unused addresses may be read to save a request", 0);
        let answer = reader.or(
            "answer_time",
            "typical response time, without the wire time of a serial line",
            milliseconds(0.7),
        );
        let answer = reader.tested(answer, "0 ms to 200 ms", |t| t.si() <= 0.2);
        let gap = reader.or(
            "minimum_gap",
            "shortest silence after an answer, if the module needs more",
            TimeSpan::ZERO,
        );
        let gap = reader.tested(gap, "0 ms to 100 ms", |t| t.si() <= 0.1);
        let writes = reader.or(
            "writes",
            "whether outputs are written together (functions 0F and 10) or one by one (05 and 06)",
            Writes::Together,
        );
        Some(Self {
            wire: wire?,
            unit: unit?,
            answer_timeout: timeout?,
            slowest_answer: slowest?,
            scan_interval: interval?,
            largest_hole: hole?,
            answer_time: answer?,
            minimum_gap: gap?,
            writes: writes?,
        })
    }
}

/// Requires `slowest_answer` to be no shorter than `answer_timeout`, so that a late answer is waited for.
fn slowest_after_timeout(
    reader: &Reader<'_>,
    slowest: Option<At<TimeSpan>>,
    timeout: Option<&At<TimeSpan>>,
) -> Option<At<TimeSpan>> {
    let (slowest, timeout) = (slowest?, timeout?);
    if slowest.si() >= timeout.si() {
        return Some(slowest);
    }
    let wording = Wording::new(
        "`slowest_answer` is shorter than `answer_timeout`",
        "an answer may come later than this",
        "write a time of at least `answer_timeout`: a request can still take effect until then",
    );
    reader.finding(
        Finding::error("slowest-before-timeout", &slowest.place, wording).with(&timeout.place, "the timeout"),
    );
    None
}

impl Wire {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let tcp = reader.optional("tcp", "host and port of Modbus TCP, such as \"127.0.0.1:502\"");
        let over =
            reader.optional("rtu_over_tcp", "host and port of a serial converter that carries RTU frames");
        let [tcp, over] = [tcp, over].map(|address| match address {
            Some(Some(address)) => {
                let allowed = "host:port with a port from 1 to 65535, such as \"192.168.1.20:502\"";
                reader.tested(Some(address), allowed, |text: &String| is_host_and_port(text)).map(Some)
            }
            other => other,
        });
        let serial = reader.optional("serial", "path of a serial port, such as \"/dev/ttyUSB0\"");
        let port = SerialPort::read(reader, serial.clone().flatten());
        match (tcp?, over?, serial?) {
            (Some(address), None, None) => Some(Self::Tcp(address)),
            (None, Some(address), None) => Some(Self::RtuOverTcp(address)),
            (None, None, Some(_)) => port.map(Self::Serial),
            (None, None, None) => {
                let help =
                    "write one of tcp = \"host:port\", serial = \"/dev/…\", rtu_over_tcp = \"host:port\"";
                let wording = Wording::new("the link has no address or port", "no connection given", help);
                reader.finding(Finding::error("no-wire", &reader.place(), wording));
                None
            }
            (first, second, third) => {
                let places =
                    [first, second, third].into_iter().flatten().map(|one| one.place).collect::<Vec<_>>();
                let wording = Wording::new(
                    "the link has more than one address or port",
                    "second connection",
                    "keep one of tcp, serial, rtu_over_tcp",
                );
                let last = places.last().map_or_else(|| reader.place(), Clone::clone);
                let first = places.first().map_or_else(|| reader.place(), Clone::clone);
                reader.finding(Finding::error("wire-twice", &last, wording).with(&first, "first connection"));
                None
            }
        }
    }
}

fn is_host_and_port(text: &str) -> bool {
    text.rsplit_once(':')
        .is_some_and(|(host, port)| !host.is_empty() && port.parse::<u16>().is_ok_and(|port| port > 0))
}

impl SerialPort {
    /// Reads the settings of a serial port; `None` without a path.
    fn read(reader: &Reader<'_>, path: Option<At<String>>) -> Option<Self> {
        let baud = reader.or("baud", "bits per second of the serial port", 19_200_u32);
        let baud =
            reader.tested(baud, "1200 to 1000000", |baud| (SLOWEST_BAUD..=FASTEST_BAUD).contains(baud));
        let parity = reader.or("parity", "even, odd or none", Parity::Even);
        let stop_bits =
            reader.optional("stop_bits", "1 or 2; by default 1, or 2 without parity, as in the standard");
        let stop_bits = match stop_bits {
            Some(Some(count)) => {
                reader.tested(Some(count), "1 or 2", |count: &u8| (1..=2).contains(count)).map(Some)
            }
            other => other,
        };
        let (baud, parity, stop_bits) = (baud?, parity?.value, stop_bits?);
        let usual = if parity == Parity::None { 2 } else { 1 };
        Some(Self { path: path?, baud, parity, stop_bits: stop_bits.map_or(usual, |count| count.value) })
    }
}
