//! The air side: a chamber whose gas exchanges heat with the wall, a pump, and nozzles.

use crate::hand::Grip;

/// Specific gas constant of air, J/(kg K): that of ISO 2533, rounded.
const GAS_CONSTANT: f64 = 287.05;
/// Specific heat at constant volume, J/(kg K).
const HEAT_VOLUME: f64 = 718.0;
/// Specific heat at constant pressure, J/(kg K): that at constant volume plus the gas constant.
const HEAT_PRESSURE: f64 = 1_005.05;
/// Reference density of ISO 8778, kg/m³.
const REFERENCE_DENSITY: f64 = 1.185;
/// Reference temperature of ISO 8778, kelvin.
const REFERENCE_TEMPERATURE: f64 = 293.15;

/// A flow path, described by sonic conductance and critical pressure ratio (ISO 6358-1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nozzle {
    /// Sonic conductance, m³/(s Pa).
    pub conductance: f64,
    /// Critical pressure ratio.
    pub critical_ratio: f64,
}

/// Mass flow through a nozzle, kg/s (ISO 6358-1:2013 with subsonic index 0.5), from `upstream_pa` at `upstream_k` to `downstream_pa`.
pub fn nozzle_mass_flow(nozzle: Nozzle, upstream_pa: f64, upstream_k: f64, downstream_pa: f64) -> f64 {
    let ratio = downstream_pa / upstream_pa;
    if ratio >= 1.0 {
        return 0.0;
    }
    let b = nozzle.critical_ratio;
    let subsonic = if ratio <= b { 1.0 } else { (1.0 - ((ratio - b) / (1.0 - b)).powi(2)).sqrt() };
    nozzle.conductance
        * REFERENCE_DENSITY
        * upstream_pa
        * (REFERENCE_TEMPERATURE / upstream_k).sqrt()
        * subsonic
}

/// State of valves, pump and other openings of the chamber; valves and pump as shares from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Openings {
    pub(crate) evacuate: f64,
    pub(crate) evacuate_fine: f64,
    pub(crate) bleed: f64,
    pub(crate) vent: f64,
    /// Strength of the pump, which depends on the air pressure at its inlet.
    pub(crate) pump: f64,
    /// Number of hoses that are off.
    pub(crate) open_hoses: f64,
    /// Action of a hand at the rig.
    pub(crate) hand: Grip,
    /// Leak through the hoses of devices, in Pa m³/s.
    pub(crate) through_hoses: f64,
    /// Set point of a regulator in front of the evacuation valve, in pascals.
    pub(crate) set_point_pa: Option<f64>,
}

/// Constants of the air side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Plant {
    pub(crate) volume_m3: f64,
    pub(crate) ambient_pa: f64,
    pub(crate) ambient_k: f64,
    pub(crate) ultimate_pa: f64,
    pub(crate) evacuate_s: f64,
    pub(crate) evacuate_fine_s: f64,
    pub(crate) bleed: Nozzle,
    pub(crate) vent: Nozzle,
    pub(crate) leak: Nozzle,
    pub(crate) hose: Nozzle,
    pub(crate) wall_w_per_k: f64,
}

/// Mass and temperature of the gas.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Gas {
    pub(crate) mass_kg: f64,
    pub(crate) temperature_k: f64,
}

impl Plant {
    /// A nozzle to ambient through which the level falls at `rate_pa_per_s` at half vacuum, isothermally.
    pub(crate) fn nozzle_for(ambient_pa: f64, volume_m3: f64, rate_pa_per_s: f64) -> Nozzle {
        let flow = volume_m3 / (GAS_CONSTANT * REFERENCE_TEMPERATURE) * rate_pa_per_s;
        let shape = Nozzle { conductance: 1.0, critical_ratio: 0.3 };
        let per_conductance = nozzle_mass_flow(shape, ambient_pa, REFERENCE_TEMPERATURE, ambient_pa - 50e3);
        Nozzle { conductance: flow / per_conductance, ..shape }
    }

    /// Heat exchange with the wall, in W/K, for a thermal time constant at half vacuum.
    pub(crate) fn wall_for(volume_m3: f64, ambient_k: f64, thermal_s: f64) -> f64 {
        50e3 * volume_m3 / (GAS_CONSTANT * ambient_k) * HEAT_VOLUME / thermal_s.max(1e-3)
    }

    pub(crate) fn at_ambient(&self) -> Gas {
        let mass_kg = self.ambient_pa * self.volume_m3 / (GAS_CONSTANT * self.ambient_k);
        Gas { mass_kg, temperature_k: self.ambient_k }
    }

    pub(crate) fn level_pa(&self, gas: Gas) -> f64 {
        self.ambient_pa - gas.mass_kg * GAS_CONSTANT * gas.temperature_k / self.volume_m3
    }

    /// One step by the midpoint rule.
    pub(crate) fn step(&self, gas: Gas, openings: &Openings, step_s: f64) -> Gas {
        let (dm, dt) = self.derivative(gas, openings);
        let middle = Gas {
            mass_kg: gas.mass_kg + dm * step_s / 2.0,
            temperature_k: gas.temperature_k + dt * step_s / 2.0,
        };
        let (dm, dt) = self.derivative(middle, openings);
        Gas { mass_kg: gas.mass_kg + dm * step_s, temperature_k: gas.temperature_k + dt * step_s }
    }

    /// Mass flow out of the chamber by a hand, in kg/s, negative for inflow; a hand pulls no deeper than the pump.
    fn by_hand(&self, level_pa: f64, hand: Grip) -> f64 {
        let possible = if hand.rate_pa_per_s > 0.0 { self.ultimate_pa - level_pa } else { level_pa };
        let share = (possible / 2_000.0).clamp(0.0, 1.0);
        self.volume_m3 / (GAS_CONSTANT * self.ambient_k) * hand.rate_pa_per_s * share
    }

