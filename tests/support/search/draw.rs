//! Draws of a seed: the truth, troubles of wire, computer and disk, and when a person stops the run.

use super::dice::Dice;
use super::disk::{DiskFaults, Kill};
use super::truth::{CALIBRATION_PA, Nature, truth};
use super::{Guard, Station, Stations};
use crate::virtual_line::{Planned, Trouble, When};
use std::time::Duration;
use tripbench_quantity::Mono;
use tripbench_record::{Halt, StepTask, Task};
use tripbench_runner::VirtualDisk;
use tripbench_simulator::Truth;

/// One drawn run.
#[derive(Debug)]
pub struct Drawn<'s> {
    /// Seed of the run.
    pub seed: u64,
    /// Rig, script and settings.
    pub station: &'s Station,
    /// Truth of the simulated rig.
    pub truth: Truth,
    /// Nature of each device, in the order of the positions.
    pub devices: Vec<Nature>,
    /// Troubles of wire, module and computer.
    pub troubles: Vec<Planned>,
    /// Largest number of bytes that a read from the line returns, if limited.
    pub most_read: Option<usize>,
    /// Time from an event to its writing.
    pub disk_takes: Duration,
    /// Time from the first to the second moment in which the disk writes nothing.
    pub disk_stalls: Option<[Mono; 2]>,
    /// Faults of the disk.
    pub disk: DiskFaults,
    /// A kill, which leaves the journal as it was at that moment.
    pub kill: Option<Kill>,
    /// Number of scans after which a person stops the run, and the reason.
    pub stop: Option<(usize, Halt)>,
}

/// Draws the run of a seed.
pub fn draw(stations: &Stations, seed: u64) -> Drawn<'_> {
    let mut dice = Dice::new(seed);
    let station = stations.get(dice.below(Stations::COUNT));
    let (truth, devices) = truth(&mut dice, station, seed);
    let scans = scans(station);
    let mut troubles = Vec::new();
    if dice.chance(0.6) {
        chain(&mut dice, station, &mut troubles);
        // Another one, which does not depend on whether the first one comes.
        if dice.chance(0.3) {
            chain(&mut dice, station, &mut troubles);
        }
    }
    let most_read = dice.chance(0.15).then(|| 1 + dice.below(8));
    let (disk_takes, disk_stalls, disk) = disk(&mut dice, station);
    let kill = dice.chance(0.4).then(|| kill(&mut dice));
    let stop = dice.chance(0.15).then(|| {
        let after = usize::try_from(dice.number(scans * 1.1)).unwrap_or(0);
        (after, Halt::Operator { by: String::from("the search") })
    });
    Drawn { seed, station, truth, devices, troubles, most_read, disk_takes, disk_stalls, disk, kill, stop }
}

/// Predicted number of scans.
fn scans(station: &Station) -> f64 {
    station.task.predicted().si() / station.task.sheets.rig.link.scan_interval.si()
}

/// Draws a trouble, and others that follow it.
fn chain(dice: &mut Dice, station: &Station, troubles: &mut Vec<Planned>) {
    let scans = scans(station);
    let reads = f64::from(u32::try_from(station.task.plan.reads.len()).unwrap_or(1));
    // Writes are rare and matter most.
    let kind = dice.within(0.0, 1.0);
    let first = if kind < 0.4 {
        (When::Write(dice.number(30.0)), trouble(dice, station))
    } else if kind < 0.5 {
        (When::Event(dice.number(scans)), of_the_computer(dice))
    } else {
        (When::Request(dice.number(scans * reads)), trouble(dice, station))
    };
    troubles.push(first);
    // More troubles may follow, which also disturb the return to safe outputs.
    while dice.chance(0.5) {
        troubles.push((When::Later(1 + dice.number(40.0)), trouble(dice, station)));
    }
}

/// Draws a trouble of the computer, or a stop.
fn of_the_computer(dice: &mut Dice) -> Trouble {
    let lost = [
        Trouble::NotRun(dice.time(0.0, 1.0)),
        Trouble::SentLate(dice.time(0.0, 1.0)),
        Trouble::Asleep(dice.time(0.0, 5.0)),
        Trouble::Stopped,
    ];
    lost[dice.below(4)]
}

