//! A rig that a hand works: how far it can go back before its ramp is thrown away.

use tripbench_device::expected as expected_of;
use tripbench_record::LoadedSheets;

/// Time over which the level is taken that tells whether a hand has turned round, seconds.
pub const TURN_SEEN_OVER_S: f64 = 0.2;
/// So many times its noise lies between the deepest of many means over that time and the least deep one.
pub const TURN_OVER_NOISE: f64 = 8.0;

/// A hand that goes back by so much has turned round, pascal: 0.4 kPa, and no more than half of what a device needs to switch back. Less
/// than a few counts, or than the leak that the rig may have takes back while a hand rests for a second, is no turn.
pub fn turned_pa(sheets: &LoadedSheets) -> f64 {
    let rig = &sheets.rig;
    turned(least_hysteresis_pa(sheets), rig.reference.input.resolution(), rig.manifold.largest_leak.si())
}

/// Whether a hand can go back unseen by as much as a device may need to switch back: then a change that is not expected is not the device's.
pub(crate) fn can_switch_back(sheets: &LoadedSheets) -> bool {
    let rig = &sheets.rig;
    let period_s = rig.scan_time().si().max(rig.module.converter.si()).min(TURN_SEEN_OVER_S);
    let noise_pa = TURN_OVER_NOISE * rig.reference.noise.si() * (period_s / TURN_SEEN_OVER_S).sqrt();
    let unseen_pa = turned_pa(sheets) + noise_pa;
    rig.by_hand() && least_hysteresis_pa(sheets).is_some_and(|least_pa| least_pa <= unseen_pa)
}

/// Least hysteresis that the sheets allow, pascal.
fn least_hysteresis_pa(sheets: &LoadedSheets) -> Option<f64> {
    let (settings, device) = sheets.settings.as_ref().zip(sheets.device.as_ref())?;
    expected_of(settings, device).hysteresis.map(|[least, _]| least.si())
}

fn turned(least_hysteresis_pa: Option<f64>, count_pa: f64, leak_pa_per_s: f64) -> f64 {
    const TURNED_PA: f64 = 400.0;
    const COUNTS: f64 = 4.0;
    const RESTS_S: f64 = 1.0;
    let half_pa = least_hysteresis_pa.map_or(f64::INFINITY, |least_pa| least_pa / 2.0);
    TURNED_PA.min(half_pa).max(COUNTS * count_pa + RESTS_S * leak_pa_per_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Bench;
    use rstest::rstest;

    // The repair bench has counts of 6.25 Pa and may leak 100 Pa/s. A type that takes more from its hysteresis than that is can have none.
    #[rstest]
    #[case(None, 400.0)]
    #[case(Some(4_400.0), 400.0)]
    #[case(Some(600.0), 300.0)]
    #[case(Some(200.0), 125.0)]
    #[case(Some(-200.0), 125.0)]
    fn a_turn_is_less_than_switches_back_and_more_than_a_rest(
        #[case] least_pa: Option<f64>,
        #[case] expected_pa: f64,
    ) {
        assert!((turned(least_pa, 6.25, 100.0) - expected_pa).abs() < 1e-9);
    }

    #[test]
    fn with_valves_nothing_turns_round() {
        assert!(!can_switch_back(&Bench::new().task().sheets));
    }
}
