//! Looks at a rig between runs: whether it answers, whether its outputs are safe, which plugs are in.
//!
//! The outputs are known to be safe only as long as every look found them so. A look that fails, or finds an output that is not safe,
//! ends that, and safe is written again: at once where the rig answers, else at the next look that reaches it.

use super::Worker;
use crate::state::{Doing, RigState};
use std::fmt;
use tripbench_job::anything_there;
use tripbench_link::{Clock, Link, ModuleLock, ModuleWire, StopLatch, module_address};
use tripbench_rig::{Decoder, Order, RigSheet, Scan};

/// A vacuum of so much holds nothing, and is within what an old reference reads at ambient.
const VENTED_PA: f64 = 3_000.0;

/// What the rig is doing while it is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Phase {
    /// Nothing.
    AtRest,
    /// A run is being prepared, or its record is being made.
    Beside,
}

/// A rig that was found well.
pub(super) struct Idle {
    level: f64,
    vented: bool,
    /// Whether a plug is seen, by position; `None` if the rig cannot see it.
    present: Vec<(u8, Option<bool>)>,
}

/// What a look found.
enum Fault {
    /// The rig cannot be asked, or does not answer as it should.
    Unknown(String),
    /// The outputs could not be made safe.
    NotSafe(String),
    /// An output was not safe.
    Opened,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unknown(why) => f.write_str(why),
            Self::NotSafe(doubt) => {
                write!(f, "outputs NOT confirmed safe ({doubt}): shut off air and power by hand")
            }
            Self::Opened => f.write_str(
                "its outputs were not as they were left, and were set to safe again: is another program at the module?",
            ),
        }
    }
}

impl Worker {
    /// Looks at the rig, and shows what was found. What waits is taken back where that was not well.
    pub(super) fn look(&mut self, phase: Phase) {
        let was_safe = self.safe;
        match self.looked() {
            Ok(idle) => {
                if !was_safe {
                    tracing::info!(rig = self.rig.name, "outputs safe, read back");
                }
                self.show(phase, None, Some(&idle));
            }
            Err(fault) => {
                let problem = fault.to_string();
                if was_safe || self.rig.state().problem.as_deref() != Some(problem.as_str()) {
                    tracing::warn!(rig = self.rig.name, problem, "rig not ready");
                }
                self.rig.lost_sight();
                self.rig.withdraw("a rig that is not ready");
                self.show(phase, Some(&fault), None);
            }
        }
    }

    /// One look. Every one that is not good ends what was known of the outputs.
    fn looked(&mut self) -> Result<Idle, Fault> {
        // STOP TEST between two runs: safe is written once more, whatever was read last.
        let stops = self.rig.stops();
        self.safe &= self.stops == stops;
        self.stops = stops;
        let sheet = self.rig.sheets.rig().clone();
        let found = self.seen(&sheet);
        self.safe = found.is_ok();
        match found {
            Err(Fault::Opened) => {
                self.written_safe(&sheet)?;
                Err(Fault::Opened)
            }
            Err(fault) => {
                // The next look begins with a fresh connection.
                self.link = None;
                Err(fault)
            }
            Ok(idle) => Ok(idle),
        }
    }

    fn seen(&mut self, sheet: &RigSheet) -> Result<Idle, Fault> {
        self.reach(sheet).map_err(Fault::Unknown)?;
        if !self.safe {
            self.written_safe(sheet)?;
        }
        let unknown = || Fault::Unknown(String::from("it is not connected"));
        let link = self.link.as_mut().ok_or_else(unknown)?;
        let plan = sheet.read_plan();
        let scan = self.runtime.block_on(link.scan(&plan));
        let scan = scan.map_err(|doubt| Fault::Unknown(format!("does not answer: {doubt}")))?;
        self.rig.looked();
        self.read(sheet, &Decoder::new(plan), &scan)
    }