/// Draws a trouble; nothing is late by more than the rig sheet's `slowest_answer`.
fn trouble(dice: &mut Dice, station: &Station) -> Trouble {
    let slowest_s = 0.95 * station.task.sheets.rig.link.slowest_answer.si();
    let timeout_s = station.task.sheets.rig.link.answer_timeout.si();
    match dice.below(23) {
        0 => Trouble::LateAnswer(dice.time(0.0, slowest_s)),
        1 => Trouble::LateAnswer(dice.time(timeout_s, slowest_s)),
        2 => Trouble::LateRequest(dice.time(0.0, slowest_s)),
        3 => Trouble::LateRequest(dice.time(timeout_s, slowest_s)),
        4 => Trouble::LostRequest,
        5 => Trouble::LostAnswer,
        6 => Trouble::DoubledAnswer(dice.time(0.0, slowest_s)),
        7 => Trouble::DoubledRequest(dice.time(0.0, slowest_s)),
        8 => Trouble::Short,
        9 => Trouble::CutOff,
        10 => Trouble::ForeignUnit,
        11 => Trouble::ForeignTransaction,
        12 => Trouble::Corrupt(dice.below(4_096)),
        13 => Trouble::Refused(u8::try_from(1 + dice.below(11)).unwrap_or(1)),
        14 => [Trouble::Reset, Trouble::HalfOpen(dice.time(0.05, 2.0))][dice.below(2)],
        15 => Trouble::Frozen(dice.time(0.0, slowest_s)),
        16 => Trouble::Restarted,
        17 => Trouble::SecondMaster(dice.below(8)),
        18 => {
            let pieces = u8::try_from(2 + dice.below(6)).unwrap_or(2);
            Trouble::InPieces(pieces, dice.time(0.0, slowest_s) / u32::from(pieces))
        }
        19 => Trouble::RefusesConnections(u8::try_from(1 + dice.below(8)).unwrap_or(1)),
        20 => Trouble::ConnectsSlowly(dice.time(0.0, 1.5)),
        _ => of_the_computer(dice),
    }
}

/// Draws the disk: the time that a write takes, a stall, and faults.
fn disk(dice: &mut Dice, station: &Station) -> (Duration, Option<[Mono; 2]>, DiskFaults) {
    let seconds = station.task.predicted().si();
    let takes = if dice.chance(0.15) { dice.time(0.0, 3.0) } else { Duration::ZERO };
    let stalls = dice.chance(0.05).then(|| {
        let from = Mono::START + dice.time(0.0, seconds);
        [from, from + dice.time(0.1, 30.0)]
    });
    let mut faults = DiskFaults::default();
    if dice.chance(0.1) {
        let write = usize::try_from(dice.number(scans(station) * 1.2)).unwrap_or(0);
        faults.full_at = Some((write, dice.below(200)));
    }
    if dice.chance(0.05) {
        // About four syncs a second.
        faults.sync_fails_at = usize::try_from(dice.number(seconds * 5.0)).ok();
    }
    (takes, stalls, faults)
}

/// Draws a kill; half of them near the end, where the verdicts are.
fn kill(dice: &mut Dice) -> Kill {
    let at = if dice.chance(0.5) { dice.within(0.0, 1.0) } else { 1.0 - dice.within(0.0, 0.005) };
    let (kept, power) = (dice.within(0.0, 1.0), dice.chance(0.6));
    let hole = dice.chance(0.3).then(|| dice.within(0.0, 1.0));
    Kill { at, kept, power, hole }
}

impl Drawn<'_> {
    /// The task, planned without the guard if that is the lag correction.
    pub(super) fn task(&self, without: Option<Guard>) -> Task {
        let station = self.station;
        if without == Some(Guard::LagCorrection) { station.without_lag.clone() } else { station.task.clone() }
    }

    /// The disk, which reports events before they are written if told to.
    pub(super) fn virtual_disk(&self, heard_first: bool) -> VirtualDisk {
        VirtualDisk {
            takes: self.disk_takes,
            stalls: self.disk_stalls,
            heard_first,
            ..VirtualDisk::default()
        }
    }

    /// Whether the disk fails at some time, or stalls for so long that the run ends.
    pub(super) const fn disk_fails(&self) -> bool {
        self.disk.full_at.is_some() || self.disk.sync_fails_at.is_some()
    }

    /// Error of the reference if it is larger than the expanded uncertainty of its calibration, pascal; otherwise 0.
    pub(super) fn reference_off_pa(&self) -> f64 {
        let error_pa = self.truth.reference.error_pa;
        if error_pa.abs() > CALIBRATION_PA { error_pa } else { 0.0 }
    }

    /// Whether the true level must be watched: the sheets limit how far it falls.
    pub(super) fn watches_level(&self) -> bool {
        self.station.task.steps.iter().any(|step| matches!(step.task, StepTask::AirSaving(_)))
    }

    /// Duration above which a run counts as hung: more than all waiting times of a run and of the return to safe outputs.
    pub(super) fn longest(&self) -> Duration {
        let lasting: Duration = self.troubles.iter().map(|(_, trouble)| trouble.lasts()).sum();
        let predicted = self.station.task.predicted().duration();
        4 * predicted + 3 * lasting + Duration::from_mins(2)
    }

    /// Time after the end during which sent frames can still arrive.
    pub(super) fn afterwards(&self) -> Duration {
        self.station.task.sheets.rig.link.slowest_answer.duration() * 2 + Duration::from_secs(2)
    }
}
