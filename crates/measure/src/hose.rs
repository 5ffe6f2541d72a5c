//! Hoses: air that leaks in at the far end causes a pressure drop along the hose.

/// Dynamic viscosity of air at 20 °C, pascal second (value from memory).
const VISCOSITY: f64 = 1.82e-5;

/// Conductance of a long round hose in laminar flow, m³/s: throughput in Pa m³/s divided by the pressure drop (Poiseuille).
/// Bore and length are in metres, the mean absolute pressure is in pascal.
pub fn hose_conductance(bore_m: f64, length_m: f64, mean_pressure_pa: f64) -> f64 {
    std::f64::consts::PI * bore_m.powi(4) * mean_pressure_pa / (128.0 * VISCOSITY * length_m)
}

/// Volume of a hose, m³.
pub fn hose_volume(bore_m: f64, length_m: f64) -> f64 {
    std::f64::consts::FRAC_PI_4 * bore_m.powi(2) * length_m
}

#[cfg(test)]
mod tests {
    use super::*;

    // Vacuum-engineering rule for air at 20 °C in laminar flow, from memory: C = 135 d⁴ p/l in L/s, with d and l in cm and the mean
    // pressure in mbar.
    #[test]
    fn the_conductance_agrees_with_the_rule_of_vacuum_engineering() {
        let rule = 135.0 * 0.4_f64.powi(4) * 400.0 / 80.0 / 1e3;
        let found = hose_conductance(0.004, 0.8, 40_000.0);
        assert!((found / rule - 1.0).abs() < 0.01, "{found} instead of {rule}");
        // Half the bore: a sixteenth.
        assert!((hose_conductance(0.002, 0.8, 40_000.0) * 16.0 / found - 1.0).abs() < 1e-12);
    }

    // A cylinder of 4 mm by 0.8 m: π/4 · 1.6e-5 · 0.8 = 10.053 mL.
    #[test]
    fn the_volume_of_a_hose_is_that_of_a_cylinder() {
        assert!((hose_volume(0.004, 0.8) * 1e6 - 10.053_096_491).abs() < 1e-6);
    }
}
