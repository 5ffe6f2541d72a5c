//! Rigs are made safe before anything else: whatever ended before this start may have left a valve open.

use crate::phase::Phase;
use crate::rig::Rig;
use crate::worker::Left;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;
use tripbench_job::{anything_there, make_safe};
use tripbench_link::{Clock, ModuleLock, module_address};
use tripbench_rig::RigSheet;

/// Longest time that the first looks are waited for: one over a connection that does not come takes about four seconds.
const FIRST_LOOKS_WITHIN: Duration = Duration::from_secs(6);

/// How rigs were left, by name.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Ended {
    /// Safe, read back.
    pub safe: Vec<String>,
    /// Not confirmed safe.
    pub in_doubt: Vec<String>,
    /// Another program had their modules: nothing is known of them.
    pub not_ours: Vec<String>,
}

impl Ended {
    /// Says how rigs were left that are not served.
    pub fn log(&self) {
        for rig in &self.safe {
            tracing::info!(rig, "outputs set to their safe values, read back");
        }
        for rig in &self.in_doubt {
            tracing::error!(rig, "outputs NOT confirmed safe: shut off air and power by hand");
        }
        for rig in &self.not_ours {
            tracing::warn!(rig, "another program has its module; nothing is known of its outputs");
        }
    }

    /// Adds how a rig was left.
    pub(crate) fn add(&mut self, rig: String, left: Left) {
        match left {
            Left::Safe => self.safe.push(rig),
            Left::InDoubt => self.in_doubt.push(rig),
            Left::NotOurs => self.not_ours.push(rig),
        }
    }
}

/// Waits until the worker of every rig has looked at it once, and has made it safe where it answers; at most for a time.
pub(crate) fn looked_at(rigs: &[Arc<Rig>]) {
    let clock = Clock::start();
    let until = clock.now() + FIRST_LOOKS_WITHIN;
    while rigs.iter().any(|rig| matches!(rig.status().phase, Phase::Starting)) && clock.now() < until {
        std::thread::park_timeout(Duration::from_millis(5));
    }
}

/// Makes rigs safe that will not be served, all at once, each by its own sheet; of two that name the same module, the first. A module
/// that another program has is not touched.
pub fn leave_safe(sheets: Vec<RigSheet>) -> Ended {
    let mut modules = BTreeSet::new();
    let leaving: Vec<_> = sheets
        .into_iter()
        .filter(|sheet| module_address(&sheet.link).map_or(true, |address| modules.insert(address)))
        .map(|sheet| {
            let name = sheet.header.name.value.clone();
            (name, std::thread::spawn(move || leave_one_safe(&sheet)))
        })
        .collect();
    let mut ended = Ended::default();
    for (name, thread) in leaving {
        ended.add(name, thread.join().unwrap_or(Left::InDoubt));
    }
    ended
}

fn leave_one_safe(sheet: &RigSheet) -> Left {
    let Ok(address) = module_address(&sheet.link) else { return Left::InDoubt };
    let Ok(_lock) = ModuleLock::take(&address) else { return Left::NotOurs };
    // Where nothing takes a connection, that is known sooner.
    if anything_there(&sheet.link).is_ok() && make_safe(sheet) { Left::Safe } else { Left::InDoubt }
}
