//! Makes rigs safe before anything else: the program that ended before this start may have left a valve open.

use crate::phase::Phase;
use crate::rig::Rig;
use crate::worker::Left;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;
use tripbench_link::{Clock, ModuleLock, module_address};
use tripbench_rig::RigSheet;
use tripbench_runner::{anything_there, make_safe};

/// Longest wait for the first looks. A look takes about four seconds if no connection comes.
const FIRST_LOOKS_WITHIN: Duration = Duration::from_secs(6);

/// How rigs were left, as lists of their names.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Ended {
    /// Outputs at their safe values, read back.
    pub safe: Vec<String>,
    /// Outputs not confirmed safe.
    pub in_doubt: Vec<String>,
    /// Another program used their modules: the state of the outputs is unknown.
    pub not_ours: Vec<String>,
}

impl Ended {
    /// Logs how rigs that are not served were left.
    pub fn log(&self) {
        for rig in &self.safe {
            tracing::info!(rig, "outputs set to their safe values, read back");
        }
        for rig in &self.in_doubt {
            tracing::error!(rig, "outputs NOT confirmed safe: shut off air and power by hand");
        }
        for rig in &self.not_ours {
            tracing::warn!(rig, "another program uses its module; the state of its outputs is unknown");
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

/// Waits until the worker of every rig has looked at it once, and has made it safe if it answers, or until a time limit has passed.
pub(crate) fn looked_at(rigs: &[Arc<Rig>]) {
    let clock = Clock::start();
    let until = clock.now() + FIRST_LOOKS_WITHIN;
    while rigs.iter().any(|rig| matches!(rig.status().phase, Phase::Starting)) && clock.now() < until {
        std::thread::park_timeout(Duration::from_millis(5));
    }
}

/// Makes rigs safe that will not be served, all in parallel, each by its own sheet. If two name the same module, the first counts. A
/// module that another program uses is not touched.
pub fn leave_safe(sheets: Vec<RigSheet>) -> Ended {
    let mut modules = BTreeSet::new();
    let leaving: Vec<_> = sheets
        .into_iter()
        .filter(|sheet| module_address(&sheet.link).map_or(true, |address| modules.insert(address)))
        .map(|sheet| {
            let name = sheet.header.name.value.clone();
            let leaves = sheet.clone();
            let thread = std::thread::Builder::new().spawn(move || leave_one_safe(&leaves));
            (name, sheet, thread)
        })
        .collect();
    let mut ended = Ended::default();
    for (name, sheet, thread) in leaving {
        // Without a thread, one after the other.
        let left =
            thread.map_or_else(|_| leave_one_safe(&sheet), |thread| thread.join().unwrap_or(Left::InDoubt));
        ended.add(name, left);
    }
    ended
}

fn leave_one_safe(sheet: &RigSheet) -> Left {
    let Ok(address) = module_address(&sheet.link) else { return Left::InDoubt };
    let Ok(_lock) = ModuleLock::take(&address) else { return Left::NotOurs };
    // A refused connection is known sooner.
    if anything_there(&sheet.link).is_ok() && make_safe(sheet) { Left::Safe } else { Left::InDoubt }
}
