//! Rate of the level where the gas cools as it is drawn off and warms as it is let in: the energy balance of a chamber with walls at
//! constant temperature and the time constants of the rig sheet. A pull starts up to 1.4 times as fast as it continues.

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
/// Level to which the sheet's falling rates and thermal time constant refer, pascal.
const HALF_PA: f64 = 50e3;
/// Critical pressure ratio of a valve's flow path: common practice where none is stated (ISO 6358-1 has it measured).
const CRITICAL_RATIO: f64 = 0.3;

/// The ends of the window that ramps pass through in both directions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Window {
    pub(crate) bottom: VacuumLevel,
    pub(crate) top: VacuumLevel,
}

/// Cache of rates: many mixes of ramps pass the same levels.
#[derive(Debug, Default)]
pub(crate) struct Passages(RefCell<Vec<(Asked, Option<f64>)>>);

/// Arguments of a rate.
type Asked = (Window, Ramp, VacuumLevel);

impl Passages {
    /// Absolute rate of a ramp at a level, pascal per second; `None` if the gas does not set it, or the level is never passed.
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

/// Absolute rate of a ramp at a level, pascal per second; `None` if the gas does not set it, or the level is never passed.
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
        // The gas is given time to settle before a throttled ramp.
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

/// The air state of a motion whose rate nothing controls.
fn free(motion: Motion, deeper: bool) -> Option<Air> {
    matches!(motion, Motion::FullFlow | Motion::Throttled).then(|| motion.air(deeper))
}

/// The gas in the chamber.
#[derive(Debug, Clone, Copy)]
struct Gas {
    /// Mass, as the pressure that the gas would have at the walls' temperature, pascal.
    mass_pa: f64,
    /// Ratio of its absolute temperature to that of the walls.
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

/// State and rate as a level is passed.
struct Passed {
    gas: Gas,
    rate_pa_per_s: f64,
}

struct Chamber<'r> {
    rig: &'r RigSheet,
    reached_pa: f64,
}

impl Chamber<'_> {
    /// Moves the air until a level is passed; `None` if it never is.
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

    /// Rates of mass and temperature: gas leaving expands and cools the rest, gas entering is compressed and warms it, and the walls
    /// exchange heat.
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

/// Flow from ambient at a level, as a share of the choked flow (ISO 6358-1 with subsonic index 0.5).
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

    /// The demo rig with an evacuation time constant of 3 s, a bleed time constant of 6 s, and the given thermal time constant.
    fn rig(thermal: &str) -> RigSheet {
        let text = include_str!("../../../bench-scripts/rigs/goods-in-1.toml");
        let thermal = format!("thermal = \"{thermal}\"");
        let text = text.replace("thermal = \"1 s\"", &thermal);
        assert!(text.contains(&thermal), "the demo rig sheet no longer has `thermal = \"1 s\"`");
        read_sheet(&Source::new("rig", &text), &Findings::new(), RigSheet::read).expect("a rig")
    }

    fn passing(thermal: &str, motion: Motion, deeper: bool, after: Option<Motion>) -> f64 {
        let window = Window { bottom: VacuumLevel::new(52e3), top: VacuumLevel::new(72e3) };
        let (ramp, reached) = (Ramp { motion, deeper, after }, VacuumLevel::new(90e3));
        ramp_rate((&rig(thermal), reached), window, ramp, VacuumLevel::new(60e3)).expect("it is passed")
    }

    // Walls that keep the gas at their temperature: mass, and so level, changes by (90 − 60) kPa / 3 s. No heat from the walls: the
    // gas that leaves does work, so the rate is 1.4 times as large, at a gas temperature of (41.325 kPa / 101.325 kPa)^(0.4 / 1.4) =
    // 0.774 of the initial one (isentropic expansion, any handbook of thermodynamics).
    #[rstest]
    #[case("50 ms", 10e3)]
    #[case("1000 s", 1.4 * 0.774 * 10e3)]
    fn a_pull_from_rest_goes_between_isothermal_and_adiabatic(#[case] thermal: &str, #[case] expected: f64) {
        let found = passing(thermal, Motion::FullFlow, true, None);
        assert!((found / expected - 1.0).abs() < 0.03, "{found}");
    }

    // The same for a fall through the bleed valve, which is choked there: 50 kPa / 6 s at half vacuum, where the flow is 0.9555 of the
    // choked flow (ISO 6358-1 with b = 0.3 at a pressure ratio of 0.5065); at 60 kPa, pressure ratio 0.408, it is 0.9881.
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
