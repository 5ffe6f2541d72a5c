//! Predictions from the rig sheet: rates and times of ramps.

use tripbench_quantity::{LevelRate, TimeSpan, VacuumLevel};
use tripbench_record::Motion;
use tripbench_rig::{Air, OutputName, RigSheet};

/// Time constant of an air state, if the rig sheet gives one.
pub(crate) fn time_constant(rig: &RigSheet, air: Air) -> Option<TimeSpan> {
    let manifold = &rig.manifold;
    match air {
        Air::Evacuate => Some(manifold.evacuate.value),
        Air::EvacuateFine => manifold.evacuate_fine.as_ref().map(|time| time.value),
        Air::Bleed => manifold.bleed.as_ref().map(|time| time.value),
        Air::Vent => Some(manifold.vent.value),
        // At rest the valves are in their safe state, in which a vent is usually open.
        Air::Rest => rest_vents(rig).then_some(manifold.vent.value),
        Air::Hold => None,
    }
}

fn rest_vents(rig: &RigSheet) -> bool {
    rig.by_hand() || rig.outputs.iter().any(|output| output.name == OutputName::Vent && *output.safe)
}

/// Absolute rate at a level.
pub(crate) fn rate(rig: &RigSheet, reached: VacuumLevel, air: Air, level: VacuumLevel) -> LevelRate {
    let Some(tau) = time_constant(rig, air) else { return LevelRate::ZERO };
    let distance = if air.evacuates() { reached.si() - level.si() } else { level.si() };
    LevelRate::new(distance.max(0.0) / tau.si())
}

/// Time from one level to another, valve delay included; `None` if it is never reached.
pub(crate) fn time(
    rig: &RigSheet,
    reached: VacuumLevel,
    air: Air,
    (from, to): (VacuumLevel, VacuumLevel),
) -> Option<TimeSpan> {
    let tau = time_constant(rig, air)?;
    let (from, to) = (from.si(), to.si());
    let ratio =
        if air.evacuates() { (reached.si() - from) / (reached.si() - to) } else { from / to.max(200.0) };
    (ratio.is_finite() && ratio > 0.0)
        .then(|| TimeSpan::new(tau.si() * ratio.ln().max(0.0) + rig.manifold.valve_delay.si()))
}

/// Absolute rate at a level for a motion, while the air moves.
pub(crate) fn motion_rate(
    rig: &RigSheet,
    reached: VacuumLevel,
    (motion, deeper): (Motion, bool),
    level: VacuumLevel,
) -> LevelRate {
    match motion {
        Motion::FullFlow | Motion::Throttled | Motion::Pulses { .. } => {
            rate(rig, reached, motion.air(deeper), level)
        }
        Motion::Regulated { rate } | Motion::ByHand { rate } => rate,
    }
}

/// Time from one level to another for a motion, seconds; 0 if it is never reached.
pub(crate) fn motion_time(
    rig: &RigSheet,
    reached: VacuumLevel,
    (motion, deeper): (Motion, bool),
    levels: (VacuumLevel, VacuumLevel),
) -> f64 {
    /// Mean factor on the number of pulses, because the level falls back after each.
    const TAKEN_BACK: f64 = 1.3;
    /// Factor by which a person is slower than the rate asked for.
    const BY_HAND: f64 = 1.4;
    let distance = (levels.1.si() - levels.0.si()).abs();
    let open = || time(rig, reached, motion.air(deeper), levels).map_or(0.0, TimeSpan::si);
    match motion {
        Motion::FullFlow | Motion::Throttled => open(),
        Motion::Regulated { rate } => distance / rate.si() + rig.manifold.evacuate.si(),
        Motion::ByHand { rate } => distance / rate.si() * BY_HAND,
        Motion::Pulses { pulse, settle, .. } => {
            let order = rig.order_time().si();
            let pulses = open() * TAKEN_BACK / (pulse.si() + order);
            pulses * (pulse.si() + settle.si() + 2.0 * order)
        }
    }
}
