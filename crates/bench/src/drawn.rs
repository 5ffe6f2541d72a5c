//! The owner of a rig with letters in any order, for a search that shows why the owner checks the devices of a run. Not part of a bench.

use crate::not_planned::NotPlanned;
use crate::owner::{DeviceCheck, Look, Next, Owner};
use crate::phase::{Fault, Rest};
use crate::plan::Planned;
use crate::round::{Place, Placing};
use crate::sheets::{Given, RigSheets};
use crate::waiting::{Claim, Job, Press, Seen};
use std::collections::BTreeMap;
use tripbench_quantity::{Mono, VacuumLevel};
use tripbench_record::Halt;
use tripbench_rig::Doubt;
use tripbench_runner::Today;

/// Something that happens at a rig.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Letter {
    /// A look finds the rig well.
    Look,
    /// A look fails.
    LookFails,
    /// A person replaces the device at position 1. The looks see the plug out and in again; a rig that does not see plugs gets the number
    /// of the new device instead.
    Replace,
    /// A person requests a run of the device at position 1.
    Press,
    /// The request has been planned and arrives at the owner; `true` if the run may wait for another one.
    Ask(bool),
    /// A person stops the run.
    Stop,
    /// The worker asks for its next run.
    Next,
    /// The run has been prepared and begins.
    Begin,
    /// The run is over.
    Over,
}

/// A rig whose owner gets drawn letters.
#[derive(Debug)]
pub struct DrawnRig {
    sheets: RigSheets,
    /// A run of a device at position 1.
    planned: Planned,
}

/// Position of the device.
const POSITION: u8 = 1;

impl DrawnRig {
    /// A rig with these sheets.
    ///
    /// # Errors
    /// If no run of a device at position 1 can be planned.
    pub fn new(sheets: RigSheets) -> Result<Self, NotPlanned> {
        let place = Place { position: POSITION, serial: Some(number(0)), ..Place::default() };
        let planned = sheets.prepare(Given::default(), (&[place], &[]), &Today::by_clock())?;
        Ok(Self { sheets, planned })
    }

    /// Sends letters to a new owner. Returns the number of runs that have begun, and an error if one of them tests another device than the
    /// one that was there when the run was requested.
    ///
    /// # Errors
    /// The device that is tested under the number of another one, in words.
    pub fn play(&self, letters: &[Letter], sees_plugs: bool, check: DeviceCheck) -> Result<u32, String> {
        let owner = Owner::new(self.sheets.name(), false, self.sheets.places(), self.sheets.preview())
            .checking(check);
        let mut bench = Played { rig: self, owner, sees_plugs, device: 0, meant: BTreeMap::new() };
        bench.see(true);
        bench.owner.found(Look::AtRest, Ok(REST));
        let mut at = AtWork { pressed: None, claim: None, runs: false, begun: 0 };
        for (index, letter) in letters.iter().enumerate() {
            bench.take(*letter, &mut at).map_err(|why| format!("letter {index}: {why}"))?;
        }
        Ok(at.begun)
    }
}

/// State of a rig at rest.
const REST: Rest = Rest { level: VacuumLevel::new(120.0), vented: true };

/// Serial number of the n-th device.
fn number(device: u32) -> String {
    format!("A-{device}")
}

/// A rig, its owner and the devices at it.
struct Played<'r> {
    rig: &'r DrawnRig,
    owner: Owner,
    sees_plugs: bool,
    /// The device that is there now.
    device: u32,
    /// The device that was there when a run was requested, by run.
    meant: BTreeMap<String, u32>,
}

/// The request that is being planned, and the run that the worker has.
struct AtWork {
    pressed: Option<(String, Press, u64)>,
    claim: Option<Claim>,
    /// Whether the run is in progress.
    runs: bool,
    /// Number of runs that have begun.
    begun: u32,
}

impl Played<'_> {
    /// A look at the plug.
    fn see(&mut self, present: bool) {
        if self.sees_plugs {
            self.owner.saw_plugs(&[(POSITION, present)]);
            self.owner.show_plugs(Some(&[(POSITION, present)]));
        }
    }

    fn look(&mut self, found: Result<Rest, Fault>, at: &AtWork) {
        if !at.runs {
            let look = if at.claim.is_some() { Look::Meanwhile } else { Look::AtRest };
            self.owner.found(look, found);
        }
    }

    fn take(&mut self, letter: Letter, at: &mut AtWork) -> Result<(), String> {
        match letter {
            Letter::Look => self.look(Ok(REST), at),
            Letter::LookFails => self.look(Err(Fault::Silent(Doubt::Late)), at),
            Letter::Replace => self.replace(),
            Letter::Press => {
                let run = format!("run {}", self.meant.len());
                self.meant.insert(run.clone(), self.device);
                at.pressed = Some((run, self.owner.press(Mono::START), self.owner.status().stops));
            }
            Letter::Ask(unattended) => self.ask(at.pressed.take(), unattended),
            Letter::Stop => self.owner.stop(Halt::Signal),
            Letter::Next if at.claim.is_none() => {
                if let Next::Job(job, _) = self.owner.next() {
                    at.claim = Some(job.claim());
                }
            }
            Letter::Begin if !at.runs => return self.begin(at),
            Letter::Over if at.runs => {
                if let Some(claim) = at.claim.take() {
                    self.owner.over(&claim.run);
                }
                at.runs = false;
            }
            Letter::Next | Letter::Begin | Letter::Over => {}
        }
        Ok(())
    }

    fn replace(&mut self) {
        self.device += 1;
        if self.sees_plugs {
            self.see(false);
            self.see(true);
            return;
        }
        let placing = Placing { position: POSITION, serial: Some(number(self.device)), own_number: false };
        let revision = self.owner.status().round.revision;
        // The revision is the current one and the number is allowed.
        let _mounted = self.owner.mount(revision, &[placing], None);
    }

    fn ask(&mut self, pressed: Option<(String, Press, u64)>, unattended: bool) {
        let Some((run, press, stops)) = pressed else { return };
        let Planned { mut prepared, script, own } = self.rig.planned.clone();
        prepared.header.run = run;
        for position in &mut prepared.task.positions {
            let then = press.places.iter().find(|place| place.position == position.number);
            position.identity.serial =
                then.and_then(|place| place.serial.clone()).unwrap_or_else(|| number(0));
        }
        let job = Job { prepared, script, again: None, own, press };
        let seen = Seen { revision: None, round: None, stops, unattended };
        // A request that is refused gives no run.
        let _refused = self.owner.enqueue(job, seen, Mono::START);
    }

    /// The worker begins its run, or gives it up.
    fn begin(&mut self, at: &mut AtWork) -> Result<(), String> {
        let Some(claim) = at.claim.clone() else { return Ok(()) };
        if self.owner.begin(&claim).is_err() {
            self.owner.over(&claim.run);
            at.claim = None;
            return Ok(());
        }
        (at.runs, at.begun) = (true, at.begun + 1);
        match self.meant.get(&claim.run) {
            Some(meant) if *meant != self.device => Err(format!(
                "{} begins with device {} under the number of device {meant}",
                claim.run, self.device
            )),
            Some(_) | None => Ok(()),
        }
    }
}
