//! Long runs in virtual time, and what they cost: processor time, and memory beside the trace.

use crate::Bench;
use std::mem::size_of;
use std::time::Duration;
use tripbench_rig::{Block, Scan};

/// A run of the demo's devices with `rounds` times `switch-points` and a pause, 200 scans a second.
pub fn long_bench(rounds: usize, cycles: u16, pause: Duration) -> Bench {
    let mut bench = Bench::demo();
    bench.truth.faults.clear();
    bench.rig = bench
        .rig
        .replace("evacuate_fine = \"40 s\"", "evacuate_fine = \"6 s\"")
        .replace("bleed = \"6 s\"", "bleed = \"3 s\"")
        .replace("drift = \"50 Pa\"", "drift = \"100 Pa\"");
    let round = format!(
        "[[step]]\ndo = \"switch-points\"\ncycles = {cycles}\n[[step]]\ndo = \"drive\"\nair = \"vent\"\n\
         [[step]]\ndo = \"hold\"\ntime = \"{} s\"\n",
        pause.as_secs()
    );
    bench.script = format!(
        "name = \"long\"\nrevision = \"1\"\nstate = \"released\"\n[[step]]\ndo = \"zero\"\n[[step]]\ndo = \"leak\"\n{}\
         [[step]]\ndo = \"zero\"\n",
        round.repeat(rounds)
    );
    bench
}

/// Memory of a scan in a trace, bytes, with the blocks as the allocator rounds them.
pub fn scan_bytes(scan: &Scan) -> usize {
    // The usual allocator adds a word and rounds to two.
    let taken = |bytes: usize| (bytes + size_of::<usize>()).next_multiple_of(2 * size_of::<usize>());
    let words = scan.blocks.iter().map(|block| taken(block.words.capacity() * size_of::<u16>()));
    // Shared blocks come with two counts.
    let counts = 2 * size_of::<usize>();
    size_of::<Scan>() + taken(counts + size_of_val::<[Block]>(&scan.blocks)) + words.sum::<usize>()
}

/// A field of `/proc/self/status` in bytes: `VmRSS`, or the greatest value so far, `VmHWM`; 0 if the system has none.
pub fn memory(field: &str) -> usize {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with(field));
    let number = line.and_then(|line| line.split_whitespace().nth(1)?.parse::<usize>().ok());
    number.unwrap_or(0) * 1_024
}

/// Processor time of this thread; zero if the system does not tell.
pub fn processor_time() -> Duration {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let nanos = text.split_whitespace().next().and_then(|nanos| nanos.parse().ok());
    Duration::from_nanos(nanos.unwrap_or(0))
}
