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
pub(crate) struct Passages(RefCell<Vec<(Asked, Option<f64>)>>);

/// What a rate was asked for.
type Asked = (Window, Ramp, VacuumLevel);

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
        let known = self.0.borrow().iter().find(|(before, _)| *before == asked).map(|(_, rate)| *rate);
        known.unwrap_or_else(|| {
            let rate = ramp_rate(rig, window, ramp, level);
            self.0.borrow_mut().push((asked, rate));
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

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use tripbench_sheet::{Findings, Source, read_sheet};

    /// The demo's rig, its evacuation taking 3 s and its bleed valve 6 s, with another thermal time constant.
    fn rig(thermal: &str) -> RigSheet {
        let text = include_str!("../../../bench-scripts/rigs/goods-in-1.toml");
        let thermal = format!("thermal = \"{thermal}\"");
        let text = text.replace("thermal = \"1 s\"", &thermal);
        assert!(text.contains(&thermal), "the rig sheet has another thermal time constant");
        read_sheet(&Source::new("rig", &text), &Findings::new(), RigSheet::read).expect("a rig")
    }

    fn passing(thermal: &str, motion: Motion, deeper: bool, after: Option<Motion>) -> f64 {
        let window = Window { bottom: VacuumLevel::new(52e3), top: VacuumLevel::new(72e3) };
        let (ramp, reached) = (Ramp { motion, deeper, after }, VacuumLevel::new(90e3));
        ramp_rate((&rig(thermal), reached), window, ramp, VacuumLevel::new(60e3)).expect("it is passed")
    }

    // Walls that keep the gas at their temperature: (90 − 60) kPa / 3 s of mass, and so of level. None at all: what goes out does its
    // work on what stays, 1.4 times as fast at the temperature of the gas, (41.325 kPa / 101.325 kPa)^(0.4 / 1.4) = 0.774 of before
    // (isentropic expansion, any handbook of thermodynamics).
    #[rstest]
    #[case("50 ms", 10e3)]
    #[case("1000 s", 1.4 * 0.774 * 10e3)]
    fn a_pull_from_rest_goes_between_isothermal_and_adiabatic(#[case] thermal: &str, #[case] expected: f64) {
        let found = passing(thermal, Motion::FullFlow, true, None);
        assert!((found / expected - 1.0).abs() < 0.03, "{found}");
    }

    // The same of a fall through the bleed valve, which is choked there: 50 kPa / 6 s at half vacuum, where the flow is 0.9555 of the
    // choked one (ISO 6358-1 with b = 0.3 at a pressure ratio of 0.5065); at 60 kPa and 0.408 it is 0.9881 of it.
    #[rstest]
    #[case("50 ms", 1.0)]
    #[case("1000 s", 1.4)]
    fn a_fall_goes_between_isothermal_and_adiabatic(#[case] thermal: &str, #[case] factor: f64) {
        let expected = factor * 50e3 / 6.0 * 0.9881 / 0.9555;
        let found = passing(thermal, Motion::Throttled, false, None);
        assert!((found / expected - 1.0).abs() < 0.03, "{found} {expected}");
    }

    #[test]
    fn a_pull_after_a_fast_fall_is_faster_for_the_gas_is_warm_and_cools() {
        let after = |motion| passing("1 s", Motion::FullFlow, true, Some(motion));
        assert!(after(Motion::FullFlow) > 1.1 * after(Motion::Throttled));
    }

    #[test]
    fn what_is_never_reached_or_led_by_something_else_has_no_rate() {
        let window = Window { bottom: VacuumLevel::new(52e3), top: VacuumLevel::new(72e3) };
        let ramp = Ramp { motion: Motion::FullFlow, deeper: true, after: None };
        let rig = rig("1 s");
        let at = |ramp, level_pa| {
            ramp_rate((&rig, VacuumLevel::new(90e3)), window, ramp, VacuumLevel::new(level_pa))
        };
        assert_eq!(at(ramp, 95e3), None);
        let led = Motion::Regulated { rate: tripbench_quantity::LevelRate::new(1e3) };
        assert_eq!(at(Ramp { motion: led, ..ramp }, 60e3), None);
    }
}
