//! Draws of the truth: the rig, its faults, and the devices.

use super::Station;
use super::dice::Dice;
use tripbench_simulator::{AirSavingTruth, DeviceFault, DeviceTruth, Effect, Fault, Trigger, Truth};

/// Nature of a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Nature {
    /// As its sheets promise, except that its levels may be anywhere.
    Sound,
    /// Must not pass, whatever its levels are.
    Unsound(&'static str),
    /// With a fault that a run may or may not show.
    Doubtful,
    /// Its input shows another device. It must not pass, unless the record says that this was not checked.
    WiredToAnother,
}

/// Expanded uncertainty of the reference's calibration, k = 2, pascal.
pub(super) const CALIBRATION_PA: f64 = 250.0;

/// Draws the truth of a rig, with the nature of each device.
pub(super) fn truth(dice: &mut Dice, station: &Station, seed: u64) -> (Truth, Vec<Nature>) {
    let rig = &station.task.sheets.rig;
    let mut truth = Truth::as_declared(rig, seed);
    truth.reference.offset_pa = dice.within(-300.0, 300.0);
    // Uniform within the expanded uncertainty of the calibration; in some runs beyond it, which the stated risk must cover.
    truth.reference.error_pa = if dice.chance(0.1) {
        let error_pa = dice.within(CALIBRATION_PA, 2.0 * CALIBRATION_PA);
        if dice.chance(0.5) { error_pa } else { -error_pa }
    } else {
        dice.within(-CALIBRATION_PA, CALIBRATION_PA)
    };
    truth.reference.lag_s = dice.within(7e-3, 9e-3);
    let (mut devices, mut natures): (Vec<DeviceTruth>, Vec<Nature>) =
        station.bench.positions.iter().map(|&position| device(dice, station, position)).unzip();
    // Only one input is wired wrongly. Crossed inputs are not drawn: a run cannot see them, and `rig check` is for that.
    let wrong = devices.iter_mut().zip(&mut natures).filter(|(device, _)| device.quirks.wired_to.is_some());
    for (device, nature) in wrong.skip(1) {
        (device.quirks.wired_to, *nature) = (None, Nature::Sound);
    }
    truth.devices = devices;
    if dice.chance(0.25) {
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
    let nature = fault(dice, station, &mut device);
    (device, nature)
}

/// Gives a device a fault.
fn fault(dice: &mut Dice, station: &Station, device: &mut DeviceTruth) -> Nature {
    match dice.below(9) {
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
            // Where a step limits the response, it must not pass; elsewhere it must not hide a bad level.
            let late_s = if dice.chance(0.5) { 0.2 } else { dice.within(0.0, 0.25) };
            device.delay_on_s += late_s;
            device.delay_off_s += late_s;
            Nature::Doubtful
        }
        5 => {
            device.repeatability_pa = dice.within(200.0, 2_000.0);
            Nature::Doubtful
        }
        6 => {
            device.quirks.first_deeper_pa = dice.within(500.0, 8_000.0);
            Nature::Doubtful
        }
        7 => {
            // A device that feeds late does not hold the level.
            device.quirks.valve_later_s = [0.0, dice.within(0.1, 1.0)];
            Nature::Doubtful
        }
        _ => {
            let others = station.bench.positions.iter().copied().filter(|other| *other != device.position);
            let all: Vec<u8> = others.chain([NOBODY]).collect();
            let to = all[dice.below(all.len())];
            device.quirks.wired_to = Some(to);
            if to == NOBODY { Nature::Unsound("its input has no device") } else { Nature::WiredToAnother }
        }
    }
}

/// A position without a device.
const NOBODY: u8 = 2;
