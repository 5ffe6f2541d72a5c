//! How fast the level moves where the gas cools as it is drawn off and warms as it is let in: the energy balance of a chamber
//! whose walls stay as they are, with the time constants of the rig sheet. A pull begins up to 1.4 times as fast as it goes on.

use crate::predict::time_constant;
use std::cell::RefCell;
use tripbench_judge::Ramp;
use tripbench_quantity::VacuumLevel;
use tripbench_record::Motion;
use tripbench_rig::{Air, RigSheet};

/// Ratio of specific heats of air.
const HEAT_RATIO: f64 = 1.4;
/// Standard atmosphere, pascal (ISO 2533).
const AMBIENT_PA: f64 = 101_325.0;
/// Level at which the sheet's rates of falling and its thermal time constant are meant, pascal.
const HALF_PA: f64 = 50e3;
/// Critical pressure ratio of a valve's path, as is common practice where none is stated (ISO 6358-1 has it measured).
const CRITICAL_RATIO: f64 = 0.3;

/// The ends of a window between which ramps go on and back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Window {
    pub(crate) bottom: VacuumLevel,
    pub(crate) top: VacuumLevel,
}

/// Rates that were asked for already: many mixes of ramps pass the same levels.
#[derive(Debug, Default)]
pub(crate) struct Passages(RefCell<Vec<(Window, Ramp, VacuumLevel, Option<f64>)>>);

impl Passages {
    /// Absolute rate at a level in a ramp, pascal per second; `None` if something else than the gas sets it, or it is never passed.
    pub(crate) fn rate(
        &self,
        rig: (&RigSheet, VacuumLevel),
        window: Window,
        ramp: Ramp,
        level: VacuumLevel,
    ) -> Option<f64> {
        let asked = (window, ramp, level);
        let known = self.0.borrow().iter().find(|one| (one.0, one.1, one.2) == asked).map(|one| one.3);
        known.unwrap_or_else(|| {
            let rate = ramp_rate(rig, window, ramp, level);
            self.0.borrow_mut().push((window, ramp, level, rate));
            rate
        })
    }
}

/// Absolute rate at a level in a ramp, pascal per second; `None` if something else than the gas sets it, or it is never passed.
fn ramp_rate(
    (rig, reached): (&RigSheet, VacuumLevel),
    window: Window,
    ramp: Ramp,
    level: VacuumLevel,
) -> Option<f64> {
    let chamber = Chamber { rig, reached_pa: reached.si() };
    let Window { bottom, top } = window;
    let own = free(ramp.motion, ramp.deeper)?;
    let before = ramp.after.and_then(|motion| free(motion, !ramp.deeper));
    let start = match (before, ramp.deeper) {
        // Before a throttled ramp the gas is given time.
        (Some(_), true) if ramp.motion == Motion::Throttled => Gas::at_rest(bottom.si()),
        (Some(fall), true) => {
            let pulled = chamber.go(Gas::at_rest(bottom.si()), Air::Evacuate, top.si())?;
            chamber.go(pulled.gas, fall, bottom.si())?.gas
        }
        (Some(pull), false) => chamber.go(Gas::at_rest(bottom.si()), pull, top.si())?.gas,
        (None, true) => Gas::at_rest(0.0),
        (None, false) => Gas::at_rest(top.si()),
    };
    chamber.go(start, own, level.si()).map(|passed| passed.rate_pa_per_s)
}

/// What moves the air, where it moves as fast as it may.
fn free(motion: Motion, deeper: bool) -> Option<Air> {
    matches!(motion, Motion::FullFlow | Motion::Throttled).then(|| motion.air(deeper))
}

/// The gas in the chamber.
#[derive(Debug, Clone, Copy)]
struct Gas {
    /// Pressure that it would have at the walls' temperature, pascal: its mass.
    mass_pa: f64,
    /// Its temperature over the walls'.
    warm: f64,
}

impl Gas {
    fn at_rest(level_pa: f64) -> Self {
        Self { mass_pa: AMBIENT_PA - level_pa, warm: 1.0 }
    }

    fn level_pa(self) -> f64 {
        AMBIENT_PA - self.mass_pa * self.warm
    }

    fn after(self, [mass_pa_per_s, warm_per_s]: [f64; 2], step_s: f64) -> Self {
        Self { mass_pa: self.mass_pa + mass_pa_per_s * step_s, warm: self.warm + warm_per_s * step_s }
    }
}

/// A level as it was passed.
struct Passed {
    gas: Gas,
    rate_pa_per_s: f64,
}

struct Chamber<'r> {
    rig: &'r RigSheet,
    reached_pa: f64,
}

impl Chamber<'_> {
    /// Moves the air until a level is passed.
    fn go(&self, mut gas: Gas, air: Air, to_pa: f64) -> Option<Passed> {
        const STEPS: usize = 5_000;
        let tau_s = time_constant(self.rig, air)?.si();
        let step_s = (tau_s.min(self.thermal_s()) / 40.0).clamp(1e-4, 0.05);
        let toward = if air.evacuates() { 1.0 } else { -1.0 };
        for _ in 0..STEPS {
            let middle = gas.after(self.changes(gas, air, tau_s), step_s / 2.0);
            let next = gas.after(self.changes(middle, air, tau_s), step_s);
            if (next.level_pa() - to_pa) * toward >= 0.0 {
                let rate_pa_per_s = (next.level_pa() - gas.level_pa()).abs() / step_s;
                return Some(Passed { gas: next, rate_pa_per_s });
            }
            gas = next;
        }
        None
    }

    fn thermal_s(&self) -> f64 {
        self.rig.manifold.thermal.si().max(1e-3)
    }

    /// Rates of mass and temperature: what goes out works, what comes in brings its work with it, and the walls give heat.
    fn changes(&self, gas: Gas, air: Air, tau_s: f64) -> [f64; 2] {
        let level_pa = gas.level_pa();
        let (out, into) = if air.evacuates() {
            ((self.reached_pa - level_pa).max(0.0) / tau_s, 0.0)
        } else {
            (0.0, HALF_PA / tau_s * let_in(level_pa) / let_in(HALF_PA))
        };
        let walls = (AMBIENT_PA - HALF_PA) / self.thermal_s() * (1.0 - gas.warm);
        let heat = into * (HEAT_RATIO - gas.warm) - out * (HEAT_RATIO - 1.0) * gas.warm + walls;
        [into - out, heat / gas.mass_pa.max(1.0)]
    }
}

/// Flow from ambient at a level, as a share of the choked one (ISO 6358-1 with subsonic index 0.5).
fn let_in(level_pa: f64) -> f64 {
    let ratio = (1.0 - level_pa / AMBIENT_PA).min(1.0);
    let beyond = ((ratio - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)).max(0.0);
    (1.0 - beyond * beyond).max(0.0).sqrt()
}
