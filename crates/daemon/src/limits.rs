//! Limits and timeouts of the HTTP side, of the page and of the disk, all in one place: tests shorten them.

use serde::Serialize;
use std::time::Duration;
use tripbench_bench::DiskTimes;

/// Limits and timeouts of the HTTP side, of the page and of the disk.
#[derive(Debug, Clone)]
pub struct Limits {
    /// Most connections at once. Each is an open file: some must be left for the modules and the records.
    pub connections: usize,
    /// Additional short connections that accept only a stop.
    pub stop_connections: usize,
    /// Time limit of the request on a connection for a stop; the whole connection has twice as long.
    pub stop_within: Duration,
    /// Connections without a complete request header are closed after this time. A stream is a response and may stay open.
    pub header_within: Duration,
    /// Longest time for a complete body to arrive.
    pub body_within: Duration,
    /// Largest accepted body, bytes: sheets are texts of a few kilobytes.
    pub largest_body: usize,
    /// A connection whose reader takes nothing for this time, although there is something to send, is closed.
    pub write_within: Duration,
    /// Changes allowed in a burst. A person presses a button, a scanner sends a number; more comes from a faulty program.
    pub changes_at_once: u32,
    /// Changes allowed per second after a burst.
    pub changes_each_second: u32,
    /// Most watchers at once; each costs memory and time.
    pub watchers: usize,
    /// Least time between two batches to a watcher: a bench of many rigs would wake it hundreds of times per second.
    pub batch_every: Duration,
    /// Longest time without an event: a watcher that receives nothing for three times as long has lost the daemon.
    pub beat_every: Duration,
    /// Time between two looks into a journal that grows.
    pub journal_every: Duration,
    /// Longest time for requests in progress when the daemon ends.
    pub end_within: Duration,
    /// Timeouts of the page.
    pub page: PageLimits,
    /// Most threads that work at the disk for requests. The runtime has some 500, which are for everything.
    pub disk_threads: usize,
    /// Most of them for one run or one rig: the disk may hang there.
    pub disk_threads_each: usize,
    /// Longest time that a request waits for one of them.
    pub disk_within: Duration,
    /// How long the disk may take before a rig waits no longer.
    pub disk: DiskTimes,
}

/// Timeouts of the page, milliseconds.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct PageLimits {
    /// After this time without anything from the daemon the connection counts as lost.
    pub silence_ms: u32,
    /// Time until a stream that was refused is requested again.
    pub reconnect_ms: u32,
    /// Longest time for the answer to a request other than a stop.
    pub request_ms: u32,
    /// Longest time for the answer to a stop.
    pub stop_ms: u32,
    /// Time between a stop that got no answer and the next one.
    pub stop_again_ms: u32,
    /// A button accepts presses once it has been shown for this long.
    pub fresh_ms: u32,
    /// A level older than this is not shown.
    pub old_ms: u32,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            connections: 450,
            stop_connections: 50,
            stop_within: Duration::from_secs(1),
            header_within: Duration::from_secs(10),
            body_within: Duration::from_secs(10),
            largest_body: 256 * 1024,
            write_within: Duration::from_secs(10),
            changes_at_once: 60,
            changes_each_second: 30,
            watchers: 100,
            batch_every: Duration::from_millis(40),
            beat_every: Duration::from_secs(1),
            journal_every: Duration::from_millis(50),
            end_within: Duration::from_millis(500),
            page: PageLimits::default(),
            disk_threads: 64,
            disk_threads_each: 8,
            disk_within: Duration::from_secs(10),
            disk: DiskTimes::default(),
        }
    }
}

impl Default for PageLimits {
    fn default() -> Self {
        Self {
            silence_ms: 3_500,
            reconnect_ms: 1_000,
            request_ms: 20_000,
            stop_ms: 1_500,
            stop_again_ms: 200,
            fresh_ms: 600,
            old_ms: 2_000,
        }
    }
}
