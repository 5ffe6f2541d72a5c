//! Looks at a rig between runs: whether it answers, whether its outputs are safe, which plugs are in.
//!
//! The outputs are known to be safe only as long as every look finds them safe. After a look that fails or finds an output that is not
//! safe, the safe values are written again: at once if the rig answers, otherwise at the next look that reaches it.

use super::Worker;
use crate::owner::Look;
use crate::phase::{Fault, Rest};
use tripbench_link::{Clock, Link, LockError, Module, ModuleWire, StopLatch};
use tripbench_rig::{Decoder, Doubt, Order, RigSheet, Scan};
use tripbench_runner::{JobError, anything_there};

/// Largest level at rest that counts as vented: about what an old reference reads at ambient. Judgement of this project.
const VENTED_PA: f64 = 3_000.0;

impl Worker {
    /// Looks at the rig, and reports the findings to its owner.
    pub(super) fn look(&mut self, look: Look) {
        let was_safe = self.safe;
        let found = self.looked();
        let found = self.hazard.after(found);
        match &found {
            Ok(_) if !was_safe => tracing::info!(rig = self.rig.name, "outputs safe, read back"),
            Ok(_) => {}
            Err(fault) => {
                if was_safe || self.logged.as_ref() != Some(fault) {
                    tracing::warn!(rig = self.rig.name, problem = %fault, "rig not ready");
                }
            }
        }
        self.logged = found.as_ref().err().cloned();
        let posted = self.rig.ask(move |owner| {
            if found.is_err() && look == Look::AtRest {
                owner.show_plugs(None);
            }
            owner.found(look, found);
        });
        if posted.is_err() {
            tracing::error!(rig = self.rig.name, "the owner of this rig has failed");
        }
    }

    /// One look. After every failed one the outputs are no longer known to be safe.
    fn looked(&mut self) -> Result<Rest, Fault> {
        // STOP TEST between two runs: the safe values are written once more, whatever was read last.
        let stops = self.rig.status().stops;
        self.safe &= self.stops == stops;
        self.stops = stops;
        let sheet = self.rig.sheets.rig().clone();
        let found = self.seen(&sheet);
        self.safe = found.is_ok();
        if let Err(fault) = &found {
            // As long as its outputs may be open, nothing is sent to another module.
            self.left_safe &= !fault.shows_the_module();
            if self.left_safe && fault.is_silence() {
                self.rig.pin.release();
            }
        }
        if found == Err(Fault::Opened) {
            self.write_safe(&sheet)?;
        }
        found
    }

    fn seen(&mut self, sheet: &RigSheet) -> Result<Rest, Fault> {
        let mut link = self.reached(sheet)?;
        let plan = sheet.read_plan();
        let decoder = Decoder::new(plan.clone());
        let found = (|| {
            if !self.safe {
                let made = self.runtime.block_on(link.make_safe(sheet));
                if link.has_answered() {
                    self.keep_to_the_module();
                }
                made.map_err(Fault::NotSafe)?;
                self.confirmed();
            }
            let scan = self.runtime.block_on(link.scan(&plan)).map_err(Fault::Silent)?;
            self.rig.looked();
            self.read(sheet, &decoder, &scan)
        })();
        // After another fault the next look begins with a fresh connection.
        self.link = matches!(found, Ok(_) | Err(Fault::Opened)).then_some(link);
        found
    }

    /// The connection. Locks the module and connects first, if necessary.
    pub(super) fn reached(&mut self, sheet: &RigSheet) -> Result<Link<ModuleWire>, Fault> {
        let unreachable = |error: &dyn std::error::Error| Fault::Unreachable(error.to_string());
        if let Some(link) = self.link.take() {
            return Ok(link);
        }
        let wire = match self.rig.pin.wire() {
            Some(wire) => wire,
            None => {
                let module = Module::of(&sheet.link).map_err(|error| unreachable(&error))?;
                if self.lock.as_ref().is_none_or(|lock| !lock.is_of(&module)) {
                    // Let go first: after a reset of a hub two rigs may have changed their paths.
                    self.lock = None;
                    self.lock = Some(module.lock().map_err(|error| not_locked(&error))?);
                    self.rig.owns_module();
                }
                anything_there(&module).map_err(|error: JobError| unreachable(&error))?
            }
        };
        self.reached = Some(wire.again());
        Ok(Link::new(wire, Clock::start(), StopLatch::armed(), sheet))
    }

    /// The outputs of the module that was reached were made safe and read back.
    pub(super) fn confirmed(&mut self) {
        (self.safe, self.left_safe) = (true, true);
        self.hazard.is_over();
    }

    /// The module that was reached has answered. As long as its outputs may be open, nothing is sent to another one in its place.
    fn keep_to_the_module(&self) {
        if let Some(wire) = &self.reached {
            self.rig.pin.set(wire);
        }
    }

    /// Writes the safe values after an output was found open, over the same connection, and reads them back. Whatever fails, the outputs are
    /// known not to be safe.
    fn write_safe(&mut self, sheet: &RigSheet) -> Result<(), Fault> {
        let mut link = self.reached(sheet).map_err(|_| Fault::NotSafe(Doubt::Lost))?;
        let made = self.runtime.block_on(link.make_safe(sheet));
        if made.is_ok() {
            self.confirmed();
        }
        self.safe = made.is_ok();
        self.link = made.is_ok().then_some(link);
        made.map(drop).map_err(Fault::NotSafe)
    }

    /// What a scan shows of the rig.
    fn read(&self, sheet: &RigSheet, decoder: &Decoder, scan: &Scan) -> Result<Rest, Fault> {
        let bit = |position: &tripbench_rig::Position| {
            let bit = position.present.as_ref().and_then(|input| decoder.bit(scan, input))?;
            Some((*position.number, bit.on))
        };
        let plugs: Vec<(u8, bool)> = sheet.positions.iter().filter_map(bit).collect();
        self.rig.sees_plugs();
        self.rig.post(move |owner| {
            owner.saw_plugs(&plugs);
            owner.show_plugs(Some(&plugs));
        });
        if decoder.outputs(scan, sheet).is_some_and(|outputs| outputs != sheet.image_of(Order::Safe)) {
            return Err(Fault::Opened);
        }
        let level = decoder.level(scan, sheet).map_err(|fault| Fault::Reference(fault.to_string()))?.value;
        Ok(Rest { level, vented: level.si().abs() <= VENTED_PA })
    }
}

/// The fault of a module that could not be locked.
fn not_locked(error: &LockError) -> Fault {
    match error {
        LockError::Taken { .. } => Fault::Taken(error.to_string()),
        LockError::PortInUse { .. } => Fault::PortInUse(error.to_string()),
        // Nobody is known to have it: at the end it is in doubt, not another program's.
        LockError::System { source, .. } => Fault::Unreachable(format!("{error} ({source})")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use std::io::Error;

    #[rstest]
    fn a_lock_that_the_system_refuses_is_not_that_of_another_program(#[values(1, 12, 24)] errno: i32) {
        let (address, source) = (String::from("192.0.2.7:502"), Error::from_raw_os_error(errno));
        let why = source.to_string();
        let fault = not_locked(&LockError::System { address, source });
        assert!(
            matches!(&fault, Fault::Unreachable(text) if text.contains("192.0.2.7:502") && text.contains(&why)),
            "{fault:?}"
        );
    }
}
