//! Makes rigs safe before anything else: the program that ended before this start may have left a valve open.

use crate::phase::Phase;
use crate::rig::Rig;
use crate::worker::Left;
use std::sync::mpsc::channel;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tripbench_link::{Clock, LockError, Module};
use tripbench_rig::{LinkSheet, RigSheet};
use tripbench_runner::{anything_there, make_safe_over};

/// Longest wait for the first looks. A look takes about four seconds if no connection comes.
const FIRST_LOOKS_WITHIN: Duration = Duration::from_secs(6);

/// Longest wait for the look-up of all names at the start: no rig waits longer for the name of another.
const LOOK_UPS_WITHIN: Duration = Duration::from_secs(2);

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

/// Makes rigs safe that will not be served, all in parallel, each by its own sheet: none waits for the name of another to be looked up. If
/// two name the same module, it is made safe by the sheet of one of them, and the other rig is in doubt. A module that another program
/// uses is not touched.
pub fn leave_safe(sheets: Vec<RigSheet>) -> Ended {
    let claimed: Arc<Mutex<Vec<Module>>> = Arc::default();
    let leaving: Vec<_> = sheets
        .into_iter()
        .map(|sheet| {
            let (of, claimed) = (sheet.clone(), Arc::clone(&claimed));
            let thread = std::thread::Builder::new().spawn(move || leave_one_safe(&of, &claimed));
            (sheet, thread)
        })
        .collect();
    let mut ended = Ended::default();
    for (sheet, thread) in leaving {
        // Without a thread, one after the other.
        let left = thread.map_or_else(
            |_| leave_one_safe(&sheet, &claimed),
            |thread| thread.join().unwrap_or(Left::InDoubt),
        );
        ended.add(sheet.header.name.value.clone(), left);
    }
    ended
}

fn leave_one_safe(sheet: &RigSheet, claimed: &Mutex<Vec<Module>>) -> Left {
    let Ok(module) = Module::of(&sheet.link) else { return Left::InDoubt };
    {
        let mut claimed = claimed.lock().unwrap_or_else(PoisonError::into_inner);
        if claimed.iter().any(|other| other.common_name(&module).is_some()) {
            return Left::InDoubt;
        }
        claimed.push(module.clone());
    }
    let _lock = match module.lock() {
        Ok(lock) => Some(lock),
        Err(LockError::Taken { .. }) => return Left::NotOurs,
        // The system lets nobody else write to the port.
        Err(error @ LockError::PortInUse { .. }) => {
            tracing::error!(rig = sheet.header.name.value, "{error}: outputs NOT confirmed safe");
            return Left::InDoubt;
        }
        // Nobody is known to use it: safe matters more than the lock.
        Err(LockError::System { .. }) => None,
    };
    // A refused connection is known sooner.
    if anything_there(&module).is_ok_and(|wire| make_safe_over(&wire, sheet)) {
        Left::Safe
    } else {
        Left::InDoubt
    }
}

/// The modules that sheets name, looked up in parallel; `None` for a name that does not resolve within a time limit. The rig reports it.
pub(crate) fn modules(sheets: Vec<LinkSheet>) -> Vec<Option<Module>> {
    let clock = Clock::start();
    let until = clock.now() + LOOK_UPS_WITHIN;
    looked_up(sheets, || until.since(clock.now()), |sheet| Module::of(sheet).ok())
}

/// What `look_up` finds for each of the sheets, in parallel; `None` where it finds nothing in the time that is left.
fn looked_up<T: Clone + Send + 'static>(
    sheets: Vec<LinkSheet>,
    mut left: impl FnMut() -> Duration,
    look_up: fn(&LinkSheet) -> Option<T>,
) -> Vec<Option<T>> {
    let mut modules = vec![None; sheets.len()];
    let (found, looked_up) = channel();
    for (index, sheet) in sheets.into_iter().enumerate() {
        let found = found.clone();
        let thread = std::thread::Builder::new().name(String::from("look-up"));
        let spawned = thread.spawn(move || found.send((index, look_up(&sheet))).is_ok());
        if let Err(error) = spawned {
            tracing::warn!(%error, "cannot look up the name of a module at the start");
        }
    }
    drop(found);
    while let Ok((index, module)) = looked_up.recv_timeout(left()) {
        modules[index] = module;
    }
    modules
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::SHEETS;
    use rstest::rstest;
    use std::net::TcpListener;
    use tripbench_rig::Wire;

    /// A sheet of this name for a module at an address.
    fn sheet(name: &str, address: &str) -> RigSheet {
        let mut sheet = SHEETS.rig().clone();
        name.clone_into(&mut sheet.header.name.value);
        let Wire::Tcp(at) = &mut sheet.link.wire else { panic!("the demo's rig is on TCP") };
        address.clone_into(&mut at.value);
        sheet
    }

    /// Whoever reads how the rigs were left must find each of them.
    #[rstest]
    fn every_rig_is_named_once(#[values(1, 2, 4)] at_one_module: usize, #[values(0, 1)] without_name: usize) {
        // A port at which nobody answers.
        let port =
            TcpListener::bind("127.0.0.1:0").and_then(|free| free.local_addr()).expect("a port").port();
        let at = format!("127.0.0.1:{port}");
        let mut sheets: Vec<_> = (0..at_one_module).map(|rig| sheet(&format!("rig-{rig}"), &at)).collect();
        sheets.extend((0..without_name).map(|rig| sheet(&format!("nowhere-{rig}"), "nowhere.invalid:502")));
        let mut expected: Vec<String> = sheets.iter().map(|sheet| sheet.header.name.value.clone()).collect();
        let mut ended = leave_safe(sheets);
        ended.in_doubt.sort();
        expected.sort();
        assert_eq!(ended, Ended { in_doubt: expected, ..Ended::default() });
    }

    /// A resolver that hangs keeps none of the others.
    #[rstest]
    fn a_look_up_that_hangs_is_given_up(#[values(&[0], &[2], &[0, 1], &[0, 1, 2])] hanging: &[usize]) {
        let name = |rig: usize| if hanging.contains(&rig) { "hangs:1" } else { "answers:1" };
        let links = (0..3).map(|rig| sheet("rig", name(rig)).link).collect();
        // Time is left until all have answered that ever will.
        let mut answers = 3 - hanging.len();
        let left = || {
            let more = answers > 0;
            answers = answers.saturating_sub(1);
            if more { Duration::from_mins(10) } else { Duration::ZERO }
        };
        let found = looked_up(links, left, |link| {
            while link.address() == "hangs:1" {
                std::thread::park();
            }
            Some(link.address().to_owned())
        });
        let expected = (0..3).map(|rig| (!hanging.contains(&rig)).then(|| name(rig).to_owned()));
        assert_eq!(found, expected.collect::<Vec<_>>());
    }

    #[test]
    fn modules_are_in_the_order_of_their_sheets() {
        let links = ["127.0.0.1:1", "nowhere.invalid:2", "127.0.0.1:3"].map(|at| sheet("rig", at).link);
        let found = modules(links.to_vec());
        let alone = links.map(|link| Module::of(&link).ok());
        for (index, (found, alone)) in found.iter().zip(&alone).enumerate() {
            assert_eq!(found.is_some(), index != 1);
            let other =
                found.as_ref().zip(alone.as_ref()).is_some_and(|(one, two)| one.common_name(two).is_none());
            assert!(!other, "module {index}");
        }
    }
}
