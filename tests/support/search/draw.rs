//! Draws of a seed: devices, faults of the rig, troubles of wire, computer and disk, and when a person stops the run.

use super::{Guard, Station};
use crate::virtual_line::{Planned, Trouble, When};
use rand_core::SeedableRng;
use rand_distr::{Distribution, Uniform};
use rand_pcg::Pcg64Mcg;
use std::time::Duration;
use tripbench_record::{Halt, StepTask, Task};
use tripbench_runner::VirtualDisk;
use tripbench_simulator::{AirSavingTruth, DeviceFault, DeviceTruth, Effect, Fault, Trigger, Truth};

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
    /// The disk.
    pub disk: VirtualDisk,
    /// Bytes written of the line at which the disk becomes full.
    pub torn: usize,
    /// Number of scans after which a person stops the run, and the reason.
    pub stop: Option<(usize, Halt)>,
}

/// Nature of a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Nature {
    /// As its sheets promise, except that its levels may be anywhere.
    Sound,
    /// Must not pass, whatever its levels are.
    Unsound(&'static str),
    /// With a fault that a run may or may not show.
    Doubtful,
}

/// Random numbers.
struct Dice(Pcg64Mcg);

impl Dice {
    fn within(&mut self, low: f64, high: f64) -> f64 {
        Uniform::new_inclusive(low, high).expect("a range").sample(&mut self.0)
    }

    fn below(&mut self, count: usize) -> usize {
        Uniform::new(0, count).expect("a range").sample(&mut self.0)
    }

    fn chance(&mut self, share: f64) -> bool {
        self.within(0.0, 1.0) < share
    }

    fn time(&mut self, low_s: f64, high_s: f64) -> Duration {
        Duration::from_secs_f64(self.within(low_s, high_s))
    }
}

/// Draws the run of a seed.
pub fn draw(stations: &[Station], seed: u64) -> Drawn<'_> {
    let mut dice = Dice(Pcg64Mcg::seed_from_u64(seed));
    let station = &stations[dice.below(stations.len())];
    let (truth, devices) = truth(&mut dice, station, seed);
    let scan_s = station.task.sheets.rig.link.scan_interval.si();
    let scans = station.task.predicted().si() / scan_s;
    let anywhere = |dice: &mut Dice, most: f64| {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a small positive number"
        )]
        let number = dice.within(0.0, most) as u64;
        number
    };
    let mut troubles = Vec::new();
    if dice.chance(0.6) {
        let reads = f64::from(u32::try_from(station.task.plan.reads.len()).unwrap_or(1));
        // Writes are rare and matter most.
        let when = if dice.chance(0.4) {
            When::Write(anywhere(&mut dice, 30.0))
        } else {
            When::Request(anywhere(&mut dice, scans * reads))
        };
        troubles.push((when, trouble(&mut dice, station)));
        // More troubles may follow, which also disturb the return to safe outputs.
        while dice.chance(0.5) {
            let later = When::Later(1 + anywhere(&mut dice, 40.0));
            troubles.push((later, trouble(&mut dice, station)));
        }
    }
    let mut disk = VirtualDisk::default();
    if dice.chance(0.15) {
        disk.takes = dice.time(0.0, 3.0);
    }
    if dice.chance(0.1) {
        disk.full_at = usize::try_from(anywhere(&mut dice, scans * 1.2)).ok();
    }
    let stop = dice.chance(0.15).then(|| {
        let after = usize::try_from(anywhere(&mut dice, scans * 1.1)).unwrap_or(0);
        (after, Halt::Operator { by: String::from("the search") })
    });
    let torn = dice.below(200);
    Drawn { seed, station, truth, devices, troubles, disk, torn, stop }
}

/// Draws a trouble; nothing is late by more than the rig sheet's `slowest_answer`.
fn trouble(dice: &mut Dice, station: &Station) -> Trouble {
    let slowest_s = 0.95 * station.task.sheets.rig.link.slowest_answer.si();
    let timeout_s = station.task.sheets.rig.link.answer_timeout.si();
    match dice.below(19) {
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
        _ => [Trouble::NotRun(dice.time(0.0, 1.0)), Trouble::Asleep(dice.time(0.0, 5.0))][dice.below(2)],
    }
}

