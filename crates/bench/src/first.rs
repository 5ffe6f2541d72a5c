//! Makes rigs safe before anything else: the program that ended before this start may have left a valve open.

use crate::phase::Phase;
use crate::rig::Rig;
use crate::worker::Left;
use std::sync::Arc;
use std::time::Duration;
use tripbench_link::{Clock, Module};
use tripbench_rig::RigSheet;
use tripbench_runner::{anything_there, make_safe_over};

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
    let mut ended = Ended::default();
    let mut leaving: Vec<(RigSheet, Module)> = Vec::new();
    for sheet in sheets {
        match Module::of(&sheet.link) {
            Ok(module) if leaving.iter().any(|(_, other)| other.common_name(&module).is_some()) => {}
            Ok(module) => leaving.push((sheet, module)),
            Err(_) => ended.add(sheet.header.name.value.clone(), Left::InDoubt),
        }
    }
    let leaving: Vec<_> = leaving
        .into_iter()
        .map(|(sheet, module)| {
            let leaves = (sheet.clone(), module.clone());
            let thread = std::thread::Builder::new().spawn(move || leave_one_safe(&leaves.0, &leaves.1));
            (sheet, module, thread)
        })
        .collect();
    for (sheet, module, thread) in leaving {
        // Without a thread, one after the other.
        let left = thread.map_or_else(
            |_| leave_one_safe(&sheet, &module),
            |thread| thread.join().unwrap_or(Left::InDoubt),
        );
        ended.add(sheet.header.name.value.clone(), left);
    }
    ended
}

fn leave_one_safe(sheet: &RigSheet, module: &Module) -> Left {
    let Ok(_lock) = module.lock() else { return Left::NotOurs };
    // A refused connection is known sooner.
    if anything_there(module).is_ok_and(|wire| make_safe_over(&wire, sheet)) {
        Left::Safe
    } else {
        Left::InDoubt
    }
}
