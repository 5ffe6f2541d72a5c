//! What the rig sheet lets one expect: rates and times of ramps.

use tripbench_quantity::{LevelRate, TimeSpan, VacuumLevel};
use tripbench_rig::{Air, RigSheet};

/// Time constant of an air state, if the rig sheet gives one.
pub(crate) fn time_constant(rig: &RigSheet, air: Air) -> Option<TimeSpan> {
    let manifold = &rig.manifold;
    match air {
        Air::Evacuate => Some(manifold.evacuate.value),
        Air::EvacuateFine => manifold.evacuate_fine.as_ref().map(|time| time.value),
        Air::Bleed => manifold.bleed.as_ref().map(|time| time.value),
        Air::Vent | Air::Rest => Some(manifold.vent.value),
        Air::Hold => None,
    }
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