    /// Rates of mass (kg/s) and temperature (K/s).
    fn derivative(&self, gas: Gas, openings: &Openings) -> (f64, f64) {
        let pressure = self.ambient_pa - self.level_pa(gas);
        let level = self.ambient_pa - pressure;
        let ultimate = self.ultimate_pa * openings.pump;
        let share = openings.evacuate / self.evacuate_s + openings.evacuate_fine / self.evacuate_fine_s;
        let target = openings.set_point_pa.map_or(ultimate, |set_point| set_point.min(ultimate));
        let flow = self.volume_m3 / (GAS_CONSTANT * self.ambient_k) * (target - level) * share;
        let by_hand = self.by_hand(level, openings.hand);
        let out = flow.max(0.0) + by_hand.max(0.0);
        // A regulator lets air in if the level is deeper than its set point.
        let relief = if openings.set_point_pa.is_some() { (-flow).max(0.0) } else { 0.0 };
        let through = |share: f64, nozzle| {
            if share > 0.0 {
                share * nozzle_mass_flow(nozzle, self.ambient_pa, self.ambient_k, pressure)
            } else {
                0.0
            }
        };
        let open = f64::from(u8::from(openings.hand.open));
        let into = relief
            + (-by_hand).max(0.0)
            + through(open, self.vent)
            + openings.through_hoses / (GAS_CONSTANT * self.ambient_k)
            + through(1.0, self.leak)
            + through(openings.bleed, self.bleed)
            + through(openings.vent, self.vent)
            + through(openings.open_hoses, self.hose);
        let heat = into * (HEAT_PRESSURE * self.ambient_k - HEAT_VOLUME * gas.temperature_k)
            - out * GAS_CONSTANT * gas.temperature_k
            + self.wall_w_per_k * (self.ambient_k - gas.temperature_k);
        (into - out, heat / (gas.mass_kg * HEAT_VOLUME))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    // ISO 6358: choked flow is C·ρ₀·p₁ at the reference temperature (rows 1, 2 and 5); the other rows recomputed with the formula.
    #[rstest]
    #[case((1e-8, 0.35), (700e3, 293.15), 100e3, 0.008_295)]
    #[case((1e-8, 0.35), (700e3, 293.15), 245e3, 0.008_295)]
    #[case((1e-8, 0.35), (700e3, 293.15), 600e3, 0.005_188_567_883_953_195)]
    #[case((1e-8, 0.35), (700e3, 313.15), 100e3, 0.008_025_740_836_755_457)]
    #[case((2e-9, 0.5), (100e3, 293.15), 40e3, 2.37e-4)]
    #[case((2e-9, 0.5), (100e3, 293.15), 80e3, 1.896e-4)]
    fn nozzle_flow_agrees_with_iso_6358(
        #[case] (conductance, critical_ratio): (f64, f64),
        #[case] (upstream, temperature): (f64, f64),
        #[case] downstream: f64,
        #[case] expected: f64,
    ) {
        let nozzle = Nozzle { conductance, critical_ratio };
        let flow = nozzle_mass_flow(nozzle, upstream, temperature, downstream);
        assert!((flow / expected - 1.0).abs() < 1e-12, "{flow}");
    }

    fn plant(wall_w_per_k: f64) -> Plant {
        let nozzle = Plant::nozzle_for(101_325.0, 1.2e-3, 0.0);
        Plant {
            volume_m3: 1.2e-3,
            ambient_pa: 101_325.0,
            ambient_k: 293.15,
            ultimate_pa: 90e3,
            evacuate_s: 4.8,
            evacuate_fine_s: 50.0,
            bleed: nozzle,
            vent: nozzle,
            leak: nozzle,
            hose: nozzle,
            wall_w_per_k,
        }
    }

    // Evacuation at constant volume flow, closed form: t = τ ln(v_ult / (v_ult − v)).
    #[test]
    fn isothermal_evacuation_follows_the_closed_form() {
        let plant = plant(1e4);
        let openings = Openings { evacuate: 1.0, pump: 1.0, ..Openings::default() };
        let mut gas = plant.at_ambient();
        let mut steps = 0;
        while plant.level_pa(gas) < 60e3 {
            gas = plant.step(gas, &openings, 1e-5);
            steps += 1;
        }
        let expected_s = 4.8 * (90.0_f64 / 30.0).ln();
        assert!((f64::from(steps) * 1e-5 / expected_s - 1.0).abs() < 2e-3);
    }

    // Adiabatic rebound, closed form: 1 − 1/κ = 28.6 % of the gross pressure change of a fast pull comes back (κ = 1.4).
    #[test]
    fn after_a_fast_pull_the_vacuum_falls_back_by_the_adiabatic_share() {
        let plant = Plant { evacuate_s: 1e-3, ..plant(1.0) };
        let mut gas = plant.at_ambient();
        let pull = Openings { evacuate: 1.0, pump: 1.0, ..Openings::default() };
        while plant.level_pa(gas) < 2e3 {
            gas = plant.step(gas, &pull, 1e-7);
        }
        let peak = plant.level_pa(gas);
        for _ in 0..40_000 {
            gas = plant.step(gas, &Openings::default(), 1e-3);
        }
        let rebound = (peak - plant.level_pa(gas)) / peak;
        assert!((rebound - (1.0 - 1.0 / 1.4)).abs() < 0.01, "{rebound}");
    }
}