fn truth(dice: &mut Dice, station: &Station, seed: u64) -> (Truth, Vec<Nature>) {
    let rig = &station.task.sheets.rig;
    let mut truth = Truth::as_declared(rig, seed);
    truth.reference.offset_pa = dice.within(-300.0, 300.0);
    // Uniform within the expanded uncertainty of the calibration, so never beyond two standard deviations.
    truth.reference.error_pa = dice.within(-250.0, 250.0);
    truth.reference.lag_s = dice.within(7e-3, 9e-3);
    let (devices, natures) =
        station.bench.positions.iter().map(|&position| device(dice, station, position)).unzip();
    truth.devices = devices;
    if dice.chance(0.2) {
        let when = if dice.chance(0.5) {
            Trigger::At(dice.within(0.0, station.task.predicted().si()))
        } else {
            Trigger::RisingThrough { level_pa: dice.within(5e3, 80e3), time: 1 + u32::from(dice.chance(0.5)) }
        };
        let effect = match dice.below(8) {
            0 => Effect::PullPlug(1),
            1 => Effect::PullPlug(3),
            2 => Effect::PullHose,
            3 => Effect::AirPressure { pressure_pa: dice.within(2e5, 5e5), for_s: dice.within(0.1, 4.0) },
            4 => Effect::EvacuateStuck { open: dice.chance(0.5) },
            5 => Effect::VentStuckShut,
            6 => Effect::ReferenceFrozen,
            _ => Effect::InputsFrozen,
        };
        truth.faults = vec![Fault { when, effect }];
    }
    (truth, natures)
}

/// Additional delay of a late device, seconds.
const LATE_S: f64 = 0.2;
/// Switch point and reset point of the settings sheet, pascal; below them cut-off and resume level.
const SET_PA: [f64; 2] = [60e3, 55e3];
const SET_VALVE_PA: [f64; 2] = [70e3, 64e3];

fn device(dice: &mut Dice, station: &Station, position: u8) -> (DeviceTruth, Nature) {
    // Most devices are near their settings, the others anywhere around their limits.
    let spread_pa = if dice.chance(0.6) { 700.0 } else { 4_000.0 };
    let shift_pa = dice.within(-spread_pa, spread_pa);
    // Both levels of a device are off alike; its hysteresis differs little.
    let own_pa = [(); 2].map(|()| dice.within(-100.0, 100.0));
    let mut device =
        DeviceTruth::good(position, SET_PA[0] + shift_pa + own_pa[0], SET_PA[1] + shift_pa + own_pa[1]);
    device.repeatability_pa = dice.within(10.0, 60.0);
    device.lag_s = 0.0;
    let settings = station.task.sheets.settings.as_ref();
    let delay_s = settings.map_or(0.0, |settings| settings.delay.si());
    device.delay_on_s = delay_s + dice.within(0.0, 6e-3);
    device.delay_off_s = delay_s + dice.within(0.0, 6e-3);
    let saves = settings.is_some_and(|settings| settings.air_saving.is_some());
    device.air_saving = saves.then(|| AirSavingTruth {
        cut_off_pa: SET_VALVE_PA[0] + shift_pa,
        resume_pa: SET_VALVE_PA[1] + shift_pa,
        open_without_power: false,
    });
    if dice.chance(0.7) {
        return (device, Nature::Sound);
    }
    let nature = match dice.below(7) {
        0 => {
            device.fault = Some(DeviceFault::StuckOn);
            Nature::Unsound("stuck on")
        }
        1 => {
            device.fault = Some(DeviceFault::StuckOff);
            Nature::Unsound("stuck off")
        }
        2 => {
            device.fault = Some(DeviceFault::Chattering);
            Nature::Unsound("chatters")
        }
        3 => {
            device.fault = Some(DeviceFault::Bouncing);
            Nature::Doubtful
        }
        4 => {
            device.delay_on_s += LATE_S;
            device.delay_off_s += LATE_S;
            // A response step allows 80 ms.
            let responds =
                station.task.steps.iter().any(|step| matches!(step.task, StepTask::Response { .. }));
            if responds { Nature::Unsound("too late") } else { Nature::Doubtful }
        }
        5 => {
            device.repeatability_pa = dice.within(200.0, 2_000.0);
            Nature::Doubtful
        }
        _ => {
            device.quirks.first_deeper_pa = dice.within(500.0, 8_000.0);
            Nature::Doubtful
        }
    };
    (device, nature)
}

impl Drawn<'_> {
    /// The task, planned without the guard if that is the lag correction.
    pub(super) fn task(&self, without: Option<Guard>) -> Task {
        let station = self.station;
        if without == Some(Guard::LagCorrection) { station.without_lag.clone() } else { station.task.clone() }
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