    /// Takes the module and connects to it, where that was not done yet.
    fn reach(&mut self, sheet: &RigSheet) -> Result<(), String> {
        if self.lock.is_none() {
            let address = module_address(&sheet.link).map_err(|error| error.to_string())?;
            self.lock = Some(ModuleLock::take(&address).map_err(|error| error.to_string())?);
        }
        if self.link.is_none() {
            anything_there(&sheet.link).map_err(|error| error.to_string())?;
            let wire = ModuleWire::of(&sheet.link).map_err(|error| error.to_string())?;
            self.link = Some(Link::new(wire, Clock::start(), StopLatch::armed(), sheet));
        }
        Ok(())
    }

    /// Writes safe, and reads it back.
    fn written_safe(&mut self, sheet: &RigSheet) -> Result<(), Fault> {
        let Some(link) = &mut self.link else {
            return Err(Fault::NotSafe(String::from("it is not connected")));
        };
        let made = self.runtime.block_on(link.make_safe(sheet));
        self.safe = made.is_ok();
        if made.is_err() {
            self.link = None;
        }
        made.map(|_| ()).map_err(|doubt| Fault::NotSafe(doubt.to_string()))
    }

    /// What a scan says of the rig.
    fn read(&self, sheet: &RigSheet, decoder: &Decoder, scan: &Scan) -> Result<Idle, Fault> {
        let present: Vec<(u8, Option<bool>)> = sheet
            .positions
            .iter()
            .map(|position| {
                let bit = position.present.as_ref().and_then(|input| decoder.bit(scan, input));
                (*position.number, bit.map(|bit| bit.on))
            })
            .collect();
        self.rig.saw_plugs(&present);
        if decoder.outputs(scan, sheet).is_some_and(|outputs| outputs != sheet.image_of(Order::Safe)) {
            return Err(Fault::Opened);
        }
        let level = decoder.level(scan, sheet);
        let level = level.map_err(|fault| Fault::Unknown(format!("the reference: {fault}")))?;
        let vented = level.value.si().abs() <= VENTED_PA;
        Ok(Idle { level: self.rig.sheets.style().value(level.value), vented, present })
    }

    fn show(&self, phase: Phase, fault: Option<&Fault>, idle: Option<&Idle>) {
        let state = self.rig.state();
        let mut next = state.clone();
        next.problem = fault.map(Fault::to_string);
        next.outputs_safe = match fault {
            Some(Fault::NotSafe(_)) => Some(false),
            Some(Fault::Unknown(_) | Fault::Opened) => None,
            // What is said of a run is said by its record.
            None => Some(true).filter(|_| phase == Phase::AtRest),
        };
        if phase == Phase::AtRest {
            at_rest(&mut next, idle);
        }
        if next != state {
            self.rig.change(|shown| {
                // Who ended the daemon meanwhile has said so.
                if shown.doing != Doing::Ending {
                    shown.doing = next.doing;
                }
                shown.outputs_safe = next.outputs_safe;
                shown.problem = next.problem;
                shown.level = next.level;
                shown.vented = next.vented;
                for (place, seen) in shown.round.places.iter_mut().zip(&next.round.places) {
                    place.present = seen.present;
                }
            });
        }
    }
}

/// What is shown of a rig that does nothing.
fn at_rest(next: &mut RigState, idle: Option<&Idle>) {
    let decimals = 10_f64.powi(i32::try_from(next.decimals).unwrap_or(1));
    next.doing = if next.problem.is_some() { Doing::NotReady } else { Doing::Idle };
    next.vented = idle.map(|idle| idle.vented);
    next.level = idle.map(|idle| (idle.level * decimals).round() / decimals);
    for place in &mut next.round.places {
        let seen = idle.into_iter().flat_map(|idle| &idle.present);
        let seen = seen.filter(|(number, _)| *number == place.position).find_map(|(_, present)| *present);
        place.present = place.present.and(seen.or(Some(false)));
    }
}
