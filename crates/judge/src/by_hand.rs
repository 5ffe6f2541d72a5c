//! A rig whose air is moved by hand: how far the level may go back before the ramp is discarded.

use tripbench_device::expected as expected_of;
use tripbench_record::LoadedSheets;

/// Averaging time of the level that shows whether the hand has turned back, seconds. Judgement of this project.
pub const TURN_SEEN_OVER_S: f64 = 0.2;
/// Difference between the deepest and the least deep of many such means that noise alone explains, in standard deviations of one mean.
/// Judgement of this project.
pub const TURN_OVER_NOISE: f64 = 8.0;

/// Fall of the level that counts as turning back, pascal: 0.4 kPa, but at most half of the least hysteresis; and at least four counts
/// plus the largest leak over a second's rest. Judgement of this project.
pub fn turned_pa(sheets: &LoadedSheets) -> f64 {
    let rig = &sheets.rig;
    turned(least_hysteresis_pa(sheets), rig.reference.input.resolution(), rig.manifold.largest_leak.si())
}

/// Whether a hand can go back unnoticed by as much as a device needs to switch back. Then an unexpected change may not be the device's
/// fault.
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

    // The repair bench has counts of 6.25 Pa and may leak 100 Pa/s. With a tolerance larger than the hysteresis, the least hysteresis
    // is negative.
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
