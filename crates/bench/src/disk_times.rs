//! How long the disk may take, all in one place: tests shorten it.

use std::time::Duration;

/// How long the disk may take before a rig or the end of the daemon waits no longer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DiskTimes {
    /// Longest time that a record waits for the records before it: the disk may hang at one of them.
    pub turn_within: Duration,
    /// Time after which the first attempt to make a record is given up. It may first wait for its turn.
    pub hangs_after: Duration,
    /// Time between two attempts to make records of a rig.
    pub try_every: Duration,
    /// Longest time for the removal of the folder of a run that did not begin. After it the folder stays.
    pub removed_within: Duration,
    /// Longest time, when the daemon ends, for the workers to set the outputs of their rigs to safe values and to finish their records.
    pub workers_have: Duration,
}

impl Default for DiskTimes {
    fn default() -> Self {
        Self {
            turn_within: Duration::from_secs(10),
            hangs_after: Duration::from_secs(30),
            try_every: Duration::from_secs(10),
            removed_within: Duration::from_secs(5),
            workers_have: Duration::from_secs(20),
        }
    }
}
